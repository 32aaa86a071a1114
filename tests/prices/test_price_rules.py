"""The arithmetic of the price book: which rule speaks, what a price comes to, how it is rounded."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from grading.prices.pure.book import Book, How, PieceFacts, Rule, RuleConditions, RuleEffect, ToPrice
from grading.prices.pure.rounding import Direction, Grid, rounded, why_not
from stockroom.pure.money import minor_places

CURRENCIES = ("GBP", "JPY", "TND")  # two, no and three decimals (ISO 4217)


def rule(number: int, effect: RuleEffect, conditions: RuleConditions | None = None, **said: object) -> Rule:
    return Rule(number, effect, conditions or RuleConditions(), **said)  # type: ignore[arg-type]


def price(number: int, amount: str, conditions: RuleConditions | None = None, **said: object) -> Rule:
    return rule(number, RuleEffect.PRICE, conditions, amount=Decimal(amount), **said)


def factor(number: int, times: str, heading: str, conditions: RuleConditions | None = None, **said: object) -> Rule:
    return rule(number, RuleEffect.FACTOR, conditions, factor=Decimal(times), heading=heading, **said)


def floor(number: int, times: str) -> Rule:
    return rule(number, RuleEffect.FLOOR, factor=Decimal(times))


def rounding(number: int, step: str, ending: str = "0", way: Direction = Direction.NEAREST) -> Rule:
    return rule(number, RuleEffect.ROUNDING, grid=Grid(Decimal(step), Decimal(ending), way))


TRIODE = PieceFacts(1, "12AX7", grade="Good", how=How.TESTED)
QUAD = [ToPrice(TRIODE._replace(set_size=4, within_percent=5.0), Decimal(10))] * 4


def test_a_price_is_made_step_by_step_and_every_step_names_its_rule() -> None:
    book = Book(
        [
            price(1, "20", RuleConditions(type=1), words="12AX7"),
            factor(2, "0.8", "Grade", RuleConditions(grade="Good"), words="Good"),
            factor(3, "1.25", "Set", RuleConditions(set_size=4)),
            rule(4, RuleEffect.AMOUNT, amount=Decimal("2"), heading="Box", of_set=True),
            floor(5, "1.5"),
            rounding(6, "1", "0.90"),
        ],
        "GBP",
    )
    found = book.price(QUAD)
    assert [(step.amount, step.rule) for step in found.steps] == [
        (Decimal("20.00"), 1),
        (Decimal("16.00"), 2),
        (Decimal("20.00"), 3),
        (Decimal("20.50"), 4),
        (Decimal("82.00"), None),
        (None, 5),
        (Decimal("81.90"), 6),
    ]
    assert found.amount == Decimal("81.90") and found.shares == (Decimal("20.48"),) * 2 + (Decimal("20.47"),) * 2
    assert found.rules == (1, 2, 3, 4, 5, 6) and not found.lifted
    assert "Base: GBP\xa020.00 a piece, by rule 1, 12AX7" in found.in_words


def test_the_floor_lifts_a_price_says_so_and_rounding_never_goes_back_below_it() -> None:
    book = Book([price(1, "20"), floor(2, "2.507"), rounding(3, "1", "0.90")], "GBP")
    found = book.price([ToPrice(TRIODE, Decimal(10))])
    assert found.lifted and found.amount == Decimal("25.90")
    assert "lifted to GBP\xa025.07, 2.507 × the cost of GBP\xa010.00" in found.in_words
    assert "up once more so as not to fall below the floor" in found.in_words


def test_a_set_of_unlike_pieces_is_the_sum_of_what_each_is_worth() -> None:
    book = Book([price(1, "20"), factor(2, "0.5", "Grade", RuleConditions(grade="Good"))], "GBP")
    best = TRIODE._replace(grade="Excellent")
    found = book.price([ToPrice(TRIODE), ToPrice(best)])
    assert found.amount == 30 and found.shares == (Decimal("10.00"), Decimal("20.00"))
    assert "(1 of 2 pieces)" in found.in_words


def test_no_base_is_no_price_and_neither_is_a_multiple_of_no_cost() -> None:
    assert Book([floor(1, "2")], "GBP").price(QUAD).amount is None
    by_cost = Book([rule(1, RuleEffect.TIMES_COST, factor=Decimal(3))], "GBP")
    assert by_cost.price([ToPrice(TRIODE)]).amount is None and by_cost.price(QUAD).amount == 120


@pytest.mark.parametrize(
    ("asked", "speaks"),
    [
        (RuleConditions(), True),
        (RuleConditions(type=1, called="12AX7", grade="Good", how=How.TESTED, set_size=4, within_percent=5), True),
        (RuleConditions(within_percent=4.9), False),
        (RuleConditions(construction="plate finish: grey"), False),
        (RuleConditions(maker=3), False),
        (RuleConditions(called="ECC83"), False),
        (RuleConditions(condition="used"), False),
        (RuleConditions(how=How.SEALED), False),
    ],
)
def test_every_condition_that_is_asked_must_hold(asked: RuleConditions, speaks: bool) -> None:
    assert asked.fit(QUAD[0].facts) == speaks


def test_a_single_is_within_nothing() -> None:
    assert not RuleConditions(within_percent=100).fit(TRIODE)


def test_of_two_tolerances_the_closer_speaks_then_the_order_then_the_older() -> None:
    loose, tight = RuleConditions(within_percent=10), RuleConditions(within_percent=6)
    first = (
        Book([price(1, "5", loose, place=1), price(2, "7", tight, place=9), price(3, "8")], "GBP").price(QUAD).steps[0]
    )
    assert first.rule == 2 and first.why == "asks more than rule 3, asks a closer match than rule 1"
    assert Book([price(1, "5", place=2), price(2, "7", place=1)], "GBP").price(QUAD).rules[0] == 2
    told = Book([price(2, "7"), price(1, "5")], "GBP").price(QUAD).steps[0]
    assert told.rule == 1 and told.gave_way == (2,) and told.why == "stands before rule 2"


NUMBERS = st.integers(1, 3)
conditions = st.builds(
    RuleConditions,
    type=st.none() | NUMBERS,
    maker=st.none() | NUMBERS,
    grade=st.none() | st.sampled_from(["Good", "Fair"]),
    set_size=st.none() | NUMBERS,
    within_percent=st.none() | st.sampled_from([2.0, 5.0]),
)
facts = st.builds(
    PieceFacts,
    type=NUMBERS,
    maker=st.none() | NUMBERS,
    grade=st.sampled_from(["", "Good", "Fair"]),
    set_size=NUMBERS,
    within_percent=st.sampled_from([1.0, 3.0, 9.0]),
)
amounts = st.decimals(0, 500, places=2)
factors = st.decimals("0.1", 4, places=3)
grids = st.builds(
    lambda units, part, way: Grid(Decimal(units), Decimal(units * part // 100), way),
    st.integers(1, 20),
    st.integers(0, 99),
    st.sampled_from(Direction),
)


@given(facts, st.data())
@settings(max_examples=40)
def test_the_rule_that_speaks_fits_and_no_rule_that_fits_asks_more(of: PieceFacts, data: st.DataObject) -> None:
    fitting_ones = st.sets(st.sampled_from(["type", "grade", "set_size", "within_percent", "condition", "how"])).map(
        lambda names: RuleConditions(**{name: getattr(of, name) for name in names})
    )
    asked = data.draw(st.lists(fitting_ones | conditions, min_size=1, max_size=8))
    book = Book([price(number, "9", one, place=number % 3) for number, one in enumerate(asked)], "GBP")
    found = book.price([ToPrice(of)])
    fitting = [number for number, one in enumerate(asked) if one.fit(of)]
    if not fitting:
        assert found.amount is None
        return
    spoke = found.rules[0]
    assert spoke in fitting and set(found.steps[0].gave_way) == set(fitting) - {spoke}
    assert all(asked[number].asked <= asked[spoke].asked for number in fitting)
    turned = Book(list(reversed(book.rules)), "GBP").price([ToPrice(of)])
    assert turned.rules == found.rules, "the order in which rules were read must not matter"


@settings(max_examples=40)
@given(
    st.lists(st.tuples(facts, amounts), min_size=1, max_size=5),
    amounts,
    st.lists(factors, max_size=3),
    st.decimals(-20, 20, places=2),
    st.decimals(0, 4, places=3),
    grids,
    st.sampled_from(CURRENCIES),
)
def test_a_price_is_never_below_its_floor_and_its_shares_make_it_up(
    goods: list[tuple[PieceFacts, Decimal]],
    base: Decimal,
    times: list[Decimal],
    more: Decimal,
    least: Decimal,
    grid: Grid,
    currency: str,
) -> None:
    rules = [price(1, str(base)), rule(90, RuleEffect.FLOOR, factor=least), rule(91, RuleEffect.ROUNDING, grid=grid)]
    rules += [factor(2 + number, str(one), f"Heading {number}") for number, one in enumerate(times)]
    rules.append(rule(50, RuleEffect.AMOUNT, amount=more, heading="More"))
    found = Book(rules, currency).price([ToPrice(*one) for one in goods])
    assert found.amount is not None and found.amount > 0
    assert Fraction(found.amount) >= Fraction(sum(cost for _, cost in goods)) * Fraction(least)
    assert sum(found.shares) == found.amount and len(found.shares) == len(goods)
    assert (found.amount - grid.ending) % grid.step == 0
    assert -found.amount.as_tuple().exponent == minor_places(currency)  # type: ignore[operator]
    exact = len(goods) * (Fraction(base) * _product(times) + Fraction(more))
    target = max(exact, Fraction(sum(cost for _, cost in goods)) * Fraction(least))
    if target > grid.step:
        assert abs(Fraction(found.amount) - target) < grid.step


def _product(times: list[Decimal]) -> Fraction:
    whole = Fraction(1)
    for one in times:
        whole *= Fraction(one)
    return whole


@given(st.fractions(0, 60, max_denominator=200), grids)
@settings(max_examples=40)
def test_rounding_takes_the_nearest_next_or_last_point_of_its_grid(amount: Fraction, grid: Grid) -> None:
    found = Fraction(rounded(amount, grid, "GBP"))
    lowest = Fraction(grid.ending or grid.step)
    assume(amount > lowest)
    points = [Fraction(grid.ending) + times * Fraction(grid.step) for times in range(62)]
    points = [point for point in points if point > 0]
    expected = {
        Direction.NEAREST: min(points, key=lambda point: (abs(point - amount), -point)),
        Direction.UP: min(point for point in points if point >= amount),
        Direction.DOWN: max(point for point in points if point <= amount),
    }[grid.direction]
    assert found == expected


def test_a_grid_that_the_currency_has_no_coin_for_is_refused_in_words() -> None:
    assert why_not(Grid(Decimal("0.5")), "JPY") == "JPY has no part as small as 0.50."
    assert why_not(Grid(Decimal(0)), "GBP") and why_not(Grid(Decimal(1), Decimal(1)), "GBP")
    assert not why_not(Grid(Decimal("0.001")), "TND")
