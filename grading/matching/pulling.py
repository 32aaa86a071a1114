"""Which set to give an order: the one whose sale costs the rest of the pool least.

A set's loss is the income the pool could make less the income the rest can, both in whole sets. By concavity of the
linear programme in its limits its loss there is at least the sum of the shadow prices of the set's pieces
(linear-programming duality), so the sets are tried in the order of that sum, the loss of each worked out by solving for
the rest, until no untried set can be better: the choice is then proven. In a pool too large for the integer solver the
loss is the linear programme's, and is called so. What the sale of a set that stands already costs is reckoned in the
same programme, so it can be held beside a set that would be made.

cheapest_set(pieces, size, widest, rules, demands)        -> SetChoice, or None when no set meets the order
cheapest_for_order(..., made_already)                     -> OrderChoice
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import NamedTuple

import numpy as np

from grading.matching import Piece, Rules, spread
from grading.matching.exact import round_down, unit_of
from grading.matching.field import Floats, Ints
from grading.matching.market import BATCH, CLOSE, MadeAlready, Market, PlanDemand, PlanOrder, check_demands
from grading.matching.watch import Watch

TRIED = 12  # sets compared for an order at least, where there are so many and the next best is still open
FIRST_SHARE = 0.4  # of an order's time, for the pool as it is
LEAST_TIME_S = 0.05
LEAST_TOLD = 0.005  # less than this is nothing in words with two decimals


class Candidate(NamedTuple):
    """A set that meets an order.

    price   the sum of its pieces' shadow prices
    loss    what it costs the pool: the income with all pieces less the income with the rest, in whole sets where
            that is ``sure``, and otherwise as the linear programme has it
    most, least   what the loss in whole sets is not above and not below
    """

    keys: tuple[Hashable, ...]
    spread: tuple[float, ...]
    price: float
    loss: float
    most: float
    least: float
    piece_prices: tuple[float, ...]

    @property
    def sure(self) -> bool:
        return self.most - self.least < LEAST_TOLD

    @property
    def told(self) -> str:
        """In words, what its sale costs."""
        if self.loss < LEAST_TOLD:
            takes = "nothing" if self.sure else "little or nothing"
        else:
            takes = f"{self.loss:.2f}" if self.sure else f"about {self.loss:.2f}"
        return f"Selling it takes {takes} from what the rest of the stock can be sold for."


class SetChoice(NamedTuple):
    """best and second best; whether the best is proven; the reason in words, and more of it for who asks."""

    best: Candidate
    second: Candidate | None
    proven: bool
    why: str
    detail: str


class OrderChoice(NamedTuple):
    """``made`` of pieces, None where no set meets the order; ``made_already`` what the sale of one costs, for each kind
    of sets that are there, in the order given."""

    made: SetChoice | None
    made_already: tuple[Candidate, ...]


def cheapest_set(
    pieces: Sequence[Piece],
    size: int,
    widest: float,
    rules: Rules,
    demands: Sequence[PlanDemand],
    *,
    time_limit_s: float = 30.0,
    seed: int = 0,
) -> SetChoice | None:
    """The set of ``size`` within spread ``widest`` (a fraction) that costs the rest of the pool least.

    ``demands`` is what the rest of the pool is kept for: the same order is not counted again. None when no set
    meets the order. ValueError for a question without meaning.
    """
    return cheapest_for_order(pieces, size, widest, rules, demands, time_limit_s=time_limit_s, seed=seed).made


def cheapest_for_order(
    pieces: Sequence[Piece],
    size: int,
    widest: float,
    rules: Rules,
    demands: Sequence[PlanDemand],
    made_already: Sequence[MadeAlready] = (),
    *,
    time_limit_s: float = 30.0,
    seed: int = 0,
) -> OrderChoice:
    """The same where sets stand already, with what the sale of one of those costs."""
    check_demands(demands)
    watch = Watch(time_limit_s, None, None)
    scales = Scales(Market(pieces, demands, rules, watch, seed, made_already))
    ready = tuple(scales.weigh_made(at) for at in range(len(made_already)))
    return OrderChoice(_least_of(scales, PlanOrder(pieces, size, widest, 1.0, rules, seed)), ready)


def _least_of(scales: Scales, order: PlanOrder) -> SetChoice | None:
    """Of the sets that meet the order the one that costs the pool least."""
    pieces, watch = scales.market.pieces, scales.watch
    offers = candidates(order, pieces, scales.prices)
    if not len(offers):
        return None
    tried: list[Candidate] = []
    least_unseen = np.inf
    for rows in offers:
        first, next_ = ([*sorted(one.loss for one in tried), np.inf, np.inf])[:2]
        floor = scales.no_less_than(float(scales.prices[rows].sum()))
        best_found, next_found = first <= floor + CLOSE, next_ <= floor + CLOSE
        if next_found or (len(tried) >= 2 and (watch.over() or (best_found and len(tried) >= TRIED))):
            least_unseen = floor
            break
        tried.append(scales.weigh(rows, next_))
    ranked = sorted(tried, key=lambda one: (round(one.loss, 6), round(one.price, 6), max(one.spread)))
    best, second = ranked[0], ranked[1] if len(ranked) > 1 else None
    if len(offers) >= BATCH:
        least_unseen = min(least_unseen, scales.no_less_than(float(scales.prices[offers[-1]].sum())))
    exact = order.exact and scales.complete
    proven = exact and best.most <= min([least_unseen, *(one.least for one in ranked[1:])]) + CLOSE
    next_proven = (
        exact and second is not None and second.most <= min([least_unseen, *(one.least for one in ranked[2:])])
    )
    reason = why(best, second if next_proven else None, proven, len(tried))
    return SetChoice(best, second, proven, reason, detail(best, len(tried), len(offers)))


class Scales:
    """What the income of a pool is with all its pieces and without some."""

    def __init__(self, market: Market) -> None:
        self.market, self.watch = market, market.watch
        self.unit = unit_of(np.array([demand.price for demand in market.demands]))
        self.linear = market.solve(seconds=FIRST_SHARE * self.watch.left())
        prices = np.zeros(market.count) if self.linear.relaxed is None else self.linear.relaxed.prices[: market.count]
        self.prices: Floats = prices
        #: Every set is known, and the integer solver's bound then holds for the whole pool.
        self.complete = not market.large and market.know_all()
        self.least, self.most = self.income((), FIRST_SHARE * self.watch.left())

    def income(self, without: Sequence[int], seconds: float) -> tuple[float, float]:
        """The least and the most that the pool without these pieces brings in whole sets; equal when that is known
        exactly. Where not every set is known, the linear programme's word for both, which counts parts of sets."""
        if not self.complete:
            linear = self.market.solve(without, seconds) if without else self.linear
            return linear.bound, linear.bound
        whole = self.market.whole(without, seconds)
        income = 0.0 if whole.chosen is None else float(self.market.worth[whole.chosen].sum())
        return income, max(income, round_down(whole.bound, self.unit))

    def no_less_than(self, price: float) -> float:
        """What a set whose pieces' shadow prices come to this loses at least: in parts of sets its pieces' prices
        (the income is concave in what there is of each piece), in whole sets less by what the two differ in."""
        return max(price - (self.linear.bound - self.least), 0.0)

    def weigh(self, rows: Ints, best: float) -> Candidate:
        """A set of pieces with what it loses; no closer than shows that it loses more than ``best``."""
        pieces = [self.market.pieces[row] for row in rows]
        own = tuple(float(self.prices[row]) for row in rows)
        loss, most, least = self.loss(rows.tolist(), float(self.prices[rows].sum()), best)
        keys = tuple(piece.key for piece in pieces)
        return Candidate(keys, spread(pieces), float(self.prices[rows].sum()), loss, most, least, own)

    def weigh_made(self, at: int) -> Candidate:
        """A set of this kind, of those that stand already."""
        loss, most, least = self.loss([self.market.row_of_made(at)], 0.0, np.inf)
        return Candidate((), (self.market.made_already[at].spread,), 0.0, loss, most, least, ())

    def loss(self, rows: list[int], price: float, best: float) -> tuple[float, float, float]:
        """What it costs to take one from each of these rows, whose shadow prices come to ``price``: that, and in whole
        sets the most and the least that it may be."""
        if self.complete and np.isfinite(best):
            linear = self.market.solve(rows, self.watch.left())
            least = self.least - round_down(linear.bound, self.unit)
            if least > best + CLOSE:
                return least, max(self.most, least), least
        rest_least, rest_most = self.income(rows, max(self.watch.left(), LEAST_TIME_S))
        if not self.complete:
            return max(self.most - rest_least, price), self.most, 0.0
        most = max(self.most - rest_least, 0.0)
        return most, most, max(self.least - rest_most, 0.0)


