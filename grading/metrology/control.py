"""Control charts for the reference valves of a start-of-shift check.

What it offers
--------------
    :func:`individuals_chart`  centre line and limits from a baseline of single readings
    :func:`moving_ranges`      the moving range chart's points
    :func:`ewma`               the exponentially weighted moving average, for slow drift
    :func:`run_rules`          which of the usual run rules a series breaks, and where
    :func:`assess`             all of these at once: in control or not, and the last good check

Follows
-------
Individuals and moving range: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; EWMA: 6.3.2.4 (their
worked examples were read at second hand, the pages themselves are from memory).
Run rules: the four zone rules of the "Statistical Quality Control Handbook", 1956, as the e-Handbook's 6.3.2
lists them, with its two trend rules (from memory; the four were also read at second hand); tests 7 and 8, for
stratification and mixture, are those of L. S. Nelson, Journal of Quality Technology 16(4), 1984 (from
memory).
"""

from collections.abc import Sequence
from itertools import pairwise
from math import fsum, sqrt
from typing import NamedTuple

# For moving ranges of two (from memory; e-Handbook 6.3.2.2 uses both).
D2 = 1.128
D4 = 3.267


class IndividualsChart(NamedTuple):
    """The individuals and moving range charts' lines."""

    centre: float
    standard_deviation: float
    lower_control_limit: float
    upper_control_limit: float
    mean_moving_range: float
    moving_range_upper_limit: float
    size: int


class EwmaPoint(NamedTuple):
    """One point of the EWMA chart."""

    value: float
    lower_control_limit: float
    upper_control_limit: float

    @property
    def out(self) -> bool:
        """Whether the point lies outside its limits."""
        return not self.lower_control_limit <= self.value <= self.upper_control_limit


class ChartRule(NamedTuple):
    """A run rule: its key, what it says, and whose it is."""

    key: str
    statement: str
    source: str


class Signal(NamedTuple):
    """A rule broken by the points ``first`` to ``last`` (positions in the series, both included)."""

    rule: ChartRule
    first: int
    last: int


class ChartAssessment(NamedTuple):
    """The state of a tester by its checks.

    ``last_good`` is the position of the last check before the first point that takes part in any signal: the
    readings taken since are for review. None when no check came before it.
    """

    in_control: bool
    signals: tuple[Signal, ...]
    last_good: int | None
    ewma: tuple[EwmaPoint, ...]
    moving_ranges: tuple[float, ...]


_ZONES = "Statistical Quality Control Handbook, 1956"
_HANDBOOK = "NIST/SEMATECH e-Handbook, 6.3.2"
_NELSON = "Nelson, 1984"

BEYOND_3 = ChartRule("1", "one point beyond 3 sigma", _ZONES)
TWO_OF_THREE = ChartRule("2", "2 of 3 points beyond 2 sigma on one side", _ZONES)
FOUR_OF_FIVE = ChartRule("3", "4 of 5 points beyond 1 sigma on one side", _ZONES)
EIGHT_ON_ONE_SIDE = ChartRule("4", "8 points in a row on one side of the centre line", _ZONES)
SIX_TRENDING = ChartRule("5", "6 points in a row rising, or falling", _HANDBOOK)
FOURTEEN_ALTERNATING = ChartRule("6", "14 points in a row alternating up and down", _HANDBOOK)
FIFTEEN_WITHIN_1 = ChartRule("7", "15 points in a row within 1 sigma", _NELSON)
EIGHT_BEYOND_1 = ChartRule("8", "8 points in a row beyond 1 sigma, on either side", _NELSON)

ZONE_RULES = (BEYOND_3, TWO_OF_THREE, FOUR_OF_FIVE, EIGHT_ON_ONE_SIDE)
ALL_RULES = (*ZONE_RULES, SIX_TRENDING, FOURTEEN_ALTERNATING, FIFTEEN_WITHIN_1, EIGHT_BEYOND_1)

EWMA_OUT = ChartRule("EWMA", "the weighted average is outside its limits", "NIST/SEMATECH e-Handbook, 6.3.2.4")
RANGE_OUT = ChartRule("MR", "the moving range is above its limit", "NIST/SEMATECH e-Handbook, 6.3.2.2")


def moving_ranges(values: Sequence[float]) -> tuple[float, ...]:
    """|x_i - x_i-1|, one fewer than the values."""
    return tuple(abs(b - a) for a, b in pairwise(values))


def individuals_chart(baseline: Sequence[float]) -> IndividualsChart:
    """Lines from a baseline: centre +/- 3 MR / 1.128, and 3.267 MR for the moving range.

    Raises ValueError for fewer than two readings, or when none differ (the display is then too coarse to
    chart).
    """
    if len(baseline) < 2:
        raise ValueError("A chart needs a baseline of two readings at least.")
    centre = fsum(baseline) / len(baseline)
    ranges = moving_ranges(baseline)
    mean_range = fsum(ranges) / len(ranges)
    if mean_range <= 0:
        raise ValueError("All the baseline's readings agree: the display is too coarse to chart.")
    sigma = mean_range / D2
    return IndividualsChart(
        centre,
        sigma,
        centre - 3 * sigma,
        centre + 3 * sigma,
        mean_range,
        D4 * mean_range,
        len(baseline),
    )


