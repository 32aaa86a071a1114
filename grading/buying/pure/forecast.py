"""What an offered lot would bring, when, for how much work, and so the most to pay for it.

Simulation: each draw is one way in which it may turn out, drawn from what the shop's history leaves open. In each,

    1. the pieces of every line turn out usable or not, and of a grade (`yields`);
    2. a valve of each type and grade brings a price (`prices`);
    3. sales of each type come month by month, Poisson at a drawn rate (`demand`); what stands in stock goes first, so
       what is reckoned is what the lot adds;
    4. what is sold after the horizon counts for nothing;
    5. the bench takes its hours for every piece (`bench`).

The most to pay for a return of r a year is what the money is worth today, discounted at r,

    sum over the months of  sales (1 - share for selling) / (1 + r)^(month / 12)  -  hours x their cost  -  charges,

on average over the draws; between its tenth and ninetieth percentile lie four draws of five, which is the 80 % interval
of everything here. Paid that much, the shop earns r a year on what it laid out, on average. With a chance of 4 in 5 it
earns r at the twentieth percentile. Prices and demand are taken to stay as they are. The seed is part of the question,
so that the same history says the same.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from grading.buying.pure.bench import BenchPace
from grading.buying.pure.demand import DemandRates
from grading.buying.pure.information import Look, looks
from grading.buying.pure.pooling import Floats
from grading.buying.pure.prices import Prices, Quoted
from grading.buying.pure.yields import BetaShare, WantedLine, Yields, as_beta

Ints = NDArray[np.int64]
COVERAGE = 0.8
SURE = 0.8  # the chance of the return with which the lower of the two prices is met
NEARLY_ALL = 0.9  # of what is usable is sold: the time to sell
DRAWS = 4000
MOST_CELLS = 6_000_000  # draws by types by months that are held at once
FEWEST_DRAWS = 500


class OfferedLine(NamedTuple):
    """`pack` pieces come in each sealed pack, and 0 means that there is none to be opened first."""

    condition: str
    type: Hashable
    pieces: int
    pack: int = 0
    quoted: Quoted | None = None
    also: tuple[int, ...] = ()  # numbers of packs to reckon beside the usual ones


class OfferTerms(NamedTuple):
    """Money is in the home currency. `asked` is None where nobody has named a price yet."""

    supplier: Hashable
    asked: float | None
    charges: float
    return_a_year: float
    selling_share: float  # of what is sold: fees, packing, returns
    hour_cost: float
    pack_cost: float  # of opening one pack first
    months: int


@dataclass(frozen=True)
class Learned:
    """What the shop's history says; None where it says nothing."""

    grades: int
    yields: Yields | None
    prices: Prices
    demand: DemandRates | None
    pace: BenchPace | None
    stock: Mapping[Hashable, float]  # usable pieces of a type that are to be sold first


class Interval80(NamedTuple):
    """The mean (of months: the median), and what lies beneath one in ten, and above."""

    middle: float
    low: float
    high: float

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


class LineForecast(NamedTuple):
    """`proceeds` is None where no price can be said."""

    usable: Interval80  # share of the pieces
    share: BetaShare
    proceeds: Interval80 | None
    looks: tuple[Look, ...]


class Forecast(NamedTuple):
    proceeds: Interval80
    most: Interval80  # to pay for the goods, charges apart
    most_surely: float  # with a chance of `SURE` of the return
    chance: float | None  # that the return is met at what is asked
    months: Interval80  # until nearly all is sold; infinite beyond the horizon
    unsold: float  # share of the usable that the horizon leaves, on average
    hours: Interval80 | None
    lines: tuple[LineForecast, ...]


class Draws(NamedTuple):
    """One row a draw."""

    usable: Ints  # by line
    shares: Floats  # by line, of the process behind it
    proceeds: Floats  # by line, within the horizon
    worth: Floats  # today, charges and price apart
    months: Floats
    unsold: Floats
    hours: Floats | None


class CannotSay(ValueError):
    """The history says nothing of something that the answer needs; the message says of what."""


def why_nothing_can_be_said(learned: Learned, lines: Sequence[OfferedLine]) -> list[str]:
    """Empty where there is an answer."""
    why = []
    if learned.yields is None:
        why.append("no valve of any lot has been graded yet, so nobody knows how much is usable")
    if not any(has_price(learned, line) for line in lines):
        why.append("no price is known of any type in it: the shop never sold one, and none is given on its lines")
    if learned.demand is None:
        why.append("the shop has sold nothing yet, so nobody knows how fast things sell")
    return why


def has_price(learned: Learned, line: OfferedLine) -> bool:
    return line.quoted is not None or learned.prices.knows(line.type)