def candidates(order: PlanOrder, pieces: Sequence[Piece], prices: Floats) -> Ints:
    """Sets that meet the order, cheapest first, of two as cheap the tighter. The cheapest is among them, and so is
    the second cheapest: it lacks some piece of the cheapest, so it is the cheapest of the pool without that piece."""
    far = float(prices.sum()) * 2 + 1.0
    found = order.below(prices, far).sets
    if not len(found):
        found = order.first()
    if len(found):
        for piece in found[np.argsort(prices[found].sum(axis=1), kind="stable")[0]].tolist():
            without = prices.copy()
            without[piece] = far
            others = order.below(without, far).sets
            found = np.concatenate([found, others]) if len(others) else found
    if not len(found):
        return found.astype(np.int64)
    found = np.unique(np.sort(found, axis=1), axis=0)
    logs = np.log([piece.quantities for piece in pieces])
    width = np.ptp(logs[found], axis=1).max(axis=1)
    result: Ints = found[np.lexsort((width, prices[found].sum(axis=1).round(6)))].astype(np.int64)
    return result


def why(best: Candidate, second: Candidate | None, proven: bool, compared: int) -> str:
    """The reason as a sales clerk wants it."""
    text = best.told
    if proven:
        text += " No other set that could be made takes less."
    elif compared > 1 and best.sure:
        text += f" Of the {compared} that were compared none takes less."
    elif compared > 1:
        text += f" Of the {compared} that were compared none seems to take less."
    if second is not None and second.sure and best.sure:
        more = second.loss - best.loss
        text += f" The next best takes {more:.2f} more." if more >= LEAST_TOLD else " The next best takes as much."
    return text


def detail(best: Candidate, compared: int, offered: int) -> str:
    """How that was reckoned, for who asks."""
    dearest = max(zip(best.piece_prices, best.keys, strict=True), key=lambda pair: pair[0])
    text = f"{compared} of {offered} sets that meet the order were compared."
    if best.sure:
        text += " What the stock brings with the set and without it was worked out in whole sets, exactly."
    else:
        text += f" In whole sets the loss lies between {best.least:.2f} and {best.most:.2f}."
    text += (
        f" By the linear programme, which counts parts of sets too, its pieces are worth {best.price:.2f} to the rest"
    )
    return text + (f", the dearest {dearest[1]}: {dearest[0]:.2f}." if best.price >= LEAST_TOLD else ".")
