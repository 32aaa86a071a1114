"""Means of groups that borrow from one another: the fewer its own figures, the nearer a group stays to the rest.

The model, for figure j of the history, with e_j's variance v_j known:

    y_j = m + u(supplier of j) + u(condition of j) + … + e_j,    u ~ N(0, s²) with an s for each grouping,

and m itself normal about a wide beginning. Given the s, everything is jointly normal, and what is said of a figure to
come is its conditional mean and variance: the best linear unbiased prediction (G. K. Robinson, "That BLUP is a good
thing", Statistical Science 6 (1991) 15-32, from memory), which for one grouping of equal variances shrinks as Efron and
Morris do (tests/outside/test_buying_statistics.py holds it to their example).

The s are not known either. Each is held to be anything up to its bound alike (A. Gelman, "Prior distributions for
variance parameters in hierarchical models", Bayesian Analysis 1 (2006) 515-533, from memory), and tried at fixed
points; a point counts as probable as it makes the history. Half of the points are spread evenly, the other half about
where those found the history probable, and all are weighed as drawn from the mixture of both (the balance heuristic of
importance sampling; E. Veach and L. Guibas, SIGGRAPH 1995, from memory). So few lots leave s open, and the answer wide.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import log, pi
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Key = tuple[Hashable, ...]

POINTS = 64  # of a half; a power of two, as Sobol's sequence asks
WIDENED = 1.5  # how much wider the second half is spread than the first found: common practice, no source
LEAST_SPREAD = 0.05  # of the second half, in parts of the bounds
NEGLIGIBLE = 1e-4  # a point this much less probable than the best is dropped
JITTER = 1e-9  # keeps a covariance whose lines are all but one another's copies from failing by rounding


class Likeness(NamedTuple):
    """One way in which figures are alike; its standard deviation lies below this."""

    name: str
    most: float


class Beginning(NamedTuple):
    """What is held of the mean before any figure is seen: normal, and wide."""

    mean: float
    sd: float


class Observed(NamedTuple):
    """A figure, the variance of its own error, and what it belongs to, grouping by grouping."""

    value: float
    variance: float
    key: Key


@lru_cache(maxsize=8)
def _even(dimensions: int, half: int) -> Floats:
    """Points spread evenly in the unit cube: the same on every machine and every day."""
    return np.asarray(qmc.Sobol(dimensions, scramble=True, rng=half).random(POINTS), dtype=np.float64)


@dataclass(frozen=True)
class Pooled:
    """What a history says: for each point its standard deviations, its probability and the solved system."""

    groupings: tuple[Likeness, ...]
    beginning: Beginning
    keys: Ints  # figure by grouping
    codes: tuple[dict[Hashable, int], ...]
    sds: Floats  # point by grouping
    weights: Floats
    inverses: Floats  # point by point, of the covariance of the history
    solved: Floats  # point by point, the inverse times (y - mean)

    @property
    def figures(self) -> int:
        return len(self.keys)

    def predict(self, wanted: Sequence[Key]) -> tuple[Floats, Floats]:
        """Means and covariances of the figures to come, point by point, before any error of their own."""
        new = self._encoded(wanted)
        cross = _covariance(self.sds, new, self.keys, self.beginning)
        means = self.beginning.mean + (cross @ self.solved[:, :, None])[:, :, 0]
        own = _covariance(self.sds, new, new, self.beginning)
        return means, own - cross @ self.inverses @ cross.transpose(0, 2, 1)

    def draw(self, rng: np.random.Generator, noise: Floats, wanted: Sequence[Key]) -> Floats:
        """Joint draws of the figures to come, one for each row of standard normal `noise`: first a point by its
        probability, then the normal."""
        means, covariances = self.predict(wanted)
        factors = np.linalg.cholesky(covariances + JITTER * np.eye(len(wanted)))
        chosen = rng.choice(len(self.weights), size=len(noise), p=self.weights)
        found = np.empty_like(noise)
        for point in np.unique(chosen):
            here = chosen == point
            found[here] = means[point] + noise[here] @ factors[point].T
        return found

    def _encoded(self, wanted: Sequence[Key]) -> Ints:
        """A name that the history does not know is one of its own, shared by all that bear it."""
        seen = [dict(codes) for codes in self.codes]
        return _encode(wanted, seen)


def _encode(keys: Sequence[Key], codes: Sequence[dict[Hashable, int]]) -> Ints:
    rows = [[codes[g].setdefault(part, len(codes[g])) for g, part in enumerate(key)] for key in keys]
    return np.array(rows, dtype=np.int64).reshape(len(keys), len(codes))


def _covariance(sds: Floats, some: Ints, others: Ints, beginning: Beginning) -> Floats:
    """Between figures of these keys, point by point: they share m, and the u of every grouping that they share."""
    alike = (some[:, None, :] == others[None, :, :]).astype(np.float64)
    shared = alike.reshape(-1, alike.shape[2]) @ (sds**2).T
    return np.asarray(beginning.sd**2 + shared.T.reshape(len(sds), len(some), len(others)), dtype=np.float64)


class BestShare(NamedTuple):
    """Point by point: the inverse covariance of the history, the inverse times (y - mean), and how probable the point
    makes the history."""

    inverses: Floats
    solved: Floats
    log_likelihood: Floats


def solve(sds: Floats, keys: Ints, away: Floats, errors: Floats, beginning: Beginning) -> BestShare:
    """For figures so far `away` from the beginning's mean, whose own errors have these variances."""
    covariance = _covariance(sds, keys, keys, beginning) + np.diag(errors)
    inverses = np.asarray(np.linalg.inv(covariance), dtype=np.float64)
    solved = (inverses @ away[:, None])[:, :, 0]
    logs = -(solved @ away + np.linalg.slogdet(covariance)[1] + len(keys) * log(2 * pi)) / 2
    return BestShare(inverses, solved, logs)


