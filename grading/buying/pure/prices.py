"""What a valve of a type and grade brings, from what the shop's own brought.

The logarithms of prices are pooled as yields are (`pooling`): a grade that a type never sold in leans on what that
grade is worth beside the others elsewhere in the shop. A type of which nothing was ever sold has no price here: a
number for it would be made of nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import log, sqrt
from typing import NamedTuple

import numpy as np

from grading.buying.pure.pooling import Beginning, Floats, Likeness, Observed, Pooled, learn

# On the scale of logarithms: 0.1 is about a tenth of the price. Bounds are common practice, no source.
GROUPINGS = (Likeness("grade", 1.0), Likeness("type", 2.0), Likeness("type and grade", 0.4))
WIDE = 3.0
USUAL_SCATTER, USUAL_WEIGHT = (
    0.15,
    3,
)  # of one price about its mean, counted as three prices: common practice, no source
SURE_WITHIN = 0.25  # how far such a price may be from what comes: common practice, no source
LEAST_PRICE = 1e-6


class PriceSeen(NamedTuple):
    """One good valve was sold; `grade` counts from 0, the best."""

    type: Hashable
    grade: int
    price: float


class Quoted(NamedTuple):
    """Prices by grade that do not come from sales: those of the shop's price book, or the owner's for this line."""

    by_grade: tuple[float, ...]
    scatter: float = SURE_WITHIN


@dataclass(frozen=True)
class Prices:
    pooled: Pooled
    scatter: float
    sold: Mapping[Hashable, int]

    def knows(self, type_: Hashable) -> bool:
        return bool(self.sold.get(type_))

    def draw(self, rng: np.random.Generator, draws: int, types: Sequence[Hashable], grades: int) -> Floats:
        """The mean price that pieces of each type and grade would bring: draw by type by grade.

        A single piece scatters about it by `scatter`.
        """
        wanted = [(grade, type_, (type_, grade)) for type_ in types for grade in range(grades)]
        noise = rng.standard_normal((draws, len(wanted)))
        logs = self.pooled.draw(rng, noise, wanted).reshape(draws, len(types), grades)
        # The mean of a lognormal is above its median.
        return np.asarray(np.exp(logs + self.scatter**2 / 2), dtype=np.float64)


def learn_prices(seen: Iterable[PriceSeen]) -> Prices:
    cells: defaultdict[tuple[Hashable, int], list[float]] = defaultdict(list)
    sold: defaultdict[Hashable, int] = defaultdict(int)
    for one in seen:
        cells[one.type, one.grade].append(log(max(one.price, LEAST_PRICE)))
        sold[one.type] += 1
    scatter = _scatter(list(cells.values()))
    observed = [
        Observed(float(np.mean(logs)), scatter**2 / len(logs), (grade, type_, (type_, grade)))
        for (type_, grade), logs in cells.items()
    ]
    middle = float(np.mean([one.value for one in observed])) if observed else 0.0
    return Prices(learn(observed, GROUPINGS, Beginning(middle, WIDE)), scatter, dict(sold))


def _scatter(cells: Sequence[Sequence[float]]) -> float:
    """Of single prices about the mean of their type and grade, all types together."""
    squares = sum(float(np.var(logs)) * len(logs) for logs in cells)
    degrees = sum(len(logs) - 1 for logs in cells)
    return sqrt((squares + USUAL_WEIGHT * USUAL_SCATTER**2) / (degrees + USUAL_WEIGHT))
