"""Readings of one valve taken as a short series while it warms up: which value to use, and is it drifting.

What it offers
--------------
    :func:`settle`  the settled value of a series, when it settled, and whether it drifts

The rule
--------
A valve is settled when its last ``window`` readings (four unless said otherwise) change by no more than the
tester can see: the least-squares line through them rises or falls over the window by at most ``tolerance``. A
slow drift hides in a short window, so where there are twice as many readings, a line through the last two
windows that changes by more, with a significant slope (two-sided t-test, 5 %), is drift as well, provided the
last window still goes on at half that slope or more: the tail of a warm-up does not.
The value used is the mean of every reading since the series settled: going back from the last window, as far
as the line through them all still changes by no more than the tolerance. A valve whose last window does not
pass is not settled; it drifts when that window's slope is significant, otherwise it is merely unsteady.
The rule and the default tolerance (twice the standard deviation of the difference of two readings) are ours,
no source; the slope and its standard error are those of any textbook on linear regression.
"""

from collections.abc import Sequence
from enum import Enum
from itertools import pairwise
from math import fsum, isfinite, sqrt
from typing import NamedTuple

from grading.metrology.distributions import t_cdf

WINDOW = 4
SIGNIFICANCE = 0.05


class Stability(Enum):
    """What a series shows of a valve."""

    SETTLED = "settled"
    DRIFTING = "drifting"
    UNSTEADY = "unsteady"
    TOO_SHORT = "too short to tell"


class Slope(NamedTuple):
    """A least-squares line: its slope per minute, the standard error, and the p-value of no slope."""

    per_minute: float
    standard_error: float
    p_value: float


class Settled(NamedTuple):
    """The outcome of a series.

    ``value`` is the settled value, or the mean of the last window when there is none, with
    ``standard_uncertainty`` and ``degrees_of_freedom`` from the scatter of the readings it is the mean of.
    ``used_from`` is the position of the first reading used. ``slope`` and ``change`` are of the line the
    verdict rests on.
    """

    stability: Stability
    value: float
    standard_uncertainty: float
    degrees_of_freedom: int
    used_from: int
    settled_after_s: float | None
    slope: Slope | None
    change: float
    tolerance: float
    rule: str

    @property
    def drifting(self) -> bool:
        """Whether the valve is to be flagged as drifting."""
        return self.stability is Stability.DRIFTING


def settle(
    times_s: Sequence[float],
    values: Sequence[float],
    *,
    repeatability_sd: float,
    tolerance: float | None = None,
    window: int = WINDOW,
) -> Settled:
    """Apply the rule above to readings ``values`` at ``times_s`` seconds, in the order taken.

    ``tolerance`` is in the unit of the values; by default 2 sqrt(2) ``repeatability_sd``. Raises ValueError
    for times that do not rise, unequal lengths, an empty series, or a window of fewer than three.
    """
    if len(times_s) != len(values) or not values:
        raise ValueError("Each reading needs its time, and there must be one at least.")
    if any(b <= a for a, b in pairwise(times_s)):
        raise ValueError("The times must rise.")
    if window < 3:
        raise ValueError("A window has three readings at least.")
    if not all(isfinite(value) for value in values):
        raise ValueError("A reading is not a number.")
    if not repeatability_sd > 0 and tolerance is None:
        raise ValueError("Without a repeatability a tolerance is needed.")
    allowed = 2 * sqrt(2) * repeatability_sd if tolerance is None else tolerance
    if not allowed > 0:
        raise ValueError("The tolerance must be positive.")
    rule = f"mean of the last readings, {window} at least, whose fitted line changes by {allowed:.3g} at most"
    n = len(values)
    if n < window:
        value, u, degrees = _mean(values)
        return Settled(Stability.TOO_SHORT, value, u, degrees, 0, None, None, values[-1] - values[0], allowed, rule)

    start = n - window
    slope, change = _line(times_s[start:], values[start:])
    stability = Stability.SETTLED
    if abs(change) > allowed:
        stability = Stability.DRIFTING if slope.p_value < SIGNIFICANCE else Stability.UNSTEADY
    elif n >= 2 * window:
        longer, longer_change = _line(times_s[-2 * window :], values[-2 * window :])
        goes_on = slope.per_minute * longer.per_minute >= longer.per_minute**2 / 2
        if abs(longer_change) > allowed and longer.p_value < SIGNIFICANCE and goes_on:
            stability, slope, change = Stability.DRIFTING, longer, longer_change
    if stability is not Stability.SETTLED:
        value, u, degrees = _mean(values[start:])
        return Settled(stability, value, u, degrees, start, None, slope, change, allowed, rule)

    first = start
    while first > 0 and abs(_line(times_s[first - 1 :], values[first - 1 :])[1]) <= allowed:
        first -= 1
    value, u, degrees = _mean(values[first:])
    return Settled(stability, value, u, degrees, first, times_s[first], slope, change, allowed, rule)


def _mean(values: Sequence[float]) -> tuple[float, float, int]:
    """Mean, its standard uncertainty (JCGM 100, 4.2.3) and degrees of freedom; a single reading has none."""
    n = len(values)
    mean = fsum(values) / n
    if n < 2:
        return mean, float("nan"), 0
    variance = fsum((value - mean) ** 2 for value in values) / (n - 1)
    return mean, sqrt(variance / n), n - 1


def _line(times_s: Sequence[float], values: Sequence[float]) -> tuple[Slope, float]:
    """The least-squares line, and how far it rises from the first time to the last."""
    n = len(times_s)
    t_mean, y_mean = fsum(times_s) / n, fsum(values) / n
    s_tt = fsum((t - t_mean) ** 2 for t in times_s)
    s_ty = fsum((t - t_mean) * (y - y_mean) for t, y in zip(times_s, values, strict=True))
    slope = s_ty / s_tt
    residual = fsum((y - y_mean - slope * (t - t_mean)) ** 2 for t, y in zip(times_s, values, strict=True))
    error = sqrt(residual / (n - 2) / s_tt)
    without_scatter = 1.0 if slope == 0 else 0.0
    p_value = 2 * t_cdf(-abs(slope) / error, n - 2) if error > 0 else without_scatter
    return Slope(60 * slope, 60 * error, p_value), slope * (times_s[-1] - times_s[0])
