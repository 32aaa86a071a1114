"""Column generation: the linear bound over all sets, without writing them out.

The programme starts with the sets at hand. Its prices, smoothed towards the best prices known, go to the exact
pricing; the sets that would improve it are added; and so on until none would, or the bound is close enough. Each
round's prices, scaled so that no set undercuts them, give a bound of their own (weak duality), and the best is kept.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from grading.matching.solver import INFINITY, Ended, SetPacking

from .catalogue import Catalogue, Members
from .field import Floats
from .pricing import Pricer
from .watch import Watch

ROUNDS = 60
SMOOTHING = 0.5
CLOSE = 2e-4


class Generated(NamedTuple):
    """A bound, its prices, the sets asked for on the way with their worth; what ended it, in words."""

    bound: float
    prices: Floats
    members: Members
    worth: Floats
    why: str


def linear_bound(
    pricer: Pricer,
    reach: Floats,
    values: Floats,
    start: Catalogue,
    prices: Floats,
    fixed: NDArray[np.bool_],
    watch: Watch,
    seed: int,
) -> Generated:
    """``reach`` (k, d) and ``values`` (k,) of the tiers; ``prices`` that no set undercuts, to begin with. Pieces
    marked ``fixed`` keep that price, which leaves a smaller programme and a bound as valid, if not as close."""
    size = start.members.shape[1]
    packing = SetPacking(len(prices), seed, interior=True, limits=np.where(fixed, INFINITY, 1.0))
    paid = np.where(fixed, prices, 0.0)
    bound, best = float(prices.sum()), prices
    known: set[tuple[int, ...]] = set()
    kept: list[Members] = [np.empty((0, size), dtype=np.int32)]
    worth: list[Floats] = [np.empty(0)]

    def add(members: Members, value: Floats) -> int:
        fresh = ~fixed[members].all(axis=1)
        fresh &= np.array([tuple(row) not in known for row in members.tolist()], dtype=bool)
        members, value = members[fresh], value[fresh]
        known.update(map(tuple, members.tolist()))
        packing.add_sets(members, value - paid[members].sum(axis=1))
        kept.append(members)
        worth.append(value)
        return len(members)

    add(start.members, start.worth)
    why = "column generation took every round"
    for _ in range(ROUNDS):
        if not len(known):
            why = "column generation had no set to begin with"
            break
        relaxed = packing.solve(watch.left())
        if relaxed.ended is Ended.TIME:
            watch.end()
        if watch.over():
            why = watch.why_over()
            break
        # The value of an unsure answer says nothing; its prices may still do.
        if relaxed.ended is Ended.OPTIMAL and bound - relaxed.value - paid.sum() <= CLOSE * bound:
            why = "the linear bound is as close as it comes"
            break
        added, gave_up = 0, False
        for smoothing in (SMOOTHING, 0.0):
            trial = np.where(fixed, prices, smoothing * best + (1 - smoothing) * relaxed.prices)
            ratio = 1.0
            for box, value in zip(reach, values, strict=True):
                found = pricer.cheapest(trial, box, size, float(value) * (1 - CLOSE / 4))
                if watch.over():
                    return Generated(bound, best, np.concatenate(kept), np.concatenate(worth), watch.why_over())
                gave_up = gave_up or found.least <= 0
                ratio = max(ratio, float(value) / max(found.least, 1e-9))
                added += add(found.members, np.full(len(found.members), float(value)))
            if float(trial.sum()) * ratio < bound:
                bound, best = float(trial.sum()) * ratio, trial * ratio
            if added or watch.over():
                break
        watch.report("column generation")
        if not added or gave_up:
            why = "the search for the cheapest set was given up" if gave_up else "no set undercuts the prices"
            if relaxed.ended is Ended.UNSURE:
                why = f"the linear programme {relaxed.ended.value}"
            break
    return Generated(bound, best, np.concatenate(kept), np.concatenate(worth), why)
