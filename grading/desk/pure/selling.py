"""How fast a type sells, as far as few sales can say, and whether to buy more.

So many pieces sold in so many days are taken as a count of a Poisson process; its rate lies between the exact limits
of F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936), 437-442: the limits L and U at
which a count as high, or as low, as that seen has the probability of one tail. By the chi-squared distribution
L = ½ χ²(tail; 2n) and U = ½ χ²(1 - tail; 2n + 2). They hold the true rate at least as often as they say.

People who buy four at once make sales come in bunches, which a Poisson count does not know of: a quad is counted as
four sales, so the interval of what sells in sets is too narrow. The page says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from math import ceil, inf
from typing import NamedTuple

import numpy as np
from scipy.stats import chi2

CONFIDENCE = 0.8
MONTH_DAYS = 365.25 / 12


class RateLimits(NamedTuple):
    low: float
    high: float


def poisson_limits(counts: Sequence[int], confidence: float = CONFIDENCE) -> list[RateLimits]:
    """Of the mean behind each count.

    >>> [(round(low, 3), round(high, 3)) for low, high in poisson_limits([0, 3], 0.95)]
    [(0.0, 3.689), (0.619, 8.767)]
    """
    tail = (1 - confidence) / 2
    n = np.asarray(counts)
    lows = np.where(n > 0, chi2.ppf(tail, 2 * np.maximum(n, 1)) / 2, 0.0)
    highs = np.asarray(chi2.ppf(1 - tail, 2 * n + 2) / 2)
    return [RateLimits(low, high) for low, high in zip(lows.tolist(), highs.tolist(), strict=True)]


class BuyingCall(StrEnum):
    BUY = "buy"
    MAY_RUN_OUT = "may run out"
    ENOUGH = "enough"
    SLOW = "slow"


class Sells(NamedTuple):
    """Of a type: pieces wanted in `days`, those that could not be had with them, and what is on hand."""

    wanted: int
    days: int
    on_hand: int
    limits: RateLimits  # of `wanted`

    @property
    def each_month(self) -> RateLimits:
        scale = MONTH_DAYS / self.days
        return RateLimits(self.limits.low * scale, self.limits.high * scale)

    @property
    def lasts_days(self) -> RateLimits:
        """How long what is on hand lasts, at the high rate and at the low one."""
        if not self.on_hand:
            return RateLimits(0.0, 0.0)
        low, high = (inf if not rate else self.on_hand * self.days / rate for rate in reversed(self.limits))
        return RateLimits(low, high)

    def in_time(self, days: float) -> RateLimits:
        """What will be wanted in that many days, by the rate's limits alone."""
        return RateLimits(self.limits.low * days / self.days, self.limits.high * days / self.days)

    def call(self, restock_days: int, slow_days: int) -> BuyingCall:
        """Buy where even the low rate empties the shelf before more can be here; slow where even the high rate leaves
        some after `slow_days`."""
        low, high = self.in_time(restock_days)
        if self.wanted and self.on_hand <= low:
            return BuyingCall.BUY
        if self.wanted and self.on_hand < high:
            return BuyingCall.MAY_RUN_OUT
        return BuyingCall.SLOW if self.lasts_days.low > slow_days else BuyingCall.ENOUGH

    def to_buy(self, restock_days: int, cover_days: int) -> tuple[int, int]:
        """Pieces that cover the time until they come and `cover_days` after, at the low rate and at the high one."""
        low, high = (max(ceil(need - self.on_hand), 0) for need in self.in_time(restock_days + cover_days))
        return low, high


def sells(rows: Sequence[tuple[int, int]], days: int, confidence: float = CONFIDENCE) -> list[Sells]:
    """Of (wanted, on hand) in so many days, at least one."""
    limits = poisson_limits([wanted for wanted, _ in rows], confidence) if rows else []
    return [Sells(wanted, days, on_hand, one) for (wanted, on_hand), one in zip(rows, limits, strict=True)]
