"""Exact pricing on the tolerance boxes: the cheapest set of each box under given prices of the pieces.

In column generation the linear programme knows only some sets; its prices say which others would improve it: those
worth more than their pieces cost. With two axes (or one) they are found exactly. Let piece i be the leftmost of a
set. Its companions lie within the box's width to its right and within the box's height above and below it. Sorted by
height, a box holding i takes the companions down to some depth below i and, fixed by that, up to some height above.
The cheapest few among the first t below, for every t, come from a running minimum, likewise above; the two merge to
the cheapest set of every box position at once, in time linear in the companions.

The prices then bound the whole problem: divided by the worst ratio of cost to worth they are undercut by no set, so
their sum bounds every choice of disjoint sets (weak duality).

With more axes, or guards that differ from piece to piece, the same is done by trying every lower edge of the box,
axis by axis, and leaving a branch when the cheapest companions still in it already cost too much.

Pricer(low, high, reach)                          chooses between the two
cheapest_sets(x, y, prices, box, size, ceiling)   two axes
cheapest_in_boxes(low, high, ...)                 any
Each gives for every piece that may be leftmost its cheapest set below the ceiling.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .catalogue import Members
from .field import Floats, Ints

#: Boxes a general search looks into before it gives up.
BOXES = 40_000


class Cheapest(NamedTuple):
    """members (m, size) the sets found; cost (m,) what each costs; least: a cost no set of the box goes below, 0 when
    the search was given up before the end."""

    members: Members
    cost: Floats
    least: float


class Patience:
    """How many more boxes to look into before giving up."""

    def __init__(self, boxes: int) -> None:
        self.left = boxes


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
    found = np.array(members, dtype=np.int32).reshape(-1, size)
    return Cheapest(found, np.array(costs), min(costs, default=ceiling))


def cheapest_in_boxes(low: Floats, high: Floats, prices: Floats, box: Floats, size: int, ceiling: float) -> Cheapest:
    """The same for intervals low to high (n, d) in d axes: a piece stands for the sets in which its low end on the
    first axis is the least. After ``BOXES`` boxes it gives up."""
    patience = Patience(BOXES)
    order = np.lexsort((np.arange(len(low)), low[:, 0]))
    low, high, price = low[order], high[order], prices[order]
    ends = np.searchsorted(low[:, 0], low[:, 0] + box[0], "right")
    others = size - 1
    members: list[Ints] = []
    costs: list[float] = []
    for first in range(len(low)):
        if patience.left <= 0:
            break
        if ends[first] - first < size or (high[first] - low[first] > box).any():
            continue
        near = np.arange(first + 1, ends[first])
        if price[first] + cheapest_sum(price[near], others) >= ceiling:
            continue
        width = np.maximum(high[near], high[first]) - np.minimum(low[near], low[first])
        near = near[(width <= box).all(axis=1)]
        best = cheapest_companions(
            low, high, price, box, first, near, others, ceiling - float(price[first]), 1, patience
        )
        if best is not None:
            members.append(np.sort(order[np.append(best, first)]))
            costs.append(float(price[first] + price[best].sum()))
    found = np.array(members, dtype=np.int32).reshape(-1, size)
    return Cheapest(found, np.array(costs), min(costs, default=ceiling) if patience.left > 0 else 0.0)


def cheapest_sum(price: Floats, count: int) -> float:
    return float(np.partition(price, count - 1)[:count].sum()) if len(price) >= count else np.inf


def cheapest_companions(
    low: Floats,
    high: Floats,
    price: Floats,
    box: Floats,
    first: int,
    near: Ints,
    count: int,
    ceiling: float,
    axis: int,
    patience: Patience,
) -> Ints | None:
    """The cheapest ``count`` of ``near`` in one box with ``first``, when they cost less than the ceiling."""
    patience.left -= 1
    if patience.left <= 0 or cheapest_sum(price[near], count) >= ceiling:
        return None
    if axis == len(box):
        return near[np.argsort(price[near], kind="stable")[:count]]
    floors = low[near, axis]
    floors = floors[(floors <= low[first, axis]) & (floors >= high[first, axis] - box[axis])]
    best: Ints | None = None
    for floor in np.unique(np.append(floors, low[first, axis]))[::-1]:
        inside = near[(low[near, axis] >= floor) & (high[near, axis] <= floor + box[axis])]
        found = cheapest_companions(low, high, price, box, first, inside, count, ceiling, axis + 1, patience)
        if found is not None:
            best, ceiling = found, float(price[found].sum())
    return best


class Pricer:
    """The exact pricing that suits these intervals."""

    def __init__(self, low: Floats, high: Floats) -> None:
        self.low, self.high = low, high
        guard = high - low
        self.flat = low.shape[1] <= 2 and (not len(low) or float(np.ptp(guard, axis=0).max()) < 1e-12)
        if self.flat and len(low):
            fill = 2 - low.shape[1]
            self.points = np.hstack([low, np.zeros((len(low), fill))])
            self.guard = np.append(guard[0], np.zeros(fill))

    def cheapest(self, prices: Floats, box: Floats, size: int, ceiling: float) -> Cheapest:
        if not self.flat or not len(self.low):
            return cheapest_in_boxes(self.low, self.high, prices, box, size, ceiling)
        room = np.append(box, np.ones(2 - len(box))) - self.guard
        return cheapest_sets(self.points[:, 0], self.points[:, 1], prices, room, size, ceiling)
