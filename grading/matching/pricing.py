"""Exact pricing on the tolerance boxes: the cheapest set of each box under given prices of the pieces.

In column generation the linear programme knows only some sets; its prices say which others would improve it: those
worth more than their pieces cost. With two axes (or one) they are found exactly. Let piece i be the leftmost of a
set. Its companions lie within the box's width to its right and within the box's height above and below it. Sorted by
height, a box holding i takes the companions down to some depth below i and, fixed by that, up to some height above.
The cheapest few among the first t below, for every t, come from a running minimum, likewise above; the two merge to
the cheapest set of every box position at once, in time linear in the companions.

The prices then bound the whole problem: divided by the worst ratio of cost to worth they are undercut by no set, so
their sum bounds every choice of disjoint sets (weak duality).

cheapest_sets(x, y, prices, box, size, ceiling)   -> for every leftmost piece, its cheapest set below the ceiling
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .catalogue import Members
from .field import Floats, Ints


class Cheapest(NamedTuple):
    """members (m, size) the sets found; cost (m,) what each costs; least: a cost no set of the box goes below."""

    members: Members
    cost: Floats
    least: float


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
        window = np.concatenate([below[:best], above[:reached[best]]])
        picked = window[np.argsort(strip[window], kind="stable")[:others]]
        members.append(np.sort(order[np.append(first + 1 + close[picked], first)]))
        costs.append(float(cost[best]))
    found = np.array(members, dtype=np.int32).reshape(-1, size)
    return Cheapest(found, np.array(costs), min(costs, default=ceiling))
