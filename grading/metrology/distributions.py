"""Distribution functions and quantiles, straight from `scipy.special`.

`scipy.stats` says the same numbers through a frame that checks and broadcasts, forty times as dear for a single number;
grading asks for thousands. That they agree to 1e-12 is a test (`tests/metrology/test_distributions.py`). With infinite
degrees of freedom Student's t is the normal distribution.
"""

from __future__ import annotations

from functools import lru_cache
from math import isinf
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray
from scipy import special

Numbers = TypeVar("Numbers", float, NDArray[np.float64])


def t_cdf(t: float, degrees_of_freedom: float) -> float:
    """
    >>> t_cdf(0.0, 9), round(t_cdf(1.833112933, 9), 9)
    (0.5, 0.95)
    """
    return float(special.ndtr(t) if isinf(degrees_of_freedom) else special.stdtr(degrees_of_freedom, t))


def t_quantile(probability: float, degrees_of_freedom: float) -> float:
    """
    >>> round(t_quantile(0.975, 10), 6), round(t_quantile(0.975, float("inf")), 6)
    (2.228139, 1.959964)
    """
    if isinf(degrees_of_freedom):
        return float(special.ndtri(probability))
    return float(special.stdtrit(degrees_of_freedom, probability))


def chi_squared_quantile(probability: Numbers, degrees_of_freedom: float) -> Numbers:
    """
    >>> round(float(chi_squared_quantile(0.95, 4)), 6)
    9.487729
    """
    return cast(Numbers, 2 * special.gammaincinv(degrees_of_freedom / 2, probability))


def f_quantile(probability: float, numerator: float, denominator: float) -> float:
    """
    >>> round(f_quantile(0.95, 3, 20), 6)
    3.098391
    """
    return float(special.fdtri(numerator, denominator, probability))


def f_tail(f: float, numerator: float, denominator: float) -> float:
    """The probability of more than `f`.

    >>> round(f_tail(3.098391, 3, 20), 6)
    0.05
    """
    return float(special.fdtrc(numerator, denominator, f))


@lru_cache(maxsize=1024)
def studentised_range_quantile(probability: float, size: int, degrees_of_freedom: float) -> float:
    """Of the range of so many normal values, in standard deviations as estimated: the one that has no short cut.

    >>> round(studentised_range_quantile(0.95, 4, 20), 2)
    3.96
    """
    from scipy import stats  # here, for it takes as long to load as half of all the others

    return float(stats.studentized_range.ppf(probability, size, degrees_of_freedom))
