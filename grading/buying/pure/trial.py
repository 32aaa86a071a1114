"""The forecast tried on invented shops, whose true rules it is not told.

A world has a few suppliers of different quality, types that differ in price and demand, and lots that differ for no
reason that anybody writes down. The shop has bought a few lots there, tested some of their pieces and sold some; it is
then offered small and large lots, by suppliers it knows and by new ones, and forecasts each on the functions that the
page calls. Then the lot is played out sale by sale. Shares are drawn on the logistic scale, demand comes in orders of
one, two or four, prices scatter piece by piece: not as the forecast pools and simulates them.

Counted: how often the 80 % intervals hold what came; how wide they are; and what is gained by buying whatever is asked
no more than the forecast's most to pay, beside buying by a rule of thumb: so much of the price of every piece, whatever
its source. The rule gets the fraction that does best in hindsight, which no shop knows.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from math import exp, inf
from typing import NamedTuple

import numpy as np

from grading.buying.pure.bench import ShiftPace, learn_pace
from grading.buying.pure.demand import TypeSold, learn_demand
from grading.buying.pure.forecast import NEARLY_ALL, Forecast, Interval80, Learned, OfferedLine, OfferTerms, forecast
from grading.buying.pure.information import best_look
from grading.buying.pure.prices import PriceSeen, learn_prices
from grading.buying.pure.yields import PastLine, learn_yields

CONDITIONS = {"nos-sealed": 1.2, "nos-boxed": 0.6, "nos-bulk": 0.0, "used": -1.0}  # on the logistic scale
GRADE_WORTH = (1.6, 1.0, 0.5)
ORDERS = ((1, 0.6), (2, 0.25), (4, 0.15))  # pieces, how often
THUMBS = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6)
Rng = np.random.Generator


@dataclass
class InventedTrade:
    """What is true of one invented shop's trade."""

    rng: Rng
    suppliers: dict[str, float] = field(default_factory=dict)
    type_quality: dict[str, float] = field(default_factory=dict)
    price: dict[str, tuple[float, ...]] = field(default_factory=dict)
    sales_a_year: dict[str, float] = field(default_factory=dict)
    scatter: float = 0.2
    minutes: float = 3.0

    def add_supplier(self) -> str:
        name = f"supplier {len(self.suppliers)}"
        self.suppliers[name] = float(self.rng.normal(0.5, 1.0))
        return name


class PlayedOut(NamedTuple):
    proceeds: float
    worth: float  # today, less the cost of selling and of the bench
    hours: float
    months: float
    usable: tuple[int, ...]  # of each line


def invent(rng: Rng, types: int = 6) -> InventedTrade:
    world = InventedTrade(rng, scatter=float(rng.uniform(0.1, 0.3)), minutes=float(rng.uniform(1.5, 5)))
    for _ in range(int(rng.integers(2, 6))):
        world.add_supplier()
    for place in range(types):
        name = f"type {place}"
        world.type_quality[name] = float(rng.normal(0, 0.4))
        base = float(np.exp(rng.normal(3.0, 0.7)))
        world.price[name] = tuple(base * worth * float(np.exp(rng.normal(0, 0.1))) for worth in GRADE_WORTH)
        world.sales_a_year[name] = float(rng.lognormal(3.2, 0.8))
    return world


def _turn_out(
    world: InventedTrade, supplier: str, condition: str, type_: str, pieces: int, of_lot: float
) -> tuple[int, ...]:
    """Pieces by grade; the last count is of those that are not usable."""
    rng = world.rng
    quality = world.suppliers[supplier] + CONDITIONS[condition] + world.type_quality[type_]
    quality += of_lot + float(rng.normal(0, 0.3))
    usable = int(rng.binomial(pieces, 1 / (1 + exp(-quality))))
    best = int(rng.binomial(usable, 1 / (1 + exp(-(0.5 * quality - 0.5 + rng.normal(0, 0.3))))))
    good = int(rng.binomial(usable - best, 1 / (1 + exp(-(0.4 + rng.normal(0, 0.4))))))
    return best, good, usable - best - good, pieces - usable