def learn(observed: Sequence[Observed], groupings: tuple[Likeness, ...], beginning: Beginning) -> Pooled:
    """Weigh the points by the history."""
    codes: tuple[dict[Hashable, int], ...] = tuple({} for _ in groupings)
    keys = _encode([one.key for one in observed], codes)
    away = np.array([one.value for one in observed]) - beginning.mean
    errors = np.array([one.variance for one in observed])
    bounds = np.array([one.most for one in groupings])
    first = _even(len(groupings), 1)
    evenly = solve(first * bounds, keys, away, errors, beginning)
    weights = _to_one(evenly.log_likelihood)
    centre = weights @ first
    spread = np.maximum(WIDENED * np.sqrt(weights @ (first - centre) ** 2), LEAST_SPREAD)
    low, high = ndtr(-centre / spread), ndtr((1 - centre) / spread)
    second = centre + spread * ndtri(low + _even(len(groupings), 2) * (high - low))
    nearby = solve(second * bounds, keys, away, errors, beginning)
    points = np.concatenate([first, second])
    normal = np.exp(-(((points - centre) / spread) ** 2) / 2) / (np.sqrt(2 * np.pi) * spread * (high - low))
    mixture = (1 + normal.prod(axis=1)) / 2  # the density with which the points of both halves were laid
    weights = _to_one(np.concatenate([evenly.log_likelihood, nearby.log_likelihood]) - np.log(mixture))
    kept = weights > NEGLIGIBLE * weights.max()
    return Pooled(
        groupings,
        beginning,
        keys,
        codes,
        (points * bounds)[kept],
        weights[kept] / weights[kept].sum(),
        np.concatenate([evenly.inverses, nearby.inverses])[kept],
        np.concatenate([evenly.solved, nearby.solved])[kept],
    )


def _to_one(logs: Floats) -> Floats:
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum(), dtype=np.float64)
