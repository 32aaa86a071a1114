"""Repeatability and reproducibility of a tester, by the analysis of variance.

What it offers
--------------
    :func:`summary`              mean, standard deviation and lag-1 autocorrelation of a series
    :func:`one_way`              analysis of variance of grouped readings
    :func:`summarised_groups`    the same from each group's mean, standard deviation and size
    :func:`pooled_repeatability` repeatability from groups of repeats of any size
    :func:`crossed_study`        valves x operators x repeats: variance components, shares, intervals
    :func:`between_days`         what a tester differs by from one day to the next
    :func:`distinct_categories`  how many groups of valves the tester tells apart
    :func:`critical_range`       how far repeats may lie apart before they contradict each other
    :func:`modified_large_sample` the interval behind the variance components

Follows
-------
Model and expected mean squares: two random factors crossed, with interaction,
    y_ijk = mu + P_i + O_j + (PO)_ij + E_ijk,
as in R. K. Burdick, C. M. Borror, D. C. Montgomery, "Design and Analysis of Gauge R&R Studies", ASA-SIAM
2005.
Intervals: repeatability by the exact chi-square interval; every other component by the modified large-sample
(MLS) method of the same book, whose formulas were read in an implementation that cites it, not in the book.
One-way analysis: JCGM 100:2008, H.5; NIST/SEMATECH e-Handbook, 7.4.3 (both from memory).
Number of distinct categories: 1.41 sigma_part / sigma_gauge cut down to a whole number, as in the Automotive
Industry Action Group's "Measurement Systems Analysis", 4th ed. (read at second hand).
Critical range: ISO 5725-6:1994, 5.2 (from memory), with Student's range where the standard deviation is estimated.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import floor, fsum, inf, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grading.metrology.distributions import chi_squared_quantile, f_quantile, f_tail, studentised_range_quantile

CONFIDENCE = 0.95

# An interaction less significant than this is pooled with repeatability (common practice, no source).
POOLING_SIGNIFICANCE = 0.25


class Summary(NamedTuple):
    """A series of readings in the order taken."""

    size: int
    mean: float
    standard_deviation: float
    lag_1_autocorrelation: float


class AnovaRow(NamedTuple):
    """One line of an analysis of variance; the F ratio and its p-value are absent from the error line."""

    source: str
    degrees_of_freedom: int
    sum_of_squares: float
    mean_square: float
    f_ratio: float | None
    p_value: float | None


class OneWay(NamedTuple):
    """One-way analysis of variance with its variance components (JCGM 100, H.5.2).

    ``between_variance`` is nought when the between mean square does not exceed the within one.
    """

    grand_mean: float
    between: AnovaRow
    within: AnovaRow
    total_sum_of_squares: float
    r_squared: float
    within_standard_deviation: float
    between_variance: float


class Interval(NamedTuple):
    """A two-sided confidence interval."""

    lower: float
    upper: float


class Repeatability(NamedTuple):
    """The pooled standard deviation of one reading, with its exact chi-square interval."""

    standard_deviation: float
    degrees_of_freedom: int
    interval: Interval


class Component(NamedTuple):
    """One variance component of a crossed study.

    ``contribution_percent`` is its part of the total variance, ``study_variation_percent`` its standard
    deviation as a percentage of the total one (these do not add up to 100). ``interval`` is that of the
    standard deviation.
    """

    name: str
    variance: float
    standard_deviation: float
    contribution_percent: float
    study_variation_percent: float
    interval: Interval


class CrossedStudy(NamedTuple):
    """A crossed study of ``parts`` valves, ``operators`` people and ``repeats`` readings of each."""

    parts: int
    operators: int
    repeats: int
    grand_mean: float
    anova: tuple[AnovaRow, ...]
    interaction_pooled: bool
    repeatability_degrees_of_freedom: int
    repeatability: Component
    reproducibility: Component
    operator: Component
    interaction: Component | None
    gauge: Component
    part_to_part: Component
    total: Component
    distinct_categories: int
    confidence: float


def summary(readings: Sequence[float]) -> Summary:
    """Mean, standard deviation (n - 1) and lag-1 autocorrelation r_1.

    r_1 = sum (y_i - m)(y_i+1 - m) / sum (y_i - m)^2, the definition of NIST's Statistical Reference Datasets.
    A series without scatter has no autocorrelation, and is given nan. Raises ValueError below two readings.
    """
    n = len(readings)
    if n < 2:
        raise ValueError("A standard deviation needs at least two readings.")
    # Sums about the first reading: nothing is lost to a large common part.
    first = readings[0]
    shifted = [y - first for y in readings]
    shift = fsum(shifted) / n
    deviations = [y - shift for y in shifted]
    squares = fsum(d * d for d in deviations)
    products = fsum(a * b for a, b in pairwise(deviations))
    return Summary(
        n,
        first + shift,
        sqrt(squares / (n - 1)),
        products / squares if squares > 0 else float("nan"),
    )


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """Analysis of variance of readings grouped by one factor; the groups may differ in size.

    Raises ValueError below two groups, for an empty group, or with no repeats at all.
    """
    if len(groups) < 2 or any(len(group) == 0 for group in groups):
        raise ValueError("An analysis of variance needs two groups, each with a reading.")
    sizes = [len(group) for group in groups]
    origin = groups[0][0]
    shifted = [[y - origin for y in group] for group in groups]
    means = [fsum(group) / len(group) for group in shifted]
    within = fsum((y - mean) ** 2 for group, mean in zip(shifted, means, strict=True) for y in group)
    return _one_way(sizes, means, within, origin)


def summarised_groups(means: Sequence[float], standard_deviations: Sequence[float], sizes: Sequence[int]) -> OneWay:
    """Analysis of variance from each group's mean, standard deviation and size, as published tables give."""
    if not len(means) == len(standard_deviations) == len(sizes) or len(means) < 2:
        raise ValueError("Means, standard deviations and sizes are needed for two groups or more.")
    within = fsum((n - 1) * s**2 for n, s in zip(sizes, standard_deviations, strict=True))
    origin = means[0]
    return _one_way(list(sizes), [mean - origin for mean in means], within, origin)


