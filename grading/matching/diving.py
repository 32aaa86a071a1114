"""From shares of sets to whole sets: a few at a time, the linear programme solved anew for what is left.

The programme takes sets in part. Those that it takes whole, and then those of the greatest shares, are taken for good;
what they leave is a smaller programme of the same kind, whose prices ask for sets that suit what is left; the last of
it goes to the integer solver. So the income
that is still possible falls slowly, where rounding all shares at once leaves pieces that fit nothing. It is known as
diving with column generation (R. Sadykov, F. Vanderbeck, A. Pessoa, I. Tahiri and E. Uchoa, "Primal heuristics for
branch and price", INFORMS Journal on Computing 31(2), 2019; from memory).
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from .catalogue import Members
from .field import Floats, Ints
from .solver import Ended, SetPacking, choose_whole
from .watch import Watch

#: Sets that a programme is given, those nearest to paying their way: five for each piece of a pool of 2,000.
KEPT = 10_000
#: Of the sets that the programme takes, those that are taken for good each time, and at the least so many.
SHARE = 0.1
LEAST = 4
NOTHING = 1e-6
#: When no more sets than this are left to take, the integer solver takes them, looking into so many nodes.
REST = 90
REST_NODES = 100


class CandidateSets(Protocol):
    """Sets that are known: ``members`` (m, width) rows that each uses, ``worth`` (m,), how often each row may be used,
    ``limits``. ``price`` makes known those that are worth more than these prices under these limits, and says how many
    were new."""

    members: Members
    worth: Floats
    limits: Floats

    def price(self, prices: Floats, limits: Floats) -> tuple[float, int]: ...


def dive(offered: CandidateSets, prices: Floats, seed: int, watch: Watch, until: float) -> Ints:
    """Sets that go together, as their numbers among those known in the end. ``prices`` are those of the programme as it
    was solved. At the second ``until`` of the watch it is cut short: what is left is then filled up by the last
    shares."""
    limits, taken = offered.limits.copy(), np.empty(0, dtype=np.int64)
    # The simplex method, which goes on from where it was: each programme differs little from the one before, and at a
    # corner few sets have shares.
    packing = SetPacking(len(limits), seed, limits=limits)
    beyond = offered.worth - prices[offered.members].sum(axis=1)
    inside = np.sort(np.argsort(-beyond, kind="stable")[:KEPT])
    packing.add_sets(offered.members[inside], offered.worth[inside])
    shares = np.zeros(len(inside))
    while True:
        answer = packing.solve(until - watch.gone())
        before = len(offered.worth)
        if len(taken) and answer.ended is Ended.OPTIMAL and offered.price(answer.prices, limits)[1]:
            packing.add_sets(offered.members[before:], offered.worth[before:])
            inside = np.append(inside, np.arange(before, len(offered.worth)))
            answer = packing.solve(until - watch.gone())
        if answer.ended is Ended.OPTIMAL:
            shares = answer.shares
        if 0 < shares.sum() <= REST and answer.ended is Ended.OPTIMAL:
            room = np.flatnonzero((limits[offered.members] >= 1).all(axis=1))
            rest = choose_whole(
                offered.members[room],
                offered.worth[room],
                nodes=REST_NODES,
                seconds=until - watch.gone(),
                seed=seed,
                interrupted=watch.over,
                limits=limits,
            )
            return np.append(taken, room[rest])
        hurried = answer.ended is not Ended.OPTIMAL or watch.over() or watch.gone() >= until
        order = np.argsort(-shares, kind="stable")
        most = len(order) if hurried else max(LEAST, int(SHARE * shares.sum()))
        fresh = []
        for number in inside[order[shares[order] > NOTHING]].tolist():
            row = offered.members[number]
            if (limits[row] >= 1).all():
                limits[row] -= 1
                fresh.append(number)
                if len(fresh) >= most:
                    break
        taken = np.append(taken, np.array(fresh, dtype=np.int64))
        if hurried or not fresh:
            return taken
        for row in np.unique(offered.members[fresh]).tolist():
            packing.limit(row, float(limits[row]))
