"""Local search on a catalogue: exchange one set for another, the neglected pieces first.

A move puts a set in and takes out the sets it overlaps. A move that gains is made at once. Otherwise, of a sample of
moves that lose nothing, the one is made that takes in the pieces longest left out: every piece left over gains
weight as time passes, and a move scores the weight it takes in less the weight it leaves. A set just touched rests
for a while. The idea (weights that grow on what stays uncovered, and a short memory) is common practice in local
search for covering and independent-set problems. Steps are counted, not timed, so a seed gives one answer.

Where sets differ in worth few moves lose nothing, and the search soon goes round in circles. There, after a while
without a gain, some sets are put in whatever they cost, and the search goes on from the best choice so far when that
led to nothing better (iterated local search).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .catalogue import Catalogue
from .field import Ints

SAMPLE = 50
REST = 10
WEIGH_EVERY = 20
HALVE_EVERY = 2_000
KICK_AFTER = 60
KICKED = 2
EPSILON = 1e-9


def improve(
    catalogue: Catalogue, chosen: Ints, steps: int, seed: int, enough: float, interrupted: Callable[[float], bool]
) -> tuple[Ints, bool]:
    """A choice of disjoint sets at least as good as ``chosen``, and whether it was interrupted.

    ``enough`` is a value that cannot be passed: the search ends there. ``interrupted`` is asked every few
    hundred steps, with the best value so far.
    """
    members, worth = catalogue.members, catalogue.worth
    total, size = members.shape
    if not total:
        return chosen, False
    random = np.random.default_rng(seed)
    owner = np.full(catalogue.pieces, -1, dtype=np.int64)
    owned = np.append(worth, 0.0)  # indexed by owner; -1, nobody, owns nothing
    loss = np.zeros(total)  # worth of the chosen sets each set overlaps
    rested = np.full(total, -REST - 1)
    useful = catalogue.uses > 0
    weight = np.zeros(catalogue.pieces)
    current: set[int] = set()
    value = 0.0

    def put_in(entering: int, step: int) -> Ints:
        nonlocal value
        changed = set(members[entering].tolist())
        for leaving in set(owner[members[entering]].tolist()) - {-1}:
            current.discard(leaving)
            owner[members[leaving]] = -1
            rested[leaving] = step
            value -= worth[leaving]
            changed.update(members[leaving].tolist())
        owner[members[entering]] = entering
        current.add(entering)
        rested[entering] = step
        value += worth[entering]
        touched = np.concatenate([catalogue.through(piece) for piece in sorted(changed)])
        owners = np.sort(owner[members[touched]], axis=1)
        lost = owned[owners[:, 0]]
        for place in range(1, size):
            lost += owned[owners[:, place]] * (owners[:, place] != owners[:, place - 1])
        loss[touched] = lost
        return touched

    for entering in chosen.tolist():
        put_in(entering, -REST - 1)
    best, best_value = set(current), value
    touched = everything = np.arange(total)
    uneven = float(np.ptp(worth)) > EPSILON
    rise = 0  # the step of the last gain or kick
    patience = max(KICK_AFTER, catalogue.pieces)
    for step in range(1, steps + 1):
        if step % 256 == 0 and interrupted(best_value):
            return np.array(sorted(best), dtype=np.int64), True
        gain = worth[touched] - loss[touched]
        place = int(gain.argmax())
        if gain[place] > EPSILON:
            touched = put_in(int(touched[place]), step)
        else:
            if value > best_value + EPSILON:
                best, best_value = set(current), value
                rise = step
                if best_value >= enough - EPSILON:
                    break
            if uneven and step - rise > patience:
                for entering in sorted(best - current) if value < best_value - EPSILON else ():
                    put_in(entering, step)
                for _ in range(KICKED):
                    put_in(int(random.integers(total)), step)
                touched, rise = everything, step
                continue
            even = np.flatnonzero(worth - loss >= -EPSILON)
            sample = even[random.integers(len(even), size=SAMPLE)]
            sample = sample[rested[sample] < step - REST]
            owners = owner[members[sample]].max(axis=1)
            sample, owners = sample[owners != sample], owners[owners != sample]
            if not len(sample):
                touched = even[:1]
                continue
            score = weight[members[sample]].sum(axis=1)
            score -= weight[members[owners]].sum(axis=1) * (owners >= 0)
            touched = put_in(int(sample[score.argmax()]), step)
        if step % WEIGH_EVERY == 0:
            weight[(owner < 0) & useful] += 1.0
        if step % HALVE_EVERY == 0:
            weight *= 0.5
    if value > best_value + EPSILON:
        best = set(current)
    return np.array(sorted(best), dtype=np.int64), False
