"""Exact pricing on the tolerance boxes: the cheapest set of each box under given prices of the pieces.

In column generation the linear programme knows only some sets; its prices say which others would improve it: those
worth more than their pieces cost. With two axes (or one) they are found exactly. Let piece i be the leftmost of a
set. Its companions lie within the box's width to its right and within the box's height above and below it. Sorted by
height, a box holding i takes the companions down to some depth below i and, fixed by that, up to some height above.
The cheapest few among the first t below, for every t, come from a running minimum, likewise above; the two merge to
the cheapest set of every box position at once, in time linear in the companions.

The prices then bound the whole problem: divided by the worst ratio of cost to worth they are undercut by no set, so
their sum bounds every choice of disjoint sets (weak duality).

With more axes, or guards that differ from piece to piece, the sets are the cliques of the graph of fitting pairs
(``catalogue``). The cheapest is sought from its cheapest piece upwards: a branch is left when even the next pieces in
order of price, fitting or not, would cost too much. Once the prices are near their final values nearly every piece
costs its fair share, so only the few cheap pieces start a branch at all.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .catalogue import Members, fitting_pairs
from .field import Floats, Ints

Bools = NDArray[np.bool_]

#: Branches a search over cliques looks into before it gives up, and the pairs and pieces it can hold.
BRANCHES = 200_000
MOST_PAIRS = 8_000_000
MOST_PIECES = 6_000


class Cheapest(NamedTuple):
    """members (m, size) the sets found; cost (m,) what each costs; first (m,) the piece that comes first in each, whose
    cheapest set it is; least: a cost no set of the box goes below, 0 when the search was given up before the end."""

    members: Members
    cost: Floats
    first: Ints
    least: float


class Patience:
    """How many more branches to look into before giving up."""

    def __init__(self, branches: int) -> None:
        self.left = branches


def running_smallest(values: Floats, count: int) -> Floats:
    """(len + 1, count): row t holds the ``count`` smallest of the first t values, infinity where there are fewer.

    >>> running_smallest(np.array([3.0, 1.0, 2.0]), 2).tolist()
    [[inf, inf], [3.0, inf], [1.0, 3.0], [1.0, 2.0]]
    """
    result = np.full((len(values) + 1, count), np.inf)
    rest = values
    for place in range(count):
        smallest = np.minimum.accumulate(rest)
        result[1:, place] = smallest
        rest = np.maximum(rest, np.concatenate([[np.inf], smallest[:-1]])) if len(rest) else rest
    return result


def cheapest_sets(x: Floats, y: Floats, prices: Floats, box: Floats, size: int, ceiling: float) -> Cheapest:
    """For each piece as the leftmost, its cheapest set in a box of width box[0] and height box[1], kept when it
    costs less than ``ceiling``. ``least`` is the least cost of any set, or the ceiling when none costs less."""
    order = np.lexsort((np.arange(len(x)), x))
    x, y, price = x[order], y[order], prices[order]
    ends = np.searchsorted(x, x + box[0], "right")
    others = size - 1
    members: list[Ints] = []
    costs: list[float] = []
    firsts: list[int] = []
    for first in range(len(x)):
        if ends[first] - first < size:
            continue
        near = slice(first + 1, int(ends[first]))
        strip = price[near]
        if price[first] + np.partition(strip, others - 1)[:others].sum() >= ceiling:
            continue
        height = y[near] - y[first]
        close = np.flatnonzero(np.abs(height) <= box[1])
        if len(close) < others:
            continue
        height, strip = height[close], strip[close]
        if price[first] + np.partition(strip, others - 1)[:others].sum() >= ceiling:
            continue
        by_height = np.argsort(height, kind="stable")
        split = int(np.searchsorted(height[by_height], 0.0, "left"))
        below, above = by_height[:split][::-1], by_height[split:]
        depths = np.concatenate([[0.0], height[below]])
        reached = np.searchsorted(height[above], depths + box[1], "right")
        merged = np.hstack([running_smallest(strip[below], others), running_smallest(strip[above], others)[reached]])
        cost = price[first] + np.partition(merged, others - 1, axis=1)[:, :others].sum(axis=1)
        best = int(cost.argmin())
        if cost[best] >= ceiling:
            continue
        window = np.concatenate([below[:best], above[: reached[best]]])
        picked = window[np.argsort(strip[window], kind="stable")[:others]]
        members.append(np.sort(order[np.append(first + 1 + close[picked], first)]))
        costs.append(float(cost[best]))
        firsts.append(int(order[first]))
    found = np.array(members, dtype=np.int32).reshape(-1, size)
    return Cheapest(found, np.array(costs), np.array(firsts, dtype=np.int64), min(costs, default=ceiling))


def cheapest_cliques(fits: Bools, prices: Floats, size: int, ceiling: float) -> Cheapest:
    """For each piece as the cheapest of a set, its cheapest set, kept when it costs less than ``ceiling``.

    ``fits`` (n, n) says which two pieces fit a box; its diagonal which piece fits one alone. After ``BRANCHES``
    branches the search gives up."""
    patience = Patience(BRANCHES)
    order = np.lexsort((np.arange(len(prices)), prices))
    order = order[fits[order, order]]
    price = prices[order]
    members: list[Ints] = []
    costs: list[float] = []
    firsts: list[int] = []
    for first in range(len(order) - size + 1):
        if price[first : first + size].sum() >= ceiling or patience.left <= 0:
            break
        near = np.flatnonzero(fits[order[first], order[first + 1 :]]) + first + 1
        found = cheapest_companions(fits, order, price, near, size - 1, ceiling - float(price[first]), patience)
        if found is not None:
            members.append(np.sort(order[[first, *found]]))
            costs.append(float(price[[first, *found]].sum()))
            firsts.append(int(order[first]))
    found_sets = np.array(members, dtype=np.int32).reshape(-1, size)
    least = min(costs, default=ceiling) if patience.left > 0 else 0.0
    return Cheapest(found_sets, np.array(costs), np.array(firsts, dtype=np.int64), least)


def cheapest_companions(
    fits: Bools, order: Ints, price: Floats, near: Ints, count: int, ceiling: float, patience: Patience
) -> list[int] | None:
    """The cheapest ``count`` of ``near`` (places in ``order``, rising in price) that all fit each other, when they
    cost less than the ceiling."""
    patience.left -= 1
    if len(near) < count or price[near[:count]].sum() >= ceiling or patience.left <= 0:
        return None
    if count == 1:
        return [int(near[0])]
    best: list[int] | None = None
    if count == 2:
        pairs = np.triu(fits[np.ix_(order[near], order[near])], 1)
        later = pairs.argmax(axis=1)
        cost = np.where(pairs[np.arange(len(near)), later], price[near] + price[near[later]], np.inf)
        one = int(cost.argmin())
        return [int(near[one]), int(near[later[one]])] if cost[one] < ceiling else None
    for place, one in enumerate(near[: len(near) - count + 1].tolist()):
        if price[near[place : place + count]].sum() >= ceiling:
            break
        rest = near[place + 1 :]
        rest = rest[fits[order[one], order[rest]]]
        found = cheapest_companions(fits, order, price, rest, count - 1, ceiling - float(price[one]), patience)
        if found is not None:
            best = [one, *found]
            ceiling = float(price[best].sum())
    return best


def all_fitting(low: Floats, high: Floats, box: Floats) -> Bools | None:
    """(n, n) which two pieces fit the box, each piece with itself too if it fits; None when there are too many."""
    graph = fitting_pairs(low, high, box, MOST_PAIRS) if len(low) <= MOST_PIECES else None
    if graph is None:
        return None
    fits = np.asarray(graph.toarray(), dtype=np.bool_)
    fits |= fits.T
    np.fill_diagonal(fits, (high - low <= box).all(axis=1))
    return fits


class Pricer:
    """The exact pricing that suits these intervals."""

    def __init__(self, low: Floats, high: Floats) -> None:
        self.low, self.high = low, high
        guard = high - low
        self.flat = low.shape[1] <= 2 and (not len(low) or float(np.ptp(guard, axis=0).max()) < 1e-12)
        self.graphs: dict[bytes, Bools | None] = {}
        if self.flat and len(low):
            fill = 2 - low.shape[1]
            self.points = np.hstack([low, np.zeros((len(low), fill))])
            self.guard = np.append(guard[0], np.zeros(fill))

    def cheapest(self, prices: Floats, box: Floats, size: int, ceiling: float) -> Cheapest:
        if self.flat and len(self.low):
            room = np.append(box, np.ones(2 - len(box))) - self.guard
            return cheapest_sets(self.points[:, 0], self.points[:, 1], prices, room, size, ceiling)
        fits = self._fits(box)
        if fits is None:
            return Cheapest(np.empty((0, size), dtype=np.int32), np.empty(0), np.empty(0, dtype=np.int64), 0.0)
        return cheapest_cliques(fits, prices, size, ceiling)

    def _fits(self, box: Floats) -> Bools | None:
        key = box.tobytes()
        if key not in self.graphs:
            self.graphs[key] = all_fitting(self.low, self.high, box)
        return self.graphs[key]