def pooled_repeatability(groups: Sequence[Sequence[float]], confidence: float = CONFIDENCE) -> Repeatability:
    """s_r from repeats of several valves, each valve its own mean; groups of one reading add nothing.

    Raises ValueError when no group has two readings.
    """
    degrees = sum(len(group) - 1 for group in groups if group)
    if degrees < 1:
        raise ValueError("Repeatability needs one valve at least with two readings.")
    squares = 0.0
    for group in groups:
        if len(group) > 1:
            squares += (len(group) - 1) * summary(group).standard_deviation ** 2
    variance = squares / degrees
    lower, upper = _exact_interval(variance, degrees, confidence)
    return Repeatability(sqrt(variance), degrees, Interval(sqrt(lower), sqrt(upper)))


class BetweenDays(NamedTuple):
    """Standard deviations between days, and of one reading within a day, each with its degrees of freedom."""

    days: int
    standard_deviation: float
    degrees_of_freedom: int
    within_standard_deviation: float
    within_degrees_of_freedom: int


def between_days(values: ArrayLike, cells: Sequence[int], days: Sequence[int]) -> BetweenDays | None:
    """What the same cells read differently by on other days; None where no cell says so.

    A cell is one valve read by one person; cells and days are numbered from nought, one number a reading. Henderson's
    method 3: the sum of squares that days take up beside the cells has the expectation
        (rank) sigma^2 + trace(D' M D) sigma_day^2,
    with D the days' columns and M what projects out the cells (S. R. Searle, G. Casella, C. E. McCulloch, "Variance
    Components", 1992, chapter 5; from memory). Where days and people go together it is the people's, and not counted;
    neither is what is less significant than an interaction that is pooled.

    >>> found = between_days([10.0, 10.2, 20.0, 20.2, 10.1, 10.3, 20.1, 20.3], [0, 0, 1, 1] * 2, [0, 1] * 4)
    >>> found.days, round(found.standard_deviation, 3), round(found.within_standard_deviation, 3)
    (2, 0.138, 0.063)
    """
    y = np.asarray(values, dtype=np.float64)
    of_cell, of_day = np.eye(max(cells) + 1)[list(cells)], np.eye(max(days) + 1)[list(days)]
    counts = of_cell.sum(axis=0)

    def within(columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """What is left of these columns beside the cells' own means."""
        left: NDArray[np.float64] = columns - of_cell @ ((of_cell.T @ columns) / counts[:, None])
        return left

    left, days_left = within((y - y[0])[:, None])[:, 0], within(of_day)
    rank = int(np.linalg.matrix_rank(days_left))
    rest = len(y) - int((counts > 0).sum()) - rank
    if rank < 1 or rest < 1:
        return None
    fitted = days_left @ np.linalg.lstsq(days_left, left, rcond=None)[0]
    error = float(((left - fitted) ** 2).sum()) / rest
    taken_up = float((fitted**2).sum())
    variance = (taken_up - rank * error) / float((days_left**2).sum())
    by_chance = error > 0 and f_tail(taken_up / rank / error, rank, rest) > POOLING_SIGNIFICANCE
    sd = 0.0 if by_chance else sqrt(max(variance, 0.0))
    return BetweenDays(of_day.shape[1], sd, rank, sqrt(error), rest)


def crossed_study(
    readings: ArrayLike,
    *,
    pooling_significance: float = POOLING_SIGNIFICANCE,
    confidence: float = CONFIDENCE,
) -> CrossedStudy:
    """Analyse a balanced crossed study.

    ``readings`` has the shape (parts, operators, repeats), every cell filled, at least two of each. When the
    interaction's p-value exceeds ``pooling_significance`` it is pooled with repeatability and the model is
    taken without it; the analysis of variance returned is always the full one.

    Raises ValueError for another shape, or for a reading that is not a finite number.
    """
    y: NDArray[np.float64] = np.asarray(readings, dtype=np.float64)
    if y.ndim != 3 or min(y.shape) < 2:
        raise ValueError("A crossed study needs two valves, two operators and two repeats at least.")
    if not bool(np.all(np.isfinite(y))):
        raise ValueError("Every valve must be read equally often by every operator: a reading is missing.")
    p, o, r = y.shape
    origin = float(y[0, 0, 0])
    y = y - origin
    grand = float(y.mean())
    part_means = y.mean(axis=(1, 2))
    operator_means = y.mean(axis=(0, 2))
    cell_means = y.mean(axis=2)
    additive = part_means[:, None] + operator_means[None, :] - grand

    ss_part = o * r * float(((part_means - grand) ** 2).sum())
    ss_operator = p * r * float(((operator_means - grand) ** 2).sum())
    ss_interaction = r * float(((cell_means - additive) ** 2).sum())
    ss_error = float(((y - cell_means[:, :, None]) ** 2).sum())
    df_part, df_operator, df_interaction, df_error = p - 1, o - 1, (p - 1) * (o - 1), p * o * (r - 1)
    ms_part, ms_operator = ss_part / df_part, ss_operator / df_operator
    ms_interaction, ms_error = ss_interaction / df_interaction, ss_error / df_error

    interaction_row = _row("interaction", df_interaction, ss_interaction, ms_error, df_error)
    anova = (
        _row("valve", df_part, ss_part, ms_interaction, df_interaction),
        _row("operator", df_operator, ss_operator, ms_interaction, df_interaction),
        interaction_row,
        AnovaRow("repeatability", df_error, ss_error, ms_error, None, None),
    )
    pooled = interaction_row.p_value is not None and interaction_row.p_value > pooling_significance

    squares = {"part": (ms_part, df_part), "operator": (ms_operator, df_operator)}
    combinations: dict[str, dict[str, float]]
    if pooled:
        df_error = df_error + df_interaction
        squares["error"] = ((ss_error + ss_interaction) / df_error, df_error)
        combinations = {
            "reproducibility": {"operator": 1 / (p * r), "error": -1 / (p * r)},
            "operator": {"operator": 1 / (p * r), "error": -1 / (p * r)},
            "gauge": {"operator": 1 / (p * r), "error": (p * r - 1) / (p * r)},
            "part": {"part": 1 / (o * r), "error": -1 / (o * r)},
            "total": {
                "part": 1 / (o * r),
                "operator": 1 / (p * r),
                "error": 1 - 1 / (p * r) - 1 / (o * r),
            },
        }
    else:
        squares["cross"] = (ms_interaction, df_interaction)
        squares["error"] = (ms_error, df_error)
        combinations = {
            "reproducibility": {"operator": 1 / (p * r), "cross": (p - 1) / (p * r), "error": -1 / r},
            "operator": {"operator": 1 / (p * r), "cross": -1 / (p * r)},
            "interaction": {"cross": 1 / r, "error": -1 / r},
            "gauge": {"operator": 1 / (p * r), "cross": (p - 1) / (p * r), "error": (r - 1) / r},
            "part": {"part": 1 / (o * r), "cross": -1 / (o * r)},
            "total": {
                "part": 1 / (o * r),
                "operator": 1 / (p * r),
                "cross": (p * o - p - o) / (p * o * r),
                "error": (r - 1) / r,
            },
        }

    def terms(key: str) -> list[tuple[float, tuple[float, int]]]:
        return [(c, squares[name]) for name, c in combinations[key].items() if c != 0]

    variances = {key: max(0.0, fsum(c * ms for c, (ms, _) in terms(key))) for key in combinations}
    # A negative component is set to nought, so the sums are made again from the parts that remain.
    variances["reproducibility"] = variances["operator"] + variances.get("interaction", 0.0)
    variances["repeatability"] = squares["error"][0]
    variances["gauge"] = variances["repeatability"] + variances["reproducibility"]
    variances["total"] = variances["gauge"] + variances["part"]
    total = variances["total"]

    def component(key: str, name: str) -> Component:
        if key == "repeatability":
            lower, upper = _exact_interval(*squares["error"], confidence)
        else:
            lower, upper = modified_large_sample(terms(key), confidence)
        variance = variances[key]
        return Component(
            name,
            variance,
            sqrt(variance),
            100 * variance / total if total > 0 else 0.0,
            100 * sqrt(variance / total) if total > 0 else 0.0,
            Interval(sqrt(lower), sqrt(upper)),
        )

    return CrossedStudy(
        parts=p,
        operators=o,
        repeats=r,
        grand_mean=grand + origin,
        anova=anova,
        interaction_pooled=pooled,
        repeatability_degrees_of_freedom=df_error,
        repeatability=component("repeatability", "repeatability"),
        reproducibility=component("reproducibility", "reproducibility"),
        operator=component("operator", "operator"),
        interaction=None if pooled else component("interaction", "operator by valve"),
        gauge=component("gauge", "repeatability and reproducibility"),
        part_to_part=component("part", "valve to valve"),
        total=component("total", "total"),
        distinct_categories=distinct_categories(sqrt(variances["part"]), sqrt(variances["gauge"])),
        confidence=confidence,
    )


def distinct_categories(part_sd: float, gauge_sd: float) -> int:
    """How many groups of valves the tester can tell apart: 1.41 part / gauge, cut down, one at least.

    A gauge without scatter tells every valve apart; that is refused as ValueError, for a study whose repeats
    all agree has been read too coarsely.
    """
    if gauge_sd <= 0:
        raise ValueError("The repeats all agree: the display is too coarse for this study.")
    return max(1, floor(1.41 * part_sd / gauge_sd))


def critical_range(
    readings: int, standard_deviation: float, degrees_of_freedom: float = inf, confidence: float = CONFIDENCE
) -> float:
    """How far the largest of so many repeats may lie above the smallest, with this confidence.

    ISO 5725-6:1994, 5.2, takes f(n) sigma_r with the quantile f(n) of the range of n standard normal values: 2.8, 3.3,
    3.6 for two, three, four (from memory). Where the standard deviation is itself an estimate, the quantile is that
    of the studentised range with its degrees of freedom.

    >>> [round(critical_range(n, 1.0), 1) for n in (2, 3, 4)]
    [2.8, 3.3, 3.6]
    """
    if readings < 2:
        raise ValueError("One reading has no range.")
    return studentised_range_quantile(confidence, readings, degrees_of_freedom) * standard_deviation


def modified_large_sample(terms: Sequence[tuple[float, tuple[float, int]]], confidence: float = CONFIDENCE) -> Interval:
    """Confidence interval of sum c_i E(MS_i), given as (c_i, (MS_i, v_i)); the c_i may be negative.

    Graybill and Wang's interval when all c_i are positive, Ting and others' when one is negative (names
    from memory, formulas as in the module's note). At most one negative term is supported, which is what a
    crossed study needs. Bounds below nought are set to nought, the quantity being a variance.
    """
    plus = [(c, ms, v) for c, (ms, v) in terms if c > 0]
    minus = [(-c, ms, v) for c, (ms, v) in terms if c < 0]
    if len(minus) > 1:
        raise ValueError("This interval allows for one negative term.")
    tail = (1 - confidence) / 2
    estimate = fsum(c * ms for c, (ms, _) in terms)

    below = fsum((_g(v, tail) * c * ms) ** 2 for c, ms, v in plus)
    above = fsum((_h(v, tail) * c * ms) ** 2 for c, ms, v in plus)
    for c_r, ms_r, v_r in minus:
        below += (_h(v_r, tail) * c_r * ms_r) ** 2
        above += (_g(v_r, tail) * c_r * ms_r) ** 2
        for c_q, ms_q, v_q in plus:
            cross = c_q * c_r * ms_q * ms_r
            f_upper = f_quantile(1 - tail, v_q, v_r)
            f_lower = f_quantile(tail, v_q, v_r)
            g, h = _g(v_q, tail), _h(v_r, tail)
            below += cross * ((f_upper - 1) ** 2 - (g * f_upper) ** 2 - h**2) / f_upper
            h, g = _h(v_q, tail), _g(v_r, tail)
            above += cross * ((1 - f_lower) ** 2 - (h * f_lower) ** 2 - g**2) / f_lower
    if minus:
        for i, (c_q, ms_q, v_q) in enumerate(plus):
            for c_t, ms_t, v_t in plus[i + 1 :]:
                both = v_q + v_t
                star = _g(both, tail) ** 2 * both**2 / (v_q * v_t)
                star -= _g(v_q, tail) ** 2 * v_q / v_t + _g(v_t, tail) ** 2 * v_t / v_q
                below += c_q * c_t * ms_q * ms_t * star / (len(plus) - 1)
    return Interval(max(0.0, estimate - sqrt(max(below, 0.0))), max(0.0, estimate + sqrt(max(above, 0.0))))


def _g(degrees: int, tail: float) -> float:
    return 1 - degrees / chi_squared_quantile(1 - tail, degrees)


def _h(degrees: int, tail: float) -> float:
    return degrees / chi_squared_quantile(tail, degrees) - 1


def _exact_interval(mean_square: float, degrees: int, confidence: float) -> Interval:
    tail = (1 - confidence) / 2
    squares = mean_square * degrees
    return Interval(squares / chi_squared_quantile(1 - tail, degrees), squares / chi_squared_quantile(tail, degrees))


def _row(source: str, degrees: int, squares: float, error_ms: float, error_degrees: int) -> AnovaRow:
    mean_square = squares / degrees
    without_scatter = inf if mean_square > 0 else 0.0
    f_ratio = mean_square / error_ms if error_ms > 0 else without_scatter
    return AnovaRow(source, degrees, squares, mean_square, f_ratio, f_tail(f_ratio, degrees, error_degrees))


def _one_way(sizes: list[int], means: list[float], within_squares: float, origin: float) -> OneWay:
    """The one-way table from group sizes, means about ``origin`` and the sum of squares within."""
    total = sum(sizes)
    df_between, df_within = len(sizes) - 1, total - len(sizes)
    if df_within < 1:
        raise ValueError("An analysis of variance needs repeats: every group has a single reading.")
    grand = fsum(n * mean for n, mean in zip(sizes, means, strict=True)) / total
    between_squares = fsum(n * (mean - grand) ** 2 for n, mean in zip(sizes, means, strict=True))
    ms_within = within_squares / df_within
    between = _row("between", df_between, between_squares, ms_within, df_within)
    within = AnovaRow("within", df_within, within_squares, ms_within, None, None)
    all_squares = between_squares + within_squares
    # The effective group size of an unbalanced layout; the group size itself when balanced.
    size = (total - sum(n * n for n in sizes) / total) / df_between
    return OneWay(
        grand_mean=origin + grand,
        between=between,
        within=within,
        total_sum_of_squares=all_squares,
        r_squared=between_squares / all_squares if all_squares > 0 else 0.0,
        within_standard_deviation=sqrt(ms_within),
        between_variance=max(0.0, (between.mean_square - ms_within) / size),
    )