def history(world: InventedTrade, lots: int) -> Learned:
    """What the shop would know after so many lots."""
    rng = world.rng
    past: list[PastLine] = []
    names, types = list(world.suppliers), list(world.price)
    for lot in range(lots):
        supplier, of_lot = names[int(rng.integers(len(names)))], float(rng.normal(0, 0.5))
        for place in range(int(rng.integers(1, 5))):
            condition, type_ = str(rng.choice(list(CONDITIONS))), types[int(rng.integers(len(types)))]
            counts = _turn_out(world, supplier, condition, type_, int(rng.integers(8, 120)), of_lot)
            known = rng.binomial(counts, rng.choice([1.0, 0.5]))
            if known.sum():
                of_grade = tuple(int(count) for count in known[:-1])
                past.append(PastLine(supplier, condition, type_, lot, (lot, place), int(known.sum()), of_grade))
    years = float(rng.uniform(0.5, 3))
    seen: list[PriceSeen] = []
    sold: list[TypeSold] = []
    for type_ in types:
        orders = int(rng.poisson(world.sales_a_year[type_] * years))
        sizes = rng.choice([size for size, _ in ORDERS], size=orders, p=[often for _, often in ORDERS])
        sold.append(TypeSold(type_, tuple(int(size) for size in sizes), years))
        grades = rng.choice(len(GRADE_WORTH), size=min(int(sizes.sum()), 80), p=[0.4, 0.4, 0.2])
        seen += [
            PriceSeen(type_, int(grade), world.price[type_][grade] * float(np.exp(rng.normal(0, world.scatter))))
            for grade in grades
        ]
    shifts = [ShiftPace(40, 40 * world.minutes * float(np.exp(rng.normal(0, 0.25)))) for _ in range(max(lots, 2))]
    stock: dict[Hashable, float] = {type_: float(rng.integers(0, 30)) for type_ in types}
    return Learned(
        len(GRADE_WORTH),
        learn_yields(past, len(GRADE_WORTH)) if past else None,
        learn_prices(seen),
        learn_demand(sold),
        learn_pace(shifts),
        stock,
    )


def offered(world: InventedTrade, learned: Learned, terms: OfferTerms) -> tuple[OfferTerms, list[OfferedLine]]:
    """Small or large, from a supplier that is known or new; what is asked has little to do with what it is worth."""
    rng = world.rng
    names = list(world.suppliers)
    supplier = world.add_supplier() if rng.random() < 0.25 else names[int(rng.integers(len(names)))]
    known = [type_ for type_ in world.price if learned.prices.knows(type_)]
    chosen = rng.choice(known, size=min(int(rng.integers(1, 6)), len(known)), replace=False)
    most = 25 if rng.random() < 0.5 else 200
    lines = [
        OfferedLine(condition, str(type_), int(rng.integers(5, most)), 1 if condition == "nos-sealed" else 0)
        for type_ in chosen
        for condition in [str(rng.choice(list(CONDITIONS)))]
    ]
    book = sum(line.pieces * float(np.mean(world.price[str(line.type)])) for line in lines)
    return terms._replace(supplier=supplier, asked=book * float(rng.lognormal(-1.3, 0.6))), lines


