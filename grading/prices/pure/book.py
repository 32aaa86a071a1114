"""What the shop asks for a piece or a set, by rules that are data, with the reasons step by step.

A rule has conditions, each of which may be left open, and one effect. A price is made in five steps:

1. the base: an amount a piece or a set, or so many times the cost;
2. factors: one of each heading (such as "Grade" or "Set") multiplies;
3. amounts: one of each heading is added or taken off;
4. the floor: not below so many times the cost;
5. the rounding.

Of the rules of one step, or of one heading, that fit, one speaks: the one with the most conditions; of those with as
many, one that asks for a closer match; then the one that stands first in the book's order, then the older one.

A set is its pieces: each is priced with its own grade and maker and the set's size and tolerance, the floor and the
rounding are those of the whole, and the shares of the pieces add up to the price.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from math import inf, lcm
from typing import NamedTuple

from grading.prices.pure.rounding import Grid, minor_grid, rounded
from stockroom.pure.money import minor_places, shown
from stockroom.receiving.pure.costing import share


class How(StrEnum):
    """What the buyer is told of the goods."""

    TESTED = "tested"
    UNTESTED = "untested"
    SEALED = "sealed"


class PieceFacts(NamedTuple):
    """What the rules may ask of a piece. `type` and `maker` are keys of the registers, `called` the name on the glass
    in the form in which names are compared, `construction` what was seen, such as "plate finish: grey"."""

    type: int
    called: str = ""
    maker: int | None = None
    grade: str = ""
    condition: str = ""
    construction: frozenset[str] = frozenset()
    set_size: int = 1
    within_percent: float | None = None
    how: How = How.UNTESTED


class ToPrice(NamedTuple):
    """A piece with what it cost the shop, in the currency of the book."""

    facts: PieceFacts
    cost: Decimal = Decimal(0)


class RuleConditions(NamedTuple):
    """What a rule asks; None asks nothing. A set fits that was made within `within_percent` or closer."""

    type: int | None = None
    called: str | None = None
    maker: int | None = None
    grade: str | None = None
    condition: str | None = None
    construction: str | None = None
    set_size: int | None = None
    within_percent: float | None = None
    how: How | None = None

    @property
    def asked(self) -> int:
        return sum(one is not None for one in self)

    def fit(self, facts: PieceFacts) -> bool:
        """
        >>> RuleConditions(type=1, within_percent=5).fit(PieceFacts(1, set_size=2, within_percent=3))
        True
        """
        return (
            self.type in (None, facts.type)
            and self.called in (None, facts.called)
            and self.maker in (None, facts.maker)
            and self.grade in (None, facts.grade)
            and self.condition in (None, facts.condition)
            and (self.construction is None or self.construction in facts.construction)
            and self.set_size in (None, facts.set_size)
            and self.how in (None, facts.how)
            and (
                self.within_percent is None
                or (facts.within_percent is not None and facts.within_percent <= self.within_percent)
            )
        )


ANYTHING = RuleConditions()


class RuleEffect(StrEnum):
    PRICE = "price"
    TIMES_COST = "times-cost"
    FACTOR = "factor"
    AMOUNT = "amount"
    FLOOR = "floor"
    ROUNDING = "rounding"


BASE = (RuleEffect.PRICE, RuleEffect.TIMES_COST)
BY_HEADING = (RuleEffect.FACTOR, RuleEffect.AMOUNT)


@dataclass(frozen=True)
class Rule:
    """`amount` is of a piece, or of a whole set where `of_set`; `factor` multiplies the price so far, or the cost."""

    number: int
    effect: RuleEffect
    conditions: RuleConditions = ANYTHING
    heading: str = ""
    amount: Decimal = Decimal(0)
    of_set: bool = False
    factor: Decimal = Decimal(1)
    grid: Grid | None = None
    place: int = 0
    words: str = ""  # its conditions, for a person

    @property
    def rank(self) -> tuple[int, float, int, int]:
        """The least speaks."""
        conditions = self.conditions
        within = inf if conditions.within_percent is None else conditions.within_percent
        return -conditions.asked, within, self.place, self.number

    @property
    def name(self) -> str:
        return f"rule {self.number}" + (f", {self.words}" if self.words else "")

    def amount_of_piece(self, facts: PieceFacts) -> Fraction:
        return Fraction(self.amount) / (facts.set_size if self.of_set else 1)


class Reckoned(NamedTuple):
    """One step of a price: what was done, the price after it, by which rule, which rules gave way to that, and why."""

    text: str
    amount: Decimal | None = None
    rule: int | None = None
    gave_way: tuple[int, ...] = ()
    why: str = ""


class BookPrice(NamedTuple):
    """What the book asks for an item. `amount` is None where no rule gives a base; `shares` are of the pieces."""

    amount: Decimal | None
    currency: str
    shares: tuple[Decimal, ...]
    steps: tuple[Reckoned, ...]
    lifted: bool = False  # by the cost floor

    @property
    def rules(self) -> tuple[int, ...]:
        """Those that spoke, in the order of the steps."""
        return tuple(dict.fromkeys(step.rule for step in self.steps if step.rule is not None))

    @property
    def in_words(self) -> str:
        return "; ".join(step.text for step in self.steps)


class _Spoken(NamedTuple):
    rule: Rule
    gave_way: tuple[int, ...]
    why: str


class _Piece(NamedTuple):
    """The rules that speak for a piece."""

    base: _Spoken | None
    factors: tuple[_Spoken, ...]
    amounts: tuple[_Spoken, ...]
    floor: _Spoken | None


@dataclass
class Book:
    """The rules in force together, in one currency."""

    rules: Sequence[Rule]
    currency: str
    _kept: dict[PieceFacts, _Piece] = field(default_factory=dict, repr=False)

    def price(self, pieces: Sequence[ToPrice]) -> BookPrice:
        """What to ask for these together: one piece, one set, or pieces of one sealed pack.

        Raises:
            ValueError: there are none.
        """
        if not pieces:
            raise ValueError("There is nothing to price.")
        spoken = [self._speak(piece.facts) for piece in pieces]
        bare = next((piece for piece, one in zip(pieces, spoken, strict=True) if one.base is None), None)
        if bare is not None:
            return BookPrice(None, self.currency, (), (Reckoned("No rule gives a base price."),))
        prices = [_exact(piece, one) for piece, one in zip(pieces, spoken, strict=True)]
        if not any(prices) and all(one.base and one.base.rule.effect is RuleEffect.TIMES_COST for one in spoken):
            return BookPrice(
                None, self.currency, (), (Reckoned("The base is a multiple of the cost, and the cost is nothing."),)
            )
        steps = self._told(pieces, spoken, prices)
        together = sum(prices, Fraction(0))
        floor, floor_steps, lifted = self._floor(pieces, spoken, together)
        amount, rounding = self._rounded(pieces, max(together, floor), floor)
        weights = prices if all(price >= 0 for price in prices) and any(prices) else [Fraction(1)] * len(pieces)
        return BookPrice(
            amount,
            self.currency,
            tuple(share(amount, _whole(weights), minor_places(self.currency))),
            (*steps, *floor_steps, rounding),
            lifted,
        )

    def _speak(self, facts: PieceFacts) -> _Piece:
        """Many pieces are alike: what speaks for one is looked up once."""
        known = self._kept.get(facts)
        if known is None:
            fitting = [rule for rule in self.rules if rule.conditions.fit(facts)]
            adjusting: dict[str, list[Rule]] = {}
            for rule in fitting:
                if rule.effect in BY_HEADING:
                    adjusting.setdefault(rule.heading.casefold(), []).append(rule)
            chosen = sorted(
                (one for rules in adjusting.values() if (one := _first(rules))), key=lambda one: one.rule.place
            )
            known = self._kept[facts] = _Piece(
                _first([rule for rule in fitting if rule.effect in BASE]),
                tuple(one for one in chosen if one.rule.effect is RuleEffect.FACTOR),
                tuple(one for one in chosen if one.rule.effect is RuleEffect.AMOUNT),
                _first([rule for rule in fitting if rule.effect is RuleEffect.FLOOR]),
            )
        return known

    def _money(self, amount: Fraction) -> Decimal:
        return rounded(amount, minor_grid(self.currency), self.currency) if amount > 0 else Decimal(0)

    def _told(self, pieces: Sequence[ToPrice], spoken: Sequence[_Piece], prices: Sequence[Fraction]) -> list[Reckoned]:
        """Base, factors and amounts of each kind of piece once; then what they come to together."""
        alike: dict[_Piece, list[int]] = {}
        for place, one in enumerate(spoken):
            alike.setdefault(one, []).append(place)
        steps: list[Reckoned] = []
        for one, places in alike.items():
            of = f" ({len(places)} of {len(pieces)} pieces)" if len(alike) > 1 else ""
            steps += self._told_of_one(pieces[places[0]], one, of)
        if len(pieces) > 1:
            together = sum(prices, Fraction(0))
            steps.append(Reckoned(f"{len(pieces)} pieces together", self._money(together)))
        return steps

    def _told_of_one(self, piece: ToPrice, one: _Piece, of: str) -> list[Reckoned]:
        assert one.base is not None
        base, price = one.base.rule, _base(piece, one.base.rule)
        if base.effect is RuleEffect.TIMES_COST:
            text = f"Base: {_factor(base)} × its cost of {shown(piece.cost, self.currency)}{of}"
        elif base.of_set and piece.facts.set_size > 1:
            text = f"Base: {shown(base.amount, self.currency)} a set of {piece.facts.set_size}, each piece its part{of}"
        else:
            text = f"Base: {shown(base.amount, self.currency)} a piece{of}"
        steps = [self._step(text, price, one.base)]
        for factor in one.factors:
            price *= Fraction(factor.rule.factor)
            steps.append(self._step(f"{factor.rule.heading}: × {_factor(factor.rule)}{of}", price, factor))
        for amount in one.amounts:
            part = amount.rule.amount_of_piece(piece.facts)
            price += part
            sign = "+" if part >= 0 else "−"
            text = f"{amount.rule.heading}: {sign} {shown(self._money(abs(part)), self.currency)} a piece{of}"
            steps.append(self._step(text, price, amount))
        return steps

    def _step(self, text: str, price: Fraction, spoken: _Spoken) -> Reckoned:
        return Reckoned(f"{text}, by {spoken.rule.name}", self._money(price), spoken.rule.number, *spoken[1:])

    def _floor(
        self, pieces: Sequence[ToPrice], spoken: Sequence[_Piece], together: Fraction
    ) -> tuple[Fraction, list[Reckoned], bool]:
        floors = [
            Fraction(piece.cost) * Fraction(one.floor.rule.factor) if one.floor else Fraction(0)
            for piece, one in zip(pieces, spoken, strict=True)
        ]
        floor = sum(floors, Fraction(0))
        speaking = list(dict.fromkeys(one.floor for one in spoken if one.floor))
        if not floor or not speaking:
            return Fraction(0), [], False
        lifted = together < floor
        of, many = f"the cost of {shown(sum((one.cost for one in pieces), Decimal(0)), self.currency)}", len(speaking)
        times = " and ".join(_factor(one.rule) for one in speaking)
        said = "lifted to" if lifted else "not reached:"
        text = f"Floor: {said} {shown(self._ceiled(floor), self.currency)}, {times} × {of}"
        by = ", ".join(one.rule.name for one in speaking)
        rest = speaking[0][1:] if many == 1 else ()
        amount = self._ceiled(floor) if lifted else None
        return floor, [Reckoned(f"{text}, by {by}", amount, speaking[0].rule.number, *rest)], lifted

    def _ceiled(self, amount: Fraction) -> Decimal:
        return rounded(amount, minor_grid(self.currency), self.currency, floor=amount)

    def _rounded(self, pieces: Sequence[ToPrice], amount: Fraction, floor: Fraction) -> tuple[Decimal, Reckoned]:
        """By the most particular rounding that fits every piece."""
        fitting = [
            rule
            for rule in self.rules
            if rule.effect is RuleEffect.ROUNDING and all(rule.conditions.fit(piece.facts) for piece in pieces)
        ]
        spoken = _first(fitting)
        if spoken is None or spoken.rule.grid is None:
            price = rounded(amount, minor_grid(self.currency), self.currency, floor)
            return price, Reckoned("Rounded to the minor unit", price)
        grid = spoken.rule.grid
        price = rounded(amount, grid, self.currency, floor)
        up = price > rounded(amount, grid, self.currency) and ", and up once more so as not to fall below the floor"
        text = f"Rounded {grid.in_words}{up or ''}, by {spoken.rule.name}"
        return price, Reckoned(text, price, spoken.rule.number, *spoken[1:])


def _first(rules: Sequence[Rule]) -> _Spoken | None:
    if not rules:
        return None
    speaking, *others = sorted(rules, key=lambda rule: rule.rank)
    return _Spoken(speaking, tuple(rule.number for rule in others), _why(speaking, others))


def _why(speaking: Rule, others: Sequence[Rule]) -> str:
    """Why this rule speaks and the others, which fit too, do not."""
    asks_less = [rule for rule in others if rule.rank[0] > speaking.rank[0]]
    looser = [rule for rule in others if rule.rank[0] == speaking.rank[0] and rule.rank[1] > speaking.rank[1]]
    later = [rule for rule in others if rule not in asks_less and rule not in looser]
    reasons = (("asks more than", asks_less), ("asks a closer match than", looser), ("stands before", later))
    return ", ".join(f"{words} {_numbers(found)}" for words, found in reasons if found)


def _numbers(rules: Sequence[Rule]) -> str:
    return f"rule{'s' if len(rules) > 1 else ''} {', '.join(str(rule.number) for rule in rules)}"


def _base(piece: ToPrice, rule: Rule) -> Fraction:
    if rule.effect is RuleEffect.TIMES_COST:
        return Fraction(piece.cost) * Fraction(rule.factor)
    return rule.amount_of_piece(piece.facts)


def _exact(piece: ToPrice, spoken: _Piece) -> Fraction:
    assert spoken.base is not None
    price = _base(piece, spoken.base.rule)
    for factor in spoken.factors:
        price *= Fraction(factor.rule.factor)
    for amount in spoken.amounts:
        price += amount.rule.amount_of_piece(piece.facts)
    return price


def _factor(rule: Rule) -> str:
    return f"{rule.factor.normalize():f}"


def _whole(weights: Sequence[Fraction]) -> list[int]:
    """The same proportions as whole numbers, which is what a cost is shared by."""
    common = lcm(*(weight.denominator for weight in weights))
    return [int(weight * common) for weight in weights]
