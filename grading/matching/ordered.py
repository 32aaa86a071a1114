"""One quantity, one tier: the exact answer from the order of the values.

When two sets of one tier interleave, their pieces can be dealt again: the lower half to one, the upper half to the
other, and neither is wider than before. So some best choice consists of runs of consecutive pieces. And the run that
starts earliest can be taken to be the first that fits: moving a set down to it frees nothing that a later set cannot
do without. Reading from the smallest value up and taking every run that fits is therefore optimal.

With several tiers this fails: a narrow set may sit inside a wide one ({0, 10} round {4, 5} with tiers 1 and 10
beats {0, 4} and {5, 10}), so several tiers go the general way.

runs(low, high, reach, size)   -> rows of each set
"""

from __future__ import annotations

import numpy as np

from .field import Floats, Ints


def runs(low: Floats, high: Floats, reach: float, size: int) -> list[Ints]:
    """The most disjoint sets of ``size`` within ``reach``; low and high (n,) with one common guard.

    >>> [run.tolist() for run in runs(np.array([0., 5., 6., 7., 9.]), np.array([0., 5., 6., 7., 9.]), 2.0, 2)]
    [[1, 2], [3, 4]]
    """
    order = np.argsort(low, kind="stable")
    sets: list[Ints] = []
    place = 0
    while place + size <= len(order):
        run = order[place:place + size]
        if high[run].max() - low[run].min() <= reach:
            sets.append(run.astype(np.int64))
            place += size
        else:
            place += 1
    return sets
