"""Why there are no sets, or few: what takes them, and which change would bring most.

Of every question asked with less (no guard bands, any maker, any grade, ...) and of every change that somebody could
make (a wider tolerance, more readings of each valve) the sets are counted that could be made side by side, by the
same matcher with a short limit: a number of sets that exist, not a bound on them. What takes most is told first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import expm1
from typing import NamedTuple

import numpy as np

from grading.matching.field import PoolField, guard_of, lay_out

from .greedy import greedy_pass
from .search import find_sets
from .words import Piece, Rules, Tier

#: A count is one answer of many: it need be no nearer than this, and may take no longer.
NEAR_ENOUGH = 0.02
COUNT_TIME_S = 2.0
#: The tolerance at which sets begin is sought up to this many times the widest tier, to this part of itself.
WIDEST = 8.0
TO_PART = 0.01


@dataclass(frozen=True)
class Remedy:
    """``words`` say what would be done, as in "read each valve twice more"; then the pool and the question."""

    words: str
    pieces: Sequence[Piece]
    tiers: Sequence[Tier]
    rules: Rules


class Count(NamedTuple):
    """What would be otherwise, and how many sets there are then."""

    words: str
    sets: int


class Shortfall(NamedTuple):
    """pool       valves asked about; left_out: those that the rules keep out of any set
    size          valves in a set
    as_read       sets within the tolerance as read, everything else as it was asked
    sure_enough   sets that are sure enough to be within it
    taken_by      what takes the others, each alone: how many sets there are without it; the most telling first
    changes       what could be done, each alone: how many sets there are then; the most helpful first
    guard_share   the part of the widest tolerance that the guard bands of two middling valves take, the worst quantity
    begins_at     the tolerance at which the first set stands, as a fraction; None when there is one already, or when
                  none stands even far wider
    """

    pool: int
    left_out: int
    size: int
    as_read: int
    sure_enough: int
    taken_by: tuple[Count, ...]
    changes: tuple[Count, ...]
    guard_share: float
    begins_at: float | None

    @property
    def words(self) -> tuple[str, ...]:
        """Sentences, the most telling first."""
        if self.pool - self.left_out < self.size:
            few = f"Of {_valves(self.pool)} {self.pool - self.left_out} can join a set at all; a set takes {self.size}."
            return (few, *self._what_else())
        said = [
            f"{_sets(self.as_read)}, {self.as_read * self.size} of {_valves(self.pool)}, could be made within the "
            "tolerance as read; "
            f"{self.sure_enough or 'none'} of {'it' if self.as_read == 1 else 'them'} "
            f"{'is' if self.sure_enough == 1 else 'are'} sure enough to be within it."
            if self.as_read
            else f"No set of {_valves(self.pool)} is within the tolerance even as read."
        ]
        if self.guard_share > 0 and self.sure_enough < self.as_read:
            said.append(
                "What the tester does not repeat takes "
                f"{self.guard_share:.0%} of the tolerance between two valves that are to be surely within it."
                if self.guard_share < 1
                else "The tester does not repeat well enough for this tolerance: nothing is surely within it."
            )
        return (*said, *self._what_else())

    def _what_else(self) -> list[str]:
        helpful = [one for one in self.changes if one.sets > self.sure_enough]
        named = {one.words for one in helpful}
        said = [
            f"{one.words}: {_sets(one.sets)}."
            for one in self.taken_by
            if one.sets > self.sure_enough and one.words not in named
        ]
        if self.begins_at is not None:
            said.append(f"The first set stands at {100 * self.begins_at:.3g} %.")
        if helpful:
            said.append(f"What would help most: {helpful[0].words} ({_sets(helpful[0].sets)}).")
            said += [f"Or: {one.words} ({_sets(one.sets)})." for one in helpful[1:]]
        else:
            said.append("None of the changes that were tried brings another set.")
        return said


def why_few(
    pieces: Sequence[Piece],
    size: int,
    tiers: Sequence[Tier],
    rules: Rules = Rules(),  # noqa: B008
    changes: Sequence[Remedy] = (),
    *,
    count_time_s: float = COUNT_TIME_S,
) -> Shortfall:
    """Count what stands in the way of sets.

    ``changes`` are tried besides every rule given up by itself and, where there is no set at all, the tolerance at
    which sets begin. ValueError for a question without meaning.
    """
    field = lay_out(pieces, size, tiers, rules)

    def count(some: Sequence[Piece], asked: Sequence[Tier], ruled: Rules) -> int:
        found = find_sets(some, size, asked, ruled, time_limit_s=count_time_s, near_enough=NEAR_ENOUGH)
        return len(found.sets)

    bare = [replace(piece, guard=None) for piece in pieces]
    sure = count(pieces, tiers, rules)
    as_read = max(count(bare, tiers, rules), sure)
    lifted = [("mix makers in a set", rules.same_maker, {"same_maker": False})]
    lifted.append(("mix grades in a set", rules.same_grade, {"same_grade": False}))
    lifted.append(("mix constructions in a set", rules.same_construction, {"same_construction": False}))
    looser = [Count(words, count(pieces, tiers, replace(rules, **less))) for words, given, less in lifted if given]
    if rules.weeks_apart is not None:
        looser.append(Count("let them be of any date", count(pieces, tiers, replace(rules, weeks_apart=None))))
    if rules.section_balance is not None:
        without = count(pieces, tiers, replace(rules, section_balance=None))
        looser.append(Count("let the sections of a valve be unlike", without))
    taken_by = list(looser)
    if as_read > sure:
        taken_by.append(Count("As read, without guard bands", as_read))
    if len({piece.settings for piece in pieces}) > 1:
        mixed = [replace(piece, settings=None) for piece in pieces]
        taken_by.append(Count("If all had been read alike, on one tester at one setting", count(mixed, tiers, rules)))
    begins = None if sure or not pieces else _begins_at(field, size, len(pieces[0].quantities))
    tried = looser + [Count(one.words, count(one.pieces, one.tiers, one.rules)) for one in changes]
    if begins is not None:
        wider = [replace(max(tiers, key=lambda tier: tier.spread), spread=begins * (1 + TO_PART))]
        tried.append(Count(f"ask for {100 * wider[0].spread:.3g} %", count(pieces, wider, rules)))
    return Shortfall(
        len(pieces),
        len(field.left_out),
        size,
        as_read,
        sure,
        tuple(sorted(taken_by, key=lambda one: -one.sets)),
        tuple(sorted(tried, key=lambda one: -one.sets)),
        _guard_share(pieces, tiers),
        begins,
    )


def _begins_at(field: PoolField, size: int, quantities: int) -> float | None:
    """The least spread at which a set stands, guards and rules as they are, by halving. Exact to ``TO_PART``: the
    left-to-right pass finds a set where there is one."""
    if not len(field.reach) or not len(field.rows):
        return None
    widest = int(field.reach[:, 0].argmax())

    def stands(reach: float) -> bool:
        box = field.reach[widest].copy()
        box[:quantities] = reach
        asked = PoolField(
            field.low, field.high, box.reshape(1, -1), field.values[:1], field.tiers[:1], field.groups, field.rows, ()
        )
        return bool(greedy_pass(asked, size))

    low = float(field.reach[widest, 0])
    high = low * WIDEST
    if low <= 0 or stands(low) or not stands(high):
        return None
    while high - low > TO_PART * low:
        middle = (low * high) ** 0.5
        low, high = (low, middle) if stands(middle) else (middle, high)
    return expm1(high)


def _guard_share(pieces: Sequence[Piece], tiers: Sequence[Tier]) -> float:
    """What the guards of two middling valves take of the widest tolerance, in the worst quantity."""
    widest = float(np.log1p(max(tier.spread for tier in tiers)))
    if not pieces or widest <= 0:
        return 0.0
    middling = np.median(np.array([guard_of(piece) for piece in pieces]), axis=0)
    return float(2 * middling.max() / widest)


def _sets(number: int) -> str:
    return f"{number} set{'' if number == 1 else 's'}"


def _valves(number: int) -> str:
    return f"{number} valve{'' if number == 1 else 's'}"
