"""One quantity alone: the exact answer from the order of the values.

One tier. When two sets interleave, their pieces can be dealt again: the lower half to one, the upper half to the
other, and neither is wider than before. So some best choice consists of runs of consecutive pieces. And the run that
starts earliest can be taken to be the first that fits: moving a set down to it frees nothing that a later set cannot
do without. Reading from the smallest value up and taking every run that fits is therefore optimal.

Several tiers. A narrow set may sit inside a wide one: {0, 10} round {4, 5} with tiers 1 and 10 beats {0, 4} and
{5, 10}. But sets that merely cross can still be dealt again as above, and of a set that lies across the span of
another the narrower can be given consecutive pieces; so some best choice is nested like brackets, each set lying
between two neighbouring pieces of another or clear of it. The best filling of every stretch then follows from the
fillings of shorter ones (dynamic programming over intervals).
"""

from __future__ import annotations

import numpy as np

from .field import Floats, Ints
from .greedy import Found


def runs(low: Floats, high: Floats, reach: float, size: int) -> list[Ints]:
    """The most disjoint sets of ``size`` within ``reach``; low and high (n,) with one common guard.

    >>> [run.tolist() for run in runs(np.array([0., 5., 6., 7., 9.]), np.array([0., 5., 6., 7., 9.]), 2.0, 2)]
    [[1, 2], [3, 4]]
    """
    order = np.argsort(low, kind="stable")
    sets: list[Ints] = []
    place = 0
    while place + size <= len(order):
        run = order[place : place + size]
        if high[run].max() - low[run].min() <= reach:
            sets.append(run.astype(np.int64))
            place += size
        else:
            place += 1
    return sets


def effort(value: Floats, reach: Floats, size: int) -> float:
    """Steps ``nested`` takes: for every piece and every place in the set, the square of the pieces within reach."""
    ordered = np.sort(value)
    near = np.searchsorted(ordered, ordered + reach.max(initial=0.0), "right") - np.arange(len(ordered))
    return float(size * (near.astype(float) ** 2).sum())


def nested(value: Floats, reach: Floats, values: Floats, size: int) -> list[Found]:
    """The best choice for points ``value`` (n,) and tiers of width ``reach`` (k,), worth ``values`` (k,), falling.

    >>> nested(np.array([0., 4., 5., 10.]), np.array([1.0, 10.0]), np.array([100.0, 60.0]), 2)
    [((0, 3), 1), ((1, 2), 0)]
    """
    order = np.argsort(value, kind="stable")
    point = value[order]
    count = len(point)
    ends = np.searchsorted(point, point + reach.max(initial=0.0), "right")
    # filled[i, j]: the most the pieces i to j - 1 can be worth, for stretches a set can span
    filled = np.full((count + 2, count + 2), -np.inf)
    np.fill_diagonal(filled, 0.0)
    onward = np.zeros(count + 1)  # the most the pieces from i on can be worth

    def spans(first: int) -> tuple[Floats, list[Floats]]:
        """[e]: the most a set from ``first`` to ``first + e`` is worth with what lies within it; and the layers by
        the number of members so far."""
        last = int(ends[first])
        within = filled[first + 1 : last + 1, first:last]  # [q, p]: between members first + q and first + p
        layer = np.full(last - first, -np.inf)
        layer[0] = 0.0
        layers = [layer]
        for _ in range(size - 1):
            layer = (layer[:, None] + within).max(axis=0)
            layers.append(layer)
        width = point[first:last] - point[first]
        worth = np.full(last - first, -np.inf)
        for tier in range(len(reach) - 1, -1, -1):
            worth[width <= reach[tier]] = values[tier]
        return layer + worth, layers

    for first in range(count - 1, -1, -1):
        last = int(ends[first])
        total, _ = spans(first)
        later = filled[first + 1 : last + 1, first + 1 : last + 1]  # [e, j]: after a set that ends at first + e
        filled[first, first + 1 : last + 1] = np.maximum(
            filled[first + 1, first + 1 : last + 1], (total[:, None] + later).max(axis=0)
        )
        onward[first] = max(onward[first + 1], float((total + onward[first + 1 : last + 1]).max()))

    found: list[Found] = []
    open_stretches = [(0, -1)]  # (from, to); to = -1 for the whole rest
    while open_stretches:
        first, to = open_stretches.pop()
        if first >= (count if to < 0 else to):
            continue
        here = onward[first] if to < 0 else filled[first, to]
        skip = onward[first + 1] if to < 0 else filled[first + 1, to]
        if skip == here:
            open_stretches.append((first + 1, to))
            continue
        total, layers = spans(first)
        last = int(ends[first])
        rest = onward[first + 1 : last + 1] if to < 0 else filled[first + 1 : last + 1, to]
        member = int((total + rest).argmax())
        open_stretches.append((first + member + 1, to))
        members = [first + member]
        for layer in reversed(layers[:-1]):
            before = int((layer + filled[first + 1 : last + 1, first + member]).argmax())
            open_stretches.append((first + before + 1, first + member))
            member = before
            members.append(first + member)
        width = point[members[0]] - point[members[-1]]
        found.append((tuple(sorted(order[members].tolist())), int(np.flatnonzero(width <= reach)[0])))
    return sorted(found)