def ewma(
    values: Sequence[float],
    centre: float,
    standard_deviation: float,
    *,
    weight: float = 0.2,
    width: float = 3.0,
    settled_limits: bool = False,
) -> tuple[EwmaPoint, ...]:
    """EWMA_t = weight * Y_t + (1 - weight) * EWMA_t-1, starting from the centre.

    The limits are centre +/- width * s * sqrt(weight / (2 - weight)), narrower for the first points by
    sqrt(1 - (1 - weight)^(2t)) unless ``settled_limits``. Weights of 0.2 to 0.3 are usual (e-Handbook).
    """
    if not 0 < weight <= 1:
        raise ValueError("The weight lies above 0 and is at most 1.")
    if not standard_deviation > 0:
        raise ValueError("The standard deviation must be positive.")
    points = []
    average = centre
    far = width * standard_deviation * sqrt(weight / (2 - weight))
    for t, value in enumerate(values, start=1):
        average = weight * value + (1 - weight) * average
        reach = far if settled_limits else far * sqrt(1 - (1 - weight) ** (2 * t))
        points.append(EwmaPoint(average, centre - reach, centre + reach))
    return tuple(points)


def run_rules(
    values: Sequence[float],
    centre: float,
    standard_deviation: float,
    rules: Sequence[ChartRule] = ZONE_RULES,
) -> tuple[Signal, ...]:
    """Every place where one of ``rules`` is broken, in the order the points came.

    A point on a line is not beyond it. A run that goes on is signalled at each further point.
    """
    if not standard_deviation > 0:
        raise ValueError("The standard deviation must be positive.")
    z = [(value - centre) / standard_deviation for value in values]
    signals = []
    for last in range(len(z)):
        for rule in rules:
            length = _LENGTHS[rule.key]
            if last + 1 < length:
                continue
            window = z[last + 1 - length : last + 1]
            if _broken(rule, window):
                signals.append(Signal(rule, last + 1 - length, last))
    return tuple(signals)


def assess(
    values: Sequence[float],
    chart: IndividualsChart,
    *,
    rules: Sequence[ChartRule] = ZONE_RULES,
    weight: float = 0.2,
    width: float = 3.0,
    judge_ranges: bool = True,
) -> ChartAssessment:
    """Judge the checks since the chart's lines were set: run rules, moving range and EWMA.

    ``width`` is how many sigma the EWMA's limits are wide, and what the rules call three sigma.

    A drift that the EWMA finds has been going on for a while: its signal reaches back to where the average
    last left the centre line (a cautious rule of ours, no source).
    """
    ranges = moving_ranges(values)
    points = ewma(values, chart.centre, chart.standard_deviation, weight=weight, width=width)
    signals = list(run_rules(values, chart.centre, chart.standard_deviation * width / 3, rules))
    if judge_ranges:
        signals += [Signal(RANGE_OUT, i, i + 1) for i, mr in enumerate(ranges) if mr > chart.moving_range_upper_limit]
    signals += [
        Signal(EWMA_OUT, _left_centre(points, i, chart.centre), i) for i, point in enumerate(points) if point.out
    ]
    signals.sort(key=lambda signal: (signal.last, signal.first))
    last_good: int | None = None
    if signals:
        before = min(signal.first for signal in signals) - 1
        last_good = before if before >= 0 else None
    elif values:
        last_good = len(values) - 1
    return ChartAssessment(not signals, tuple(signals), last_good, points, ranges)


def _left_centre(points: Sequence[EwmaPoint], at: int, centre: float) -> int:
    """The first of the points up to ``at`` whose average has stayed on the same side of the centre."""
    side = points[at].value - centre
    first = at
    while first > 0 and (points[first - 1].value - centre) * side > 0:
        first -= 1
    return first


_LENGTHS = {"1": 1, "2": 3, "3": 5, "4": 8, "5": 6, "6": 14, "7": 15, "8": 8}


def _broken(rule: ChartRule, z: Sequence[float]) -> bool:
    """Whether the window ``z``, of the rule's length and in units of sigma, breaks the rule at its end."""
    if rule.key == "1":
        return abs(z[0]) > 3
    if rule.key in ("2", "3"):
        line, needed = (2, 2) if rule.key == "2" else (1, 4)
        side = 1 if z[-1] > 0 else -1
        # The last point must be one of them, or the run was signalled already.
        return side * z[-1] > line and sum(side * point > line for point in z) >= needed
    if rule.key == "4":
        return all(point > 0 for point in z) or all(point < 0 for point in z)
    if rule.key == "5":
        return all(b > a for a, b in pairwise(z)) or all(b < a for a, b in pairwise(z))
    if rule.key == "6":
        steps = [b - a for a, b in pairwise(z)]
        return all(a * b < 0 for a, b in pairwise(steps))
    if rule.key == "7":
        return all(abs(point) < 1 for point in z)
    return all(abs(point) > 1 for point in z)
