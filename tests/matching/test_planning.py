"""Planning a pool: what to make for a demand mix, and which set to give an order."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from grading.matching import Piece, Rules, Tier, diving, find_sets, judge_set, market, planning
from grading.matching.diving import dive
from grading.matching.market import MadeAlready, Market, PlanDemand
from grading.matching.planning import plan
from grading.matching.pulling import Scales, cheapest_for_order, cheapest_set
from grading.matching.watch import Watch

MIX = (PlanDemand("quad", 4, 260.0, 2, 0.05), PlanDemand("pair", 2, 110.0, 3, 0.05), PlanDemand("single", 1, 40.0, 5))


def scattered(count: int, seed: int, width: float = 0.05) -> list[Piece]:
    random = np.random.default_rng(seed)
    logs = random.normal(size=(count, 2)) * [width, 0.8 * width]
    return [Piece(number, (70 * math.exp(a), 11 * math.exp(b))) for number, (a, b) in enumerate(logs)]


def fits(pieces: list[Piece], rows: tuple[int, ...], widest: float) -> bool:
    return judge_set([pieces[row] for row in rows], [Tier("one", widest, 1.0)]).tier is not None


def best_income(
    pieces: list[Piece], demands: tuple[PlanDemand, ...], made_already: tuple[MadeAlready, ...] = ()
) -> float:
    """Exhaustive: every way to fill the orders, one by one, with sets that stand already first."""
    offers = {
        demand.name: [
            frozenset(rows)
            for rows in combinations(range(len(pieces)), demand.size)
            if demand.size == 1 or fits(pieces, rows, demand.spread)
        ]
        for demand in demands
    }
    known: dict[tuple[frozenset[int], tuple[int, ...]], float] = {}

    def best(free: frozenset[int], left: tuple[int, ...]) -> float:
        if not free or not any(left):
            return 0.0
        if (free, left) not in known:
            lowest = min(free)
            options = [best(free - {lowest}, left)]
            for at, demand in enumerate(demands):
                if left[at]:
                    fewer = (*left[:at], left[at] - 1, *left[at + 1 :])
                    options += [
                        demand.price + best(free - one, fewer)
                        for one in offers[demand.name]
                        if lowest in one and one <= free
                    ]
            known[free, left] = max(options)
        return known[free, left]

    def sold(stand: list[MadeAlready], left: tuple[int, ...]) -> float:
        if not stand:
            return best(frozenset(range(len(pieces))), left)
        options = [sold(stand[1:], left)]
        for at, demand in enumerate(demands):
            if left[at] and stand[0].size == demand.size and stand[0].spread <= demand.spread:
                options.append(demand.price + sold(stand[1:], (*left[:at], left[at] - 1, *left[at + 1 :])))
        return max(options)

    one_by_one = [kind for kind in made_already for _ in range(kind.count)]
    return sold(one_by_one, tuple(demand.wanted for demand in demands))


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 2), st.integers(0, 2), st.integers(0, 3))
def test_a_plan_earns_as_much_as_trying_everything(seed: int, quads: int, pairs: int, singles: int) -> None:
    pieces = scattered(10, seed)
    demands = (
        PlanDemand("quad", 4, 260.0, quads, 0.05),
        PlanDemand("pair", 2, 110.0, pairs, 0.05),
        PlanDemand("single", 1, 40.0, singles),
    )
    made = plan(pieces, demands)
    assert made.value == pytest.approx(best_income(pieces, demands))
    assert made.bound >= made.value - 1e-9


def by_hand(pieces: list[Piece], demands: tuple[PlanDemand, ...]) -> float:
    """Matching demand by demand, the best paid for each piece first, singles from the rest."""
    free, income = list(pieces), 0.0
    for demand in sorted(demands, key=lambda demand: -demand.price / demand.size):
        if demand.size == 1:
            continue
        found = find_sets(free, demand.size, [Tier("one", demand.spread, demand.price)], time_limit_s=10)
        made = found.sets[: demand.wanted]
        income += demand.price * len(made)
        used = {key for one in made for key in one.keys}
        free = [piece for piece in free if piece.key not in used]
    for demand in sorted(demands, key=lambda demand: -demand.price):
        if demand.size == 1:
            income += demand.price * min(demand.wanted, len(free))
            free = free[demand.wanted :]
    return income


def test_the_bound_of_a_large_plan_is_not_below_a_plan_that_exists() -> None:
    """Every piece is in a set that is planted, so what they bring is the most there can be; above ``CROWD`` pieces the
    linear programme is solved from within, and its value lies a little below its optimum."""
    random = np.random.default_rng(7)
    pieces: list[Piece] = []
    for number in range(640 // 8):
        centre = np.exp(random.normal(size=2) * [0.1, 0.08]) * [70, 11]
        for at in range(8):
            near = centre * (1 + 0.004 * random.random(2))
            pieces.append(Piece((number, at), (float(near[0]), float(near[1]))))
    demands = (
        PlanDemand("quad", 4, 100.0, 80, 0.02),
        PlanDemand("pair", 2, 40.0, 80, 0.01),
        PlanDemand("single", 1, 12.0, 160),
    )
    made = plan(pieces, demands, time_limit_s=20)
    assert made.bound == 80 * 100 + 80 * 40 + 160 * 12
    assert made.value == made.bound
    assert made.ended == "No plan earns more."


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.booleans(), st.floats(0.0, 1.5), st.integers(0, 2))
def test_any_prices_at_all_bound_what_a_plan_can_earn(seed: int, crowded: bool, share: float, ready: int) -> None:
    pieces = scattered(9, seed, 0.02)
    demands = (
        PlanDemand("quad", 4, 260.0, 1, 0.04),
        PlanDemand("pair", 2, 110.0, 2, 0.02),
        PlanDemand("single", 1, 40.0, 3),
    )
    random = np.random.default_rng(seed)
    made_already = (MadeAlready(4, 0.01, ready), MadeAlready(2, 0.02, ready))
    prices = np.concatenate([share * 60 * random.random(9), share * 60 * random.random(3), np.zeros(3)])
    with pytest.MonkeyPatch.context() as patch:
        if crowded:
            patch.setattr(market, "MOST_WRITTEN", 0)
        ours = Market(pieces, demands, Rules(), Watch(60.0, None, None), 0, made_already)
        bound, _ = ours.price(prices, ours.limits)
    assert bound >= best_income(pieces, demands, made_already) - 1e-6


@pytest.fixture
def one_pair() -> Market:
    """Two valves that are alike, and one pair wanted for 100."""
    pieces = [Piece(key=place, quantities=(10.0,)) for place in range(2)]
    return Market(pieces, [PlanDemand("pair", 2, 100.0, 1, 0.05)], Rules(), Watch(5.0, None, None), 0)


@pytest.mark.parametrize(("price", "fee"), [(50 * (1 - 0.4 * market.CLOSE), 0.0), (0.0, 50.0), (10.0, 95.0)])
def test_prices_of_pieces_and_of_a_demand_bound_what_they_undercut(one_pair: Market, price: float, fee: float) -> None:
    """The first are undercut by more than rounding, and by less than makes a set worth asking for."""
    prices = np.zeros(len(one_pair.limits))
    prices[:2], prices[2] = price, fee
    assert one_pair.price(prices, one_pair.limits)[0] >= 100.0


def test_a_search_that_was_given_up_bounds_no_piece(one_pair: Market, monkeypatch: pytest.MonkeyPatch) -> None:
    nothing = np.empty(0, dtype=np.int64)
    given_up = market.Offer(np.empty((0, 2), dtype=np.int32), 0.0, nothing, np.empty(0), False)
    monkeypatch.setattr(one_pair.shops[0], "below", lambda *_: given_up)
    assert one_pair.price(np.zeros(len(one_pair.limits)), one_pair.limits)[0] >= 100.0


def test_before_anything_is_solved_the_sets_that_stand_are_in_the_bound() -> None:
    apart = [Piece(key=place, quantities=(10.0 * (1 + place),)) for place in range(2)]
    pairs = PlanDemand("pair", 2, 100.0, 3, 0.05)
    there = Market(apart, [pairs], Rules(), Watch(5.0, None, None), 0, (MadeAlready(2, 0.01, 2),))
    assert best_income(apart, (pairs,), (MadeAlready(2, 0.01, 2),)) == 200 <= there.at_most()


def test_what_prices_say_of_a_loss_holds_less_what_whole_sets_fall_short_by() -> None:
    """Of three valves alike, beside one like none, one goes spare: it is priced at 15, and missing it costs nothing."""
    alike = [Piece(key=place, quantities=(10.0 if place else 20.0,)) for place in range(4)]
    pairs = PlanDemand("pair", 2, 30.0, 3, 0.05)
    scales = Scales(Market(alike, [pairs], Rules(), Watch(5.0, None, None), 0))
    assert (scales.linear.bound, scales.least) == (pytest.approx(45), 30)
    without = best_income(alike, (pairs,), ()) - best_income(alike[:3], (pairs,), ())
    assert scales.no_less_than(float(scales.prices[1])) <= without == 0


@pytest.mark.parametrize("seconds", [0.0, 0.5, 8.0])
def test_a_bound_cut_short_by_the_clock_still_holds(seconds: float) -> None:
    pieces = scattered(24, 11)
    demands = (
        PlanDemand("quad", 4, 260.0, 4, 0.04),
        PlanDemand("pair", 2, 110.0, 4, 0.02),
        PlanDemand("single", 1, 30.0, 6),
    )
    best = plan(pieces, demands).value
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(market, "CROWD", 0)
        patch.setattr(market, "MOST_WRITTEN", 0)
        made = plan(pieces, demands, time_limit_s=seconds)
    assert made.bound >= best - 1e-6
    assert made.value <= best + 1e-6
    if seconds == 8.0:
        assert made.value >= 0.97 * best


@pytest.mark.parametrize(("seed", "crowd"), [(0, 0), (2, market.CROWD)])
def test_a_plan_is_never_worse_than_matching_by_hand(seed: int, crowd: int) -> None:
    """As a large pool is planned, and as a small one."""
    pieces = scattered(90, seed, 0.08)
    demands = (
        PlanDemand("quad 2 %", 4, 100.0, 6, 0.02),
        PlanDemand("quad 5 %", 4, 80.0, 6, 0.05),
        PlanDemand("pair 1 %", 2, 40.0, 12, 0.01),
        PlanDemand("single", 1, 12.0, 30),
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(market, "CROWD", crowd)
        patch.setattr(planning, "KICKS", 2)
        made = plan(pieces, demands, time_limit_s=20)
    assert made.value >= by_hand(pieces, demands)
    assert made.bound >= made.value
    assert made.value >= 0.97 * made.bound


def test_a_plan_uses_no_valve_twice_and_makes_no_more_than_is_wanted() -> None:
    pieces = scattered(40, 1)
    made = plan(pieces, MIX)
    keys = [key for one in made.made for key in one.keys]
    assert len(keys) == len(set(keys))
    for demand in MIX:
        mine = [one for one in made.made if one.demand == demand.name]
        assert len(mine) + made.short.get(demand.name, 0) == demand.wanted
        for one in mine:
            assert len(one.keys) == demand.size
            assert demand.size == 1 or max(one.spread) <= demand.spread + 1e-9
    assert made.value == sum(one.price for one in made.made)


def test_singles_are_kept_back_when_they_earn_more() -> None:
    pieces = [Piece(1, (100.0,)), Piece(2, (100.0,))]
    pair, single = PlanDemand("pair", 2, 70.0, 1, 0.02), PlanDemand("single", 1, 40.0, 2)
    assert [one.demand for one in plan(pieces, (pair, single)).made] == ["single", "single"]
    assert [one.demand for one in plan(pieces, (PlanDemand("pair", 2, 90.0, 1, 0.02), single)).made] == ["pair"]


def test_what_stays_unmet_is_said() -> None:
    made = plan([Piece(1, (100.0,)), Piece(2, (150.0,))], (PlanDemand("pair", 2, 90.0, 2, 0.02),))
    assert made.made == ()
    assert made.short == {"pair": 2}


def test_a_plan_keeps_to_the_rules() -> None:
    pieces = [
        Piece(1, (100.0,), maker="Northgate"),
        Piece(2, (100.0,), maker="Harbour"),
        Piece(3, (101.0,), maker="Northgate"),
    ]
    made = plan(pieces, (PlanDemand("pair", 2, 90.0, 2, 0.02),), Rules(same_maker=True))
    assert [one.keys for one in made.made] == [(1, 3)]


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([2, 3, 4]), st.integers(0, 2))
@example(3, 4, 0)  # the set whose pieces have the least shadow prices takes 370, another 260
@example(12, 2, 0)
def test_the_set_for_an_order_is_the_one_that_costs_the_rest_least_in_whole_sets(
    seed: int, size: int, ready: int
) -> None:
    pieces = scattered(10, seed)
    demands = (
        PlanDemand("quad", 4, 260.0, 2, 0.04),
        PlanDemand("pair", 2, 110.0, 3, 0.02),
        PlanDemand("single", 1, 30.0, 2),
    )
    made_already = (MadeAlready(4, 0.03, ready), MadeAlready(2, 0.02, ready % 2), MadeAlready(2, 0.05, ready))
    found = cheapest_for_order(pieces, size, 0.05, Rules(), demands, made_already)
    all_of_it = best_income(pieces, demands, made_already)
    for at, (kind, told) in enumerate(zip(made_already, found.made_already, strict=True)):
        if kind.count:
            fewer = (*made_already[:at], replace(kind, count=kind.count - 1), *made_already[at + 1 :])
            assert told.sure
            assert told.loss == pytest.approx(all_of_it - best_income(pieces, demands, fewer), abs=1e-5)
    choice = found.made
    options = [rows for rows in combinations(range(10), size) if fits(pieces, rows, 0.05)]
    if not options:
        assert choice is None
        return
    assert choice is not None

    def loss(rows: tuple[int, ...]) -> float:
        return all_of_it - best_income(
            [piece for at, piece in enumerate(pieces) if at not in rows], demands, made_already
        )

    losses = {rows: loss(rows) for rows in options}
    mine = tuple(sorted(int(str(key)) for key in choice.best.keys))
    assert choice.best.sure
    assert choice.proven
    assert choice.best.loss == pytest.approx(losses[mine], abs=1e-5)
    assert losses[mine] == pytest.approx(min(losses.values()), abs=1e-5)
    assert (f"takes {losses[mine]:.2f} from" in choice.why) == (losses[mine] > 0.005)
    assert ("takes nothing from" in choice.why) == (losses[mine] <= 0.005)
    if choice.second is not None and choice.second.sure:
        other = tuple(sorted(int(str(key)) for key in choice.second.keys))
        assert choice.second.loss == pytest.approx(losses[other], abs=1e-5)
        if "The next best takes" in choice.why:
            assert losses[other] == pytest.approx(sorted(losses.values())[1], abs=1e-5)


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 10_000))
@example(2280)  # no set of the sample meets a demand, so the first programme is empty
def test_where_the_sets_are_too_many_the_loss_is_the_linear_programme_s_and_says_so(seed: int) -> None:
    pieces = scattered(9, seed)
    demands = (PlanDemand("quad", 4, 260.0, 2, 0.04), PlanDemand("pair", 2, 110.0, 3, 0.02))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(market, "MOST_WRITTEN", 0)
        choice = cheapest_set(pieces, 2, 0.05, Rules(), demands)
    if choice is None:
        assert not any(fits(pieces, rows, 0.05) for rows in combinations(range(9), 2))
        return
    rest = [piece for piece in pieces if piece.key not in choice.best.keys]
    assert choice.best.loss == pytest.approx(linear_income(pieces, demands) - linear_income(rest, demands), abs=1e-3)
    assert not choice.proven
    sure = linear_income(pieces, demands) < 0.005  # a pool that brings nothing surely loses nothing
    assert sure or "about" in choice.why or "little or nothing" in choice.why


def linear_income(pieces: list[Piece], demands: tuple[PlanDemand, ...]) -> float:
    """The same linear programme over all sets at once, by SciPy."""
    from scipy.optimize import linprog

    columns, prices = [], []
    for at, demand in enumerate(demands):
        for rows in combinations(range(len(pieces)), demand.size):
            if fits(pieces, rows, demand.spread):
                column = np.zeros(len(pieces) + len(demands))
                column[list(rows)] = 1.0
                column[len(pieces) + at] = 1.0
                columns.append(column)
                prices.append(demand.price)
    if not columns:
        return 0.0
    limits = np.concatenate([np.ones(len(pieces)), [float(demand.wanted) for demand in demands]])
    answer = linprog(-np.array(prices), A_ub=np.array(columns).T, b_ub=limits)
    assert answer.fun is not None
    return -float(answer.fun)


def test_an_order_is_met_from_where_it_is_missed_least() -> None:
    """Four alike make a quad; the two a little apart are good for a pair only, so the order gets those."""
    pieces = [Piece(f"q{at}", (100.0 + at / 10,)) for at in range(4)] + [Piece("a", (120.0,)), Piece("b", (120.5,))]
    choice = cheapest_set(pieces, 2, 0.05, Rules(), (PlanDemand("quad", 4, 260.0, 1, 0.01),))
    assert choice is not None
    assert choice.best.keys == ("a", "b")
    assert choice.best.loss == 0.0
    assert choice.second is not None
    assert choice.second.loss == pytest.approx(260.0)
    assert choice.proven
    assert choice.why == (
        "Selling it takes nothing from what the rest of the stock can be sold for. "
        "No other set that could be made takes less. The next best takes 260.00 more."
    )
    assert "shadow" not in choice.why
    assert "linear programme" in choice.detail


def test_no_set_is_offered_where_none_meets_the_order() -> None:
    assert cheapest_set([Piece(1, (100.0,)), Piece(2, (200.0,))], 2, 0.02, Rules(), MIX) is None


@pytest.mark.parametrize(
    "demand", [PlanDemand("x", 13, 1.0, 1), PlanDemand("x", 2, -1.0, 1), PlanDemand("x", 2, 1.0, -1)]
)
def test_a_demand_without_meaning_is_refused(demand: PlanDemand) -> None:
    with pytest.raises(ValueError, match="demand x"):
        plan([Piece(1, (1.0,))], (demand,))


def test_a_plan_of_quads_alone_agrees_with_matching() -> None:
    pieces = scattered(60, 5, 0.1)
    made = plan(pieces, (PlanDemand("quad", 4, 100.0, 60, 0.05),))
    matched = find_sets(pieces, 4, (Tier("5 %", 0.05, 100.0),))
    assert matched.proven
    assert made.bound >= matched.value
    assert made.value <= matched.value
    assert made.value >= 0.9 * matched.value


@settings(max_examples=2, deadline=None)
@given(st.integers(0, 10_000))
def test_diving_takes_sets_that_go_together_and_nearly_all_that_the_programme_earns(seed: int) -> None:
    pieces = scattered(60, seed, 0.08)
    demands = (
        PlanDemand("quad", 4, 100.0, 9, 0.05),
        PlanDemand("pair", 2, 40.0, 9, 0.02),
        PlanDemand("one", 1, 12.0, 60),
    )
    market = Market(pieces, demands, Rules(), Watch(60.0, None, None), 0)
    linear = market.solve()
    assert linear.relaxed is not None
    prices = np.append(linear.relaxed.prices[:-1], 0.0)
    for seconds, rest, least in ((60.0, 90, 0.97), (60.0, 0, 0.9), (0.0, 90, 0.0)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(diving, "REST", rest)
            chosen = dive(market, prices, 0, market.watch, seconds)
        used = np.zeros(len(market.limits))
        np.add.at(used, market.members[chosen].ravel(), 1)
        assert (used[:60] <= 1).all()
        for at, demand in enumerate(demands):
            assert (market.members[chosen, -1] == 60 + at).sum() <= demand.wanted
        assert least * linear.bound <= market.worth[chosen].sum() <= linear.bound + 1e-6