def play(world: InventedTrade, learned: Learned, terms: OfferTerms, lines: Sequence[OfferedLine]) -> PlayedOut:
    """Sale by sale: orders arrive, what stood in stock goes first, then pieces of the lot in no order."""
    rng = world.rng
    of_lot = float(rng.normal(0, 0.5))
    turned = [
        _turn_out(world, str(terms.supplier), line.condition, str(line.type), line.pieces, of_lot) for line in lines
    ]
    proceeds = today = 0.0
    times: list[float] = []
    for type_ in dict.fromkeys(str(line.type) for line in lines):
        worth = [
            world.price[type_][grade]
            for line, counts in zip(lines, turned, strict=True)
            if line.type == type_
            for grade, count in enumerate(counts[:-1])
            for _ in range(count)
        ]
        prices = rng.permutation(worth) * np.exp(rng.normal(0, world.scatter, len(worth)))
        waiting, at, next_piece = int(learned.stock.get(type_, 0)), 0.0, 0
        while next_piece < len(prices):
            at += float(rng.exponential(1 / world.sales_a_year[type_]))
            for _ in range(int(rng.choice([size for size, _ in ORDERS], p=[often for _, often in ORDERS]))):
                if waiting:
                    waiting -= 1
                elif next_piece < len(prices):
                    if at * 12 <= terms.months:
                        proceeds += float(prices[next_piece])
                        today += float(prices[next_piece]) / (1 + terms.return_a_year) ** at
                    times.append(at * 12)
                    next_piece += 1
    pieces = sum(line.pieces for line in lines)
    shifts = max(pieces // 40, 1)
    hours = pieces * world.minutes * float(np.exp(rng.normal(0, 0.25, shifts)).mean()) / 60
    late = sorted(times)
    at_last = late[int(np.ceil(NEARLY_ALL * len(late))) - 1] if late else 0.0
    months = max(float(np.ceil(at_last)), 1.0) if at_last <= terms.months else inf
    return PlayedOut(
        proceeds,
        today * (1 - terms.selling_share) - hours * terms.hour_cost,
        hours,
        months,
        tuple(sum(counts[:-1]) for counts in turned),
    )


class TriedOffer(NamedTuple):
    """One offer: what was forecast, what came, and what the rule of thumb reckons from."""

    terms: OfferTerms
    pieces: tuple[int, ...]
    forecast: Forecast
    outcome: PlayedOut
    book: float  # every piece at the mean price of its type
    lots_known: int
    looked_gain: float  # with the packs opened first that the forecast would open
    look_promised: float  # by how much the forecast said that such a look would better it


TERMS = OfferTerms(None, None, 20.0, 0.25, 0.1, 12.0, 1.0, 24)


def try_shops(shops: int, offers: int, *, seed: int = 7, draws: int = 1000) -> list[TriedOffer]:
    tried: list[TriedOffer] = []
    for shop in range(shops):
        rng = np.random.default_rng((seed, shop))
        world = invent(rng)
        lots = int(rng.choice([2, 4, 8, 16, 30]))
        learned = history(world, lots)
        if learned.yields is None or learned.demand is None:
            continue
        for number in range(offers):
            terms, lines = offered(world, learned, TERMS)
            found = forecast(learned, terms, lines, seed=number, draws=draws)
            came = play(world, learned, terms, lines)
            means = {type_: float(np.mean(prices)) for type_, prices in world.price.items()}
            book = sum(line.pieces * means[str(line.type)] for line in lines)
            looked = _with_a_look(rng, terms, lines, found, came)
            pieces = tuple(line.pieces for line in lines)
            tried.append(TriedOffer(terms, pieces, found, came, book, lots, *looked))
    return tried


def _with_a_look(
    rng: Rng, terms: OfferTerms, lines: Sequence[OfferedLine], found: Forecast, came: PlayedOut
) -> tuple[float, float]:
    """What is gained where those packs are opened first that are worth it, and how much of that the look promised."""
    assert terms.asked is not None
    gain = came.worth - terms.charges - terms.asked
    look, place = max(
        ((best_look(list(line.looks)), place) for place, line in enumerate(found.lines) if line.looks),
        key=lambda pair: pair[0].net,
        default=(None, 0),
    )
    if look is None or look.packs == 0:
        return gain if found.most.middle >= terms.asked else 0.0, 0.0
    usable, pieces = came.usable[place], lines[place].pieces
    seen = int(rng.hypergeometric(usable, pieces - usable, look.pieces))
    buys = look.buy_from is not None and seen >= look.buy_from
    return (gain if buys else 0.0) - look.cost, look.net


class Held(NamedTuple):
    """How often an interval held what came, and its mean width beside the mean of what was forecast."""

    what: str
    share: float
    width: float
    tried: int


def coverage(tried: Sequence[TriedOffer]) -> list[Held]:
    rows = [
        _held("proceeds", [(one.forecast.proceeds, one.outcome.proceeds) for one in tried]),
        _held(
            "worth today at the return", [(one.forecast.most, one.outcome.worth - one.terms.charges) for one in tried]
        ),
        _held("bench hours", [(one.forecast.hours, one.outcome.hours) for one in tried if one.forecast.hours]),
    ]
    usable = [
        (line.usable, came / pieces)
        for one in tried
        for line, came, pieces in zip(one.forecast.lines, one.outcome.usable, one.pieces, strict=True)
    ]
    months = [(one.forecast.months, one.outcome.months) for one in tried]
    return [
        *rows,
        _held("months until nearly all is sold", months),
        _held("usable share of a line", usable, counts=True),
    ]


def _held(what: str, pairs: Sequence[tuple[Interval80, float]], *, counts: bool = False) -> Held:
    """Of whole counts, what lies on an end of the interval is half held: nothing lies nearer to it."""
    bounded = [one for one, _ in pairs if one.high < inf]
    width = float(np.mean([one.high - one.low for one in bounded]) / np.mean([one.middle for one in bounded]))
    on_an_end = [counts and value in (one.low, one.high) for one, value in pairs]
    held = [one.holds(value) - end / 2 for (one, value), end in zip(pairs, on_an_end, strict=True)]
    return Held(what, float(np.mean(held)), width, len(pairs))


class Gained(NamedTuple):
    """What a way of choosing earned above the return that was asked for, over all offers."""

    way: str
    bought: int
    gain: float


def gains(tried: Sequence[TriedOffer]) -> list[Gained]:
    """By the forecast, by the forecast with a look first where that pays, and by every rule of thumb."""
    rows = [_gained("the forecast", tried, [one.forecast.most.middle >= _asked(one) for one in tried])]
    looked = sum(one.looked_gain for one in tried)
    rows.append(Gained("the forecast, opening packs first where that pays", rows[0].bought, looked))
    for thumb in THUMBS:
        rows.append(
            _gained(
                f"rule of thumb: {thumb:.0%} of the price of every piece",
                tried,
                [_asked(one) <= thumb * one.book for one in tried],
            )
        )
    return rows


def _asked(one: TriedOffer) -> float:
    assert one.terms.asked is not None
    return one.terms.asked


def _gained(way: str, tried: Sequence[TriedOffer], buys: Sequence[bool]) -> Gained:
    bought = [one for one, buy in zip(tried, buys, strict=True) if buy]
    return Gained(way, len(bought), sum(one.outcome.worth - one.terms.charges - _asked(one) for one in bought))