def simulate(
    learned: Learned, terms: OfferTerms, lines: Sequence[OfferedLine], rng: np.random.Generator, draws: int
) -> Draws:
    """
    Raises:
        CannotSay
    """
    if learned.yields is None or learned.demand is None:
        raise CannotSay("; ".join(why_nothing_can_be_said(learned, lines)))
    types = list(dict.fromkeys(line.type for line in lines))
    of_type = np.array([[line.type == one for line in lines] for one in types])  # type by line
    asked = [WantedLine(line.condition, line.type, line.pieces) for line in lines]
    shares, counts = learned.yields.draw(rng, draws, terms.supplier, asked)
    usable = counts.sum(axis=2)
    value = _value(learned, lines, types, counts, rng)
    rates = learned.demand.draw(rng, draws, types)
    there = usable @ of_type.T
    sold = _sold_by_month(rates, learned, types, there, terms.months, rng)
    with np.errstate(invalid="ignore"):
        each = np.where(usable > 0, value / np.maximum(usable, 1), 0.0)  # of a usable piece, by line
        parts = np.where(there > 0, sold[:, :, -1] / np.maximum(there, 1), 0.0)  # of each type, sold in time
    monthly = np.diff(sold, axis=2, prepend=0.0)
    in_time = (1 + terms.return_a_year) ** (-(np.arange(terms.months) + 0.5) / 12)
    discounted = np.where(there > 0, monthly @ in_time / np.maximum(there, 1), 0.0)
    proceeds = usable * each * (parts @ of_type)
    today = (usable * each * (discounted @ of_type)).sum(axis=1)
    pieces = sum(line.pieces for line in lines)
    hours = learned.pace.draw_hours(rng, draws, pieces) if learned.pace else None
    work = hours * terms.hour_cost if hours is not None else 0.0
    total = sold.sum(axis=1)
    wanted = NEARLY_ALL * there.sum(axis=1, keepdims=True)
    reached = total >= wanted - 1e-9
    months = np.where(reached.any(axis=1), reached.argmax(axis=1) + 1.0, inf)
    unsold = 1 - np.where(there.sum(axis=1) > 0, total[:, -1] / np.maximum(there.sum(axis=1), 1), 1.0)
    return Draws(usable, shares, proceeds, today * (1 - terms.selling_share) - work, months, unsold, hours)


def _value(
    learned: Learned, lines: Sequence[OfferedLine], types: Sequence[Hashable], counts: Ints, rng: np.random.Generator
) -> Floats:
    """What the usable pieces of each line would bring, were all of them sold: draw by line."""
    draws = len(counts)
    prices = learned.prices.draw(rng, draws, types, learned.grades)
    scatter = learned.prices.scatter
    value = np.zeros(counts.shape[:2])
    for place, line in enumerate(lines):
        pieces = counts[:, place, :]
        if line.quoted is not None:
            about = line.quoted.scatter
            value[:, place] = pieces @ np.array(line.quoted.by_grade)
            value[:, place] *= np.exp(about * rng.standard_normal(draws) - about**2 / 2)
        elif learned.prices.knows(line.type):
            value[:, place] = (pieces * prices[:, types.index(line.type), :]).sum(axis=1)
        few = np.maximum(pieces.sum(axis=1), 1)
        value[:, place] *= np.exp(scatter / np.sqrt(few) * rng.standard_normal(draws) - scatter**2 / (2 * few))
    return value


def _sold_by_month(
    rates: Floats, learned: Learned, types: Sequence[Hashable], there: Ints, months: int, rng: np.random.Generator
) -> Floats:
    """Pieces of the offer sold by the end of each month: draw by type by month."""
    assert learned.demand is not None
    shape = (*rates.shape, months)
    asked_for = rng.poisson(np.broadcast_to(rates[:, :, None] / 12, shape)).cumsum(axis=2) * learned.demand.pieces_each
    first = np.array([learned.stock.get(one, 0.0) for one in types])
    sold = np.clip(asked_for - first[None, :, None], 0, there[:, :, None])
    return np.asarray(sold, dtype=np.float64)


def interval(values: Floats) -> Interval80:
    low, high = np.quantile(values, [(1 - COVERAGE) / 2, (1 + COVERAGE) / 2])
    return Interval80(float(values.mean()), float(low), float(high))


def middle_of_months(values: Floats) -> Interval80:
    """By order of the draws, for some are infinite."""
    low, middle, high = np.quantile(values, [(1 - COVERAGE) / 2, 0.5, (1 + COVERAGE) / 2], method="inverted_cdf")
    return Interval80(float(middle), float(low), float(high))


def forecast(
    learned: Learned, terms: OfferTerms, lines: Sequence[OfferedLine], *, seed: int, draws: int = DRAWS
) -> Forecast:
    """
    Raises:
        CannotSay: see `why_nothing_can_be_said`.
    """
    why = why_nothing_can_be_said(learned, lines)
    if why:
        raise CannotSay("; ".join(why))
    kinds = len({line.type for line in lines})
    draws = max(min(draws, MOST_CELLS // (kinds * terms.months)), FEWEST_DRAWS)
    found = simulate(learned, terms, lines, np.random.default_rng(seed), draws)
    most = found.worth - terms.charges
    return Forecast(
        proceeds=interval(found.proceeds.sum(axis=1)),
        most=interval(most),
        most_surely=float(np.quantile(most, 1 - SURE)),
        chance=None if terms.asked is None else float((most >= terms.asked).mean()),
        months=middle_of_months(found.months),
        unsold=float(found.unsold.mean()),
        hours=None if found.hours is None else interval(found.hours),
        lines=tuple(_line(learned, terms, line, place, found, most) for place, line in enumerate(lines)),
    )


def _line(
    learned: Learned, terms: OfferTerms, line: OfferedLine, place: int, found: Draws, most: Floats
) -> LineForecast:
    usable = found.usable[:, place]
    opened: Iterable[Look] = ()
    if line.pack and terms.asked is not None:
        minutes = learned.pace.minutes_each if learned.pace else 0.0
        opened = looks(
            line.pieces,
            line.pack,
            usable,
            most - terms.asked,
            cost_of_pack=terms.pack_cost,
            cost_of_piece=terms.hour_cost * minutes / 60,
            also=line.also,
        )
    return LineForecast(
        interval(usable / line.pieces),
        as_beta(found.shares[:, place]),
        interval(found.proceeds[:, place]) if has_price(learned, line) else None,
        tuple(opened),
    )
