"""How far a set must keep within its tolerance so that it truly lies within it with a given probability.

The promise is of the whole set: every two of its valves in every quantity at once. In a set that keeps within its
box two valves can lie more than half the box apart in so many ways only as there are between two halves of the set
(Mantel's theorem: among k things no three of which are pairwise far apart at most k^2 / 4 pairs are); the others are
near. What may go wrong is shared out among these pairs and the quantities (Boole's inequality, Bonferroni's
allowance), so it does not matter how far the errors of two quantities go together. Where the tolerance is not wide
beside the uncertainty the near pairs count too and this is a little short: the last word is
``grading.metrology.conformity.whole_set_probability`` of the set as it is.
"""

from __future__ import annotations

from functools import lru_cache
from math import sqrt

from grading.metrology.distributions import t_quantile


def guard_for(
    relative_u: float, size: int, probability: float, quantities: int = 1, degrees_of_freedom: float = float("inf")
) -> float:
    """Half of what two equally known valves of a set must keep clear of the tolerance, as a difference of logarithms.

    ``relative_u`` is the relative standard uncertainty of what is not common to the set, with its degrees of freedom
    (the t-distribution then takes the place of the normal). ``probability`` is the whole set's; one half takes the
    readings as they stand.

    >>> round(guard_for(0.004, 2, 0.95), 5)
    0.00465
    >>> round(guard_for(0.004, 4, 0.95, quantities=2, degrees_of_freedom=9), 5)
    0.0088
    """
    if probability <= 0.5 or relative_u == 0:
        return 0.0
    return _quantile(size, probability, quantities, degrees_of_freedom) * relative_u / sqrt(2)


@lru_cache(maxsize=256)
def _quantile(size: int, probability: float, quantities: int, degrees_of_freedom: float) -> float:
    pairs = (size // 2) * (size - size // 2)
    share = 1 - (1 - probability) / (pairs * quantities)
    return t_quantile(share, degrees_of_freedom)
