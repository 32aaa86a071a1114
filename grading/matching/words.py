"""The words of matching: what goes in and what comes out.

A *set* is ``size`` valves sold as matched. Its *spread* in a quantity is the largest value over the smallest,
less one; a set lies within a tier of 2 % when the spread of every quantity is 0.02 or less.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

SMALLEST_SET = 2
LARGEST_SET = 12

#: Two logarithms closer than this are the same number: the boundary of a tier belongs to the tier.
LOG_TOLERANCE = 1e-12


@dataclass(frozen=True)
class Piece:
    """One valve of the pool.

    quantities    positive values, in the same order and units for every piece of a pool. A valve of several
                  sections lists its first section's quantities, then the second's: (Ia1, gm1, Ia2, gm2).
    maker, grade, construction    as recorded, None when unknown.
    settings      how the quantities were read: pieces read at different settings are never compared.
    weeks         the first and the last week it may have been made in, as running numbers (weeks since any fixed
                  Monday), None when unknown. A code that gives a week has one number twice, a month has four or five.
    guard         half-width of the guard band, as a difference of natural logarithms: 0.004 says the true
                  value may be taken 0.4 % either side. One number for all quantities or one for each.
    """

    key: Hashable
    quantities: tuple[float, ...]
    maker: str | None = None
    weeks: tuple[int, int] | None = None
    grade: str | None = None
    construction: str | None = None
    settings: Hashable = None
    guard: tuple[float, ...] | None = None


@dataclass(frozen=True)
class Tier:
    """A tolerance band: ``spread`` as a fraction (0.05 is 5 %), ``value`` of one set within it."""

    name: str
    spread: float
    value: float


@dataclass(frozen=True)
class Rules:
    """What a set must satisfy besides its tier. What is not known cannot be claimed: a valve whose maker is
    unknown enters no set of a run that asks for the same maker, and so for the other three.

    weeks_apart      the first and the last week that a piece of the set may be of are at most this far apart.
    sections         how many sections each valve's quantities describe.
    section_balance  largest spread, as a fraction, between the sections of one valve in each quantity.
    """

    same_maker: bool = False
    same_grade: bool = False
    same_construction: bool = False
    weeks_apart: int | None = None
    section_balance: float | None = None
    sections: int = 1


class FoundSet(NamedTuple):
    """keys in the order of the pool; spread of each quantity as a fraction; the tier's name; its value."""

    keys: tuple[Hashable, ...]
    spread: tuple[float, ...]
    tier: str
    value: float


BestCall = Callable[[], list[tuple[Hashable, ...]]]


class Progress(NamedTuple):
    """What a run reports while it works: the stage in words, best value and bound so far, seconds gone. ``best`` gives
    the best sets so far, by key, as a later run takes them for its ``start``."""

    stage: str
    value: float
    bound: float
    sets: int
    seconds: float
    best: BestCall


class MatchOutcome(NamedTuple):
    """The answer.

    sets      disjoint, the most valuable first
    value     their total
    bound     proven: no choice of disjoint sets is worth more
    gap       (bound - value) / bound; 0 when the bound is 0
    proven    the sets are optimal: the bound meets the value
    seconds   wall-clock time taken
    stopped   asked to stop before it was done; the sets are the best so far
    timed_out the time limit cut the work short; such an answer may differ from run to run, others may not
    prices    shadow price of each piece: what the pool loses, at the margin, when the piece leaves it
    left_out  pieces no set may use, each with the reason in words
    method    in words, what produced the answer and what the bound rests on
    """

    sets: tuple[FoundSet, ...]
    value: float
    bound: float
    gap: float
    proven: bool
    seconds: float
    stopped: bool
    timed_out: bool
    prices: Mapping[Hashable, float]
    left_out: tuple[tuple[Hashable, str], ...]
    method: str


ProgressCall = Callable[[Progress], None]
StopCall = Callable[[], bool]
