"""Subset-row cuts: what whole sets satisfy and fractions of sets may not.

Take three pieces. A set that uses two or three of them leaves no second such set, so the shares of these sets sum
to one at most. In general, add up rows of the programme with weights and round down: for weights w over a divisor
k, sum over sets of floor(w(set) / k) is at most floor(w(all) / k) (a Chvatal-Gomory cut). With k = 2 and unit
weights on an odd number of pieces and sets of two these are the odd-set (blossom) inequalities of matching; for
set packing in general they are known as subset-row inequalities.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .catalogue import Members
from .field import Floats
from .solver import Cut

VIOLATED = 1e-3
OFTEN = 5


def never() -> bool:
    """There is no hurry."""
    return False


def fractional(members: Members, shares: Floats) -> tuple[Members, Floats]:
    """The sets taken in part, with their shares."""
    part = (shares > 1e-7) & (shares < 1 - 1e-7)
    return members[part], shares[part]


def triples(members: Members, shares: Floats, over: Callable[[], bool] = never) -> list[tuple[float, Cut]]:
    """Every violated cut on three pieces, with its violation. Three pieces qualify only if every two of them
    share a fractional set, since two pairs alone weigh no more than the row of the piece they share."""
    members, shares = fractional(members, shares)
    names, where = np.unique(members, return_inverse=True)
    where = where.reshape(members.shape)
    incidence = np.zeros((len(members), len(names)))
    np.put_along_axis(incidence, where, 1.0, axis=1)
    pairs = (incidence.T * shares) @ incidence
    np.fill_diagonal(pairs, 0.0)
    found: list[tuple[float, Cut]] = []
    for first in range(len(names)):
        if over():
            break
        later = np.flatnonzero(pairs[first] > 1e-9)
        later = later[later > first]
        if len(later) < 2:
            continue
        through = np.flatnonzero(incidence[:, first])
        part = incidence[np.ix_(through, later)]
        all_three = (part.T * shares[through]) @ part
        weight = pairs[np.ix_(later, later)] + pairs[first, later][:, None] + pairs[first, later][None, :]
        weight -= 2.0 * all_three
        violated = np.triu(weight, 1) > 1.0 + VIOLATED
        for second, third in zip(*np.nonzero(violated), strict=True):
            trio = (int(names[first]), int(names[later[second]]), int(names[later[third]]))
            found.append((float(weight[second, third]) - 1.0, Cut(trio, (1, 1, 1), 2)))
    return found


def odd_groups(
    members: Members,
    shares: Floats,
    over: Callable[[], bool] = never,
    divisor: int = 2,
    largest: int = 25,
    steps: int = 40,
) -> list[tuple[float, Cut]]:
    """Violated cuts on more pieces, grown from each piece in turn by the best single change, with a short
    memory so that growth does not undo itself."""
    members, shares = fractional(members, shares)
    if not len(members):
        return []
    size = members.shape[1]
    names, where = np.unique(members, return_inverse=True)
    where = where.reshape(members.shape)
    order = np.argsort(where.ravel(), kind="stable")
    sets = order // size
    starts = np.searchsorted(where.ravel()[order], np.arange(len(names) + 1))
    found: dict[Cut, float] = {}
    nowhere = -9.0
    for seed in range(len(names)):
        if over():
            break
        weight = np.zeros(len(names), dtype=np.int64)
        filled = np.zeros(len(members), dtype=np.int64)
        resting = np.zeros(len(names), dtype=np.int64)
        weight[seed] = total = 1
        filled[sets[starts[seed] : starts[seed + 1]]] += 1
        for step in range(1, steps):
            left = filled % divisor
            touched = filled > 0

            def tally(chosen: np.ndarray, amount: Floats) -> Floats:
                result: Floats = np.bincount(
                    where[chosen].ravel(), weights=np.repeat(amount[chosen], size), minlength=len(names)
                ).astype(np.float64)
                return result

            gain = tally(left == divisor - 1, shares) - 1 / divisor
            promise = gain + 0.3 * tally(touched, shares * left / divisor)
            near = np.zeros(len(names), dtype=bool)
            near[where[touched].ravel()] = True
            promise[~near | (weight >= divisor - 1) | (resting > step)] = nowhere
            relief = 1 / divisor - tally(touched & (left == 0), shares)
            relief[(weight == 0) | (resting > step)] = nowhere
            grow, shrink = int(promise.argmax()), int(relief.argmax())
            if promise[grow] == nowhere and relief[shrink] == nowhere:
                break
            change = 1 if promise[grow] >= relief[shrink] and total < largest else -1
            piece = grow if change > 0 else shrink
            if change < 0 and relief[shrink] == nowhere:
                break
            weight[piece] += change
            total += change
            filled[sets[starts[piece] : starts[piece + 1]]] += change
            resting[piece] = step + (4 if change > 0 else 7)
            violation = float((shares * (filled // divisor)).sum()) - total // divisor
            if violation > VIOLATED:
                used = np.flatnonzero(weight)
                cut = Cut(tuple(int(names[p]) for p in used), tuple(int(w) for w in weight[used]), divisor)
                found[cut] = violation
    return [(violation, cut) for cut, violation in found.items()]


def spread_out(found: list[tuple[float, Cut]], most: int) -> list[Cut]:
    """The most violated first, each piece in a few only, so that one round strengthens the whole pool."""
    often: dict[int, int] = {}
    chosen: list[Cut] = []
    for _, cut in sorted(found, key=lambda pair: (-round(pair[0], 6), len(pair[1].pieces), pair[1])):
        if max(often.get(piece, 0) for piece in cut.pieces) < OFTEN:
            chosen.append(cut)
            for piece in cut.pieces:
                often[piece] = often.get(piece, 0) + 1
            if len(chosen) == most:
                break
    return chosen
