"""How much of what was bought turned out usable, with an interval that widens when the count is small.

The interval is Wilson's (E. B. Wilson, 1927, from memory), in the form printed at influentialpoints.com,
notes/u6cnfpf4: with p = x / n, q = 1 - p and z the normal quantile of 1 - alpha / 2,

    ( p + z^2 / 2n  -+  z sqrt( p q / n + z^2 / 4n^2 ) )  /  ( 1 + z^2 / n ).

It stays within 0 and 1, says something even when nothing or everything was usable, and narrows as about one
over the root of the count. It speaks of the supplier's further goods as if they came from the same source at
random, which job lots need not do.
"""

from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Decimal
from math import sqrt
from statistics import NormalDist
from typing import NamedTuple


class YieldError(ValueError):
    """Counts that cannot be."""


class Yield(NamedTuple):
    """`usable` of `received` pieces; `share` is None while nothing was received. `low` and `high` bound the
    share."""

    usable: int
    received: int
    share: float | None
    low: float
    high: float
    confidence: float

    def agrees_with(self, expected_share: float) -> bool:
        """Whether the expected share lies within the interval: if so, the count is too small to say
        otherwise."""
        return self.low <= expected_share <= self.high


class UnitCost(NamedTuple):
    """Cost per usable piece. None stands for no usable piece; `high` is None where the share may be nothing
    at all."""

    each: Decimal | None
    low: Decimal | None
    high: Decimal | None


def wilson(count: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """The two-sided Wilson score interval for the share of which `count` were seen among `of`.

    With nothing seen at all it is (0, 1).

    Raises:
        YieldError: counts that cannot be, or a confidence that is not between 0 and 1.
    """
    if not 0 <= count <= of:
        raise YieldError(f"{count} usable of {of} received cannot be.")
    if not 0 < confidence < 1:
        raise YieldError(f"A confidence of {confidence} is not between 0 and 1.")
    if of == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    p = count / of
    centre = p + z * z / (2 * of)
    reach = z * sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    scale = 1 + z * z / of
    # At the ends the formula gives 0 and 1 exactly; rounding may miss them.
    low = 0.0 if count == 0 else (centre - reach) / scale
    high = 1.0 if count == of else (centre + reach) / scale
    return low, high


def usable_yield(usable: int, received: int, confidence: float = 0.95) -> Yield:
    """The usable share of what was received, with its interval.

    Raises:
        YieldError: as in `wilson`.
    """
    low, high = wilson(usable, received, confidence)
    share = usable / received if received else None
    return Yield(usable, received, share, low, high, confidence)


def by_grade(counts: Mapping[str, int], received: int, confidence: float = 0.95) -> dict[str, Yield]:
    """The share of each grade among what was received, in the order given. Each interval stands for itself.

    Raises:
        YieldError: more graded than received, or as in `wilson`.
    """
    if sum(counts.values()) > received:
        raise YieldError(f"{sum(counts.values())} graded pieces are more than the {received} received.")
    return {grade: usable_yield(count, received, confidence) for grade, count in counts.items()}


def cost_per_usable(cost: Decimal, result: Yield, exponent: int = 2) -> UnitCost:
    """Cost per usable piece, rounded to the minor unit, and the range that the yield's interval leaves open.

    Args:
        cost: what the received pieces cost together, in major units; not negative.
        exponent: decimal places of the currency.

    Raises:
        YieldError: a negative cost.
    """
    if cost < 0:
        raise YieldError("The cost of what was received cannot be negative.")

    def each(share: float | None) -> Decimal | None:
        if not share or not result.received:
            return None
        return (cost / (Decimal(share) * result.received)).quantize(Decimal(1).scaleb(-exponent), ROUND_HALF_EVEN)

    return UnitCost(each(result.share), each(result.high), each(result.low))
