"""How fast a type sells: sales come as a Poisson process, at a rate that differs from type to type as a gamma does.

The rate of a type that sold k times in t years, the rates of all types being gamma with shape a and mean m:

    rate | k ~ gamma(a + k, rate a/m + t)

so that a type with little history is pulled to the mean of the shop's types, and the count of its sales is negative
binomial (M. Greenwood and G. U. Yule, Journal of the Royal Statistical Society 83 (1920) 255-279, from memory; checked
against scipy.stats.nbinom in tests/outside/). m is the sales of all types over the years of all; a is tried at fixed
points, each as probable as it makes the sales. People buy one, a pair or a quad at once, so pieces scatter more than a
Poisson count: an order of q pieces counts as q of them, in sales of

    d = sum of q² / sum of q

pieces each, which gives the pieces their mean and their variance (the index of dispersion of a compound Poisson count).
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import gammaln

from grading.buying.pure.pooling import Floats

SHAPES = np.geomspace(0.2, 8.0, 16)


class TypeSold(NamedTuple):
    """Orders of a type, each by its pieces, in the years in which it could be had."""

    type: Hashable
    orders: tuple[int, ...]
    years: float

    @property
    def pieces(self) -> int:
        return sum(self.orders)


@dataclass(frozen=True)
class DemandRates:
    mean: float  # sales a year of a type
    weights: Floats  # of `SHAPES`
    pieces_each: float  # d
    sold: Mapping[Hashable, TypeSold]

    def pieces_a_year(self, type_: Hashable) -> float:
        """The mean of what is held of the type's pieces a year."""
        one = self.sold.get(type_, TypeSold(None, (), 0.0))
        means = (SHAPES + one.pieces / self.pieces_each) / (SHAPES / self.mean + one.years)
        return float(self.weights @ means) * self.pieces_each

    def draw(self, rng: np.random.Generator, draws: int, types: Sequence[Hashable]) -> Floats:
        """Sales a year: draw by type."""
        shape = rng.choice(SHAPES, size=(draws, 1), p=self.weights)
        none = TypeSold(None, (), 0.0)
        sales = np.array([self.sold.get(one, none).pieces for one in types]) / self.pieces_each
        years = np.array([self.sold.get(one, none).years for one in types])
        return np.asarray(rng.gamma(shape + sales) / (shape / self.mean + years), dtype=np.float64)


def log_negative_binomial(sales: Floats, years: Floats, shape: float, mean: float) -> Floats:
    """The log probability of so many sales in so many years, the rate being gamma with this shape and mean."""
    rate = shape / mean
    return np.asarray(
        gammaln(shape + sales)
        - gammaln(shape)
        - gammaln(sales + 1)
        + shape * np.log(rate / (rate + years))
        + sales * np.log(years / (rate + years)),
        dtype=np.float64,
    )


def learn_demand(sold: Sequence[TypeSold]) -> DemandRates | None:
    """None where nothing was ever sold, for then nothing is known of how fast things sell."""
    known = [one for one in sold if one.years > 0]
    orders = [pieces for one in known for pieces in one.orders]
    if not orders:
        return None
    each = sum(pieces**2 for pieces in orders) / sum(orders)
    sales = np.array([one.pieces for one in known]) / each
    years = np.array([one.years for one in known])
    mean = float(sales.sum() / years.sum())
    found = np.array([log_negative_binomial(sales, years, shape, mean).sum() for shape in SHAPES])
    weights = np.exp(found - found.max())
    return DemandRates(mean, weights / weights.sum(), each, {one.type: one for one in known})
