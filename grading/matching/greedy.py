"""The reference pass: what a careful person does by hand.

Tier by tier, the most valuable first, take the pieces from left to right along the first quantity. Each
unused piece starts a set; its companions are the first, in the same order, that fit it and one another. Quick
and never better than optimal; it gives every other method its first incumbent and the benchmark its yardstick.
"""

from __future__ import annotations

import numpy as np

from grading.matching.field import Floats, Ints, PoolField

Found = tuple[tuple[int, ...], int]  # rows of the field, index of the tier


def companions(
    low: Floats, high: Floats, reach: Floats, anchor: int, near: Ints, needed: int, axis: int = 0
) -> Ints | None:
    """The first ``needed`` of ``near``, in the order given, that fit a box with the anchor; None when no box holds
    so many. Axis by axis every lower edge is tried, from the anchor's own downwards, so the search is exact, and its
    time is bounded by the boxes and not by the ways to choose among what they hold."""
    if len(near) < needed:
        return None
    if axis == len(reach):
        return near[:needed]
    floors = low[near, axis]
    floors = floors[(floors <= low[anchor, axis]) & (floors >= high[anchor, axis] - reach[axis])]
    for floor in np.unique(np.append(floors, low[anchor, axis]))[::-1]:
        inside = near[(low[near, axis] >= floor) & (high[near, axis] <= floor + reach[axis])]
        if len(inside) >= needed:
            found = companions(low, high, reach, anchor, inside, needed, axis + 1)
            if found is not None:
                return found
    return None


def greedy_pass(field: PoolField, size: int, free: Ints | None = None) -> list[Found]:
    """Disjoint sets found from left to right; ``free`` limits the rows that may be used."""
    low, high = field.low, field.high
    unused = np.zeros(len(low), dtype=bool)
    unused[np.arange(len(low)) if free is None else free] = True
    sets: list[Found] = []
    for tier, reach in enumerate(field.reach):
        for group in field.groups:
            order = group[np.argsort(low[group, 0], kind="stable")]
            for place, first in enumerate(order):
                if not unused[first]:
                    continue
                if (high[first] - low[first] > reach).any():
                    continue
                later = order[place + 1 :]
                near = later[: np.searchsorted(low[later, 0], low[first, 0] + reach[0], "right")]
                near = near[unused[near]]
                width = np.maximum(high[near], high[first]) - np.minimum(low[near], low[first])
                near = near[(width <= reach).all(axis=1)]
                others = companions(low, high, reach, int(first), near, size - 1)
                if others is not None:
                    members = (int(first), *others.tolist())
                    unused[list(members)] = False
                    sets.append((members, tier))
    return sets
