"""How much of an offered line will be usable, and of which grade, from what earlier lots turned out to be.

In one line: each supplier, condition and type is pulled towards the shop's own average, the more the fewer of its lots
are known.

Stage by stage, the best decision first: the share that is usable at all; of these, the share of the best grade; of what
is left, the share of the next, and so on. (Such a chain of shares is the generalised Dirichlet distribution of R. J.
Connor and J. E. Mosimann, JASA 64 (1969) 194-206, from memory.) Every stage is a binomial count x of n, and is put on
the scale

    z = arcsin sqrt((x + 3/8) / (n + 3/4)),    variance 1 / (4n + 2)

of F. J. Anscombe, "The transformation of Poisson, binomial and negative-binomial data", Biometrika 35 (1948) 246-254
(from memory), on which its error is the same for every share, and pooled there (`pooling`). The whole lot has a part of
its own, for what comes from one attic is alike; so an offer of many lines is not the surer for having many.

What is said of one line is kept as a beta distribution of the same mean and variance: its count is then beta-binomial.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from math import asin, pi, sqrt
from typing import NamedTuple

import numpy as np

from grading.buying.pure.pooling import Beginning, Floats, Likeness, Observed, Pooled, learn

Ints = np.typing.NDArray[np.int64]

# On the angle's scale a standard deviation of 0.1 is about 10 in 100 near a half. The bounds are common practice, no
# source: from lots that hardly differ to a supplier whose goods are all sound beside one whose goods are all scrap.
GROUPINGS = (
    Likeness("supplier", 0.3),
    Likeness("condition", 0.3),
    Likeness("type", 0.2),
    Likeness("lot", 0.2),
    Likeness("line", 0.2),
)
# A share that is anything from 0 to 1 alike has an angle of mean pi/4 and variance pi^2/16 - 1/2.
BEGINNING = Beginning(pi / 4, sqrt(pi * pi / 16 - 0.5))
# Goods that are sound are good throughout: of how far one stage lies from what is expected, this much is common to all.
# Common practice, no source; independent stages made the intervals of proceeds too narrow on invented shops.
IN_COMMON = 0.5
NEW = "new"  # the lot that the offer would become


class PastLine(NamedTuple):
    """A line of an earlier lot: of the pieces that are `known`, so many of each grade that may be sold, best first."""

    supplier: Hashable
    condition: str
    type: Hashable
    lot: Hashable
    line: Hashable
    known: int
    by_grade: tuple[int, ...]

    @property
    def usable(self) -> int:
        return sum(self.by_grade)


class WantedLine(NamedTuple):
    """A line of an offer."""

    condition: str
    type: Hashable
    pieces: int


class BetaShare(NamedTuple):
    """A share as a beta distribution."""

    alpha: float
    beta: float

    @property
    def mean(self) -> float:
        return self.alpha / (self.alpha + self.beta)


def angle(count: int, of: int) -> tuple[float, float]:
    """The share on Anscombe's scale, and its variance.

    >>> tuple(round(part, 6) for part in angle(9, 18))
    (0.785398, 0.013514)
    """
    return asin(sqrt((count + 0.375) / (of + 0.75))), 1 / (4 * of + 2)


def share_of(angles: Floats) -> Floats:
    return np.asarray(np.sin(np.clip(angles, 0, pi / 2)) ** 2, dtype=np.float64)


def as_beta(shares: Floats) -> BetaShare:
    """The beta distribution with the mean and variance of these draws.

    A. Gelman and others, Bayesian Data Analysis, 3rd edition, section 5.1, equation (5.2) as we number the moments:
    alpha + beta = mean (1 - mean) / variance - 1 (from memory).
    """
    mean = float(np.clip(shares.mean(), 1e-6, 1 - 1e-6))
    size = max(mean * (1 - mean) / max(float(shares.var()), 1e-9) - 1, 1e-3)
    return BetaShare(mean * size, (1 - mean) * size)


@dataclass(frozen=True)
class Yields:
    """What was learnt of every stage: usable of known, then grade after grade of what is left."""

    stages: tuple[Pooled, ...]

    def draw(
        self, rng: np.random.Generator, draws: int, supplier: Hashable, lines: Sequence[WantedLine]
    ) -> tuple[Floats, Ints]:
        """Usable shares, and pieces by grade: draw by line, and draw by line by grade."""
        wanted = [(supplier, one.condition, one.type, NEW, (NEW, place)) for place, one in enumerate(lines)]
        pieces = np.array([one.pieces for one in lines], dtype=np.int64)
        common = rng.standard_normal((draws, len(lines)))

        def shares(stage: Pooled) -> Floats:
            own = rng.standard_normal(common.shape)
            return share_of(stage.draw(rng, sqrt(IN_COMMON) * common + sqrt(1 - IN_COMMON) * own, wanted))

        usable = shares(self.stages[0])
        left = rng.binomial(pieces, usable)
        counts = np.empty((draws, len(lines), len(self.stages)), dtype=np.int64)
        for place, stage in enumerate(self.stages[1:]):
            counts[:, :, place] = rng.binomial(left, shares(stage))
            left = left - counts[:, :, place]
        counts[:, :, -1] = left
        return usable, counts


def learn_yields(past: Sequence[PastLine], grades: int) -> Yields:
    """From lines with something known; the last stage has nothing left to share out."""
    stages = []
    left = [(one, one.known, one.usable) for one in past]
    for place in range(grades):
        seen = [_observed(one, of, count) for one, of, count in left if of]
        stages.append(learn(seen, GROUPINGS, BEGINNING))
        left = [(one, one.usable - sum(one.by_grade[:place]), one.by_grade[place]) for one in past]
    return Yields(tuple(stages))


def _observed(one: PastLine, of: int, count: int) -> Observed:
    value, variance = angle(count, of)
    return Observed(value, variance, (one.supplier, one.condition, one.type, one.lot, one.line))
