"""The reference pass: what a careful person does by hand.

Tier by tier, the most valuable first, take the pieces from left to right along the first quantity. Each
unused piece starts a set; its companions are the first, in the same order, that fit it and one another. Quick
and never better than optimal; it gives every other method its first incumbent and the benchmark its yardstick.
"""

from __future__ import annotations

import numpy as np

from .field import Field, Floats, Ints

Found = tuple[tuple[int, ...], int]  # rows of the field, index of the tier


def first_companions(low: Floats, high: Floats, reach: Floats, candidates: Ints, needed: int,
                     floor: Floats, ceiling: Floats) -> tuple[int, ...] | None:
    """The first ``needed`` candidates, in the order given, that fit one box with floor and ceiling."""
    if needed == 0:
        return ()
    for place, candidate in enumerate(candidates):
        if len(candidates) - place < needed:
            return None
        new_floor = np.minimum(floor, low[candidate])
        new_ceiling = np.maximum(ceiling, high[candidate])
        rest = candidates[place + 1:]
        fits = (np.maximum(high[rest], new_ceiling) - np.minimum(low[rest], new_floor) <= reach).all(axis=1)
        found = first_companions(low, high, reach, rest[fits], needed - 1, new_floor, new_ceiling)
        if found is not None:
            return (int(candidate), *found)
    return None


def greedy_pass(field: Field, size: int, free: Ints | None = None) -> list[Found]:
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
                later = order[place + 1:]
                near = later[:np.searchsorted(low[later, 0], low[first, 0] + reach[0], "right")]
                near = near[unused[near]]
                width = np.maximum(high[near], high[first]) - np.minimum(low[near], low[first])
                near = near[(width <= reach).all(axis=1)]
                companions = first_companions(low, high, reach, near, size - 1, low[first], high[first])
                if companions is not None:
                    members = (int(first), *companions)
                    unused[list(members)] = False
                    sets.append((members, tier))
    return sets
