"""Measurement uncertainty: evaluate, combine, expand and state it.

Follows JCGM 100:2008 (the GUM); clause numbers are given beside each routine, from memory of that document.

What it offers
--------------
Evaluating one input quantity
    :func:`type_a`, :func:`normal`, :func:`rectangular`, :func:`triangular`, :func:`resolution`,
    :func:`certificate`, :func:`degrees_from_reliability`
Combining
    :func:`sensitivity_coefficients`, :func:`combine`, :func:`propagate`, :func:`welch_satterthwaite`
Expanding and stating
    :func:`coverage_factor`, :func:`expand`, :func:`budget`, :func:`state`
Readings of one tester
    :class:`ReadingTerms`, :func:`reading`, :func:`set_coverage_factor`, :func:`not_averaging`;
    comparing them is :mod:`grading.metrology.comparison`

Results are named tuples whose fields carry the standard's own terms. All quantities of one call share one
unit; a standard uncertainty has the unit of its estimate.
"""

from collections.abc import Callable, Sequence
from decimal import ROUND_HALF_UP, Decimal
from enum import Enum
from functools import lru_cache
from math import floor, hypot, inf, isfinite, isinf, log10, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from grading.metrology.distributions import studentised_range_quantile, t_quantile

COVERAGE_PROBABILITY = 0.95
SQRT_3, SQRT_12 = sqrt(3), sqrt(12)


class Distribution(Enum):
    """The probability distribution assigned to an input quantity (JCGM 100, 4.3)."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    STUDENT = "t"


class InputQuantity(NamedTuple):
    """An input estimate x_i with what is known of it (JCGM 100, 4.1.5).

    ``degrees_of_freedom`` is infinite for a limit taken as certain (JCGM 100, G.4.3).
    """

    name: str
    estimate: float
    standard_uncertainty: float
    degrees_of_freedom: float = inf
    distribution: Distribution = Distribution.NORMAL
    note: str = ""


class BudgetRow(NamedTuple):
    """One line of an uncertainty budget.

    ``contribution`` is |c_i| u(x_i) in the unit of the result; ``share_percent`` is its part of the combined
    variance. With correlated inputs the shares need not add up to 100.
    """

    name: str
    estimate: float
    standard_uncertainty: float
    distribution: Distribution
    degrees_of_freedom: float
    sensitivity_coefficient: float
    contribution: float
    share_percent: float
    note: str


class CombinedUncertainty(NamedTuple):
    """The output estimate y, u_c(y) and its effective degrees of freedom (JCGM 100, 5.1.2 and G.4.1)."""

    estimate: float
    combined_standard_uncertainty: float
    effective_degrees_of_freedom: float
    budget: tuple[BudgetRow, ...]


class ExpandedUncertainty(NamedTuple):
    """U = k u_c(y) at a stated coverage probability (JCGM 100, 6.2.1)."""

    estimate: float
    combined_standard_uncertainty: float
    effective_degrees_of_freedom: float
    coverage_probability: float
    coverage_factor: float
    expanded_uncertainty: float

    @property
    def interval(self) -> tuple[float, float]:
        """The coverage interval (lower, upper)."""
        return self.estimate - self.expanded_uncertainty, self.estimate + self.expanded_uncertainty


# Evaluating one input quantity


def type_a(name: str, readings: Sequence[float], note: str = "") -> InputQuantity:
    """The mean of n repeated readings, with s / sqrt(n) and n - 1 degrees of freedom (JCGM 100, 4.2.1-4.2.6).

    Raises ValueError for fewer than two readings.
    """
    n = len(readings)
    if n < 2:
        raise ValueError("A Type A evaluation needs at least two readings.")
    values = np.asarray(readings, dtype=np.float64)
    s = float(np.std(values, ddof=1))
    return InputQuantity(name, float(values.mean()), s / sqrt(n), n - 1, Distribution.STUDENT, note)


def normal(
    name: str, estimate: float, standard_uncertainty: float, degrees_of_freedom: float = inf, note: str = ""
) -> InputQuantity:
    """An estimate whose standard uncertainty is already known."""
    _refuse_negative(name, standard_uncertainty)
    if not degrees_of_freedom > 0:
        raise ValueError(f"{name}: degrees of freedom must be positive.")
    return InputQuantity(name, estimate, standard_uncertainty, degrees_of_freedom, Distribution.NORMAL, note)


def rectangular(
    name: str, estimate: float, half_width: float, degrees_of_freedom: float = inf, note: str = ""
) -> InputQuantity:
    """Anywhere within estimate +/- half_width with equal probability: u = a / sqrt(3) (JCGM 100, 4.3.7)."""
    _refuse_negative(name, half_width)
    return InputQuantity(name, estimate, half_width / sqrt(3), degrees_of_freedom, Distribution.RECTANGULAR, note)


def triangular(
    name: str, estimate: float, half_width: float, degrees_of_freedom: float = inf, note: str = ""
) -> InputQuantity:
    """Within estimate +/- half_width, values near the middle likelier: u = a / sqrt(6) (JCGM 100, 4.3.9)."""
    _refuse_negative(name, half_width)
    return InputQuantity(name, estimate, half_width / sqrt(6), degrees_of_freedom, Distribution.TRIANGULAR, note)


def resolution(name: str, estimate: float, step: float, note: str = "") -> InputQuantity:
    """A display that moves in steps: u = step / sqrt(12) (JCGM 100, F.2.2.1)."""
    return rectangular(name, estimate, step / 2, note=note)


def certificate(
    name: str,
    estimate: float,
    expanded_uncertainty: float,
    *,
    coverage_factor: float | None = None,
    coverage_probability: float = COVERAGE_PROBABILITY,
    degrees_of_freedom: float = inf,
    note: str = "",
) -> InputQuantity:
    """A certificate's U divided by its stated k (JCGM 100, 4.3.3), or by t_p(v) if it states none (4.3.4)."""
    _refuse_negative(name, expanded_uncertainty)
    k = coverage_factor
    if k is None:
        k = _student_quantile(coverage_probability, degrees_of_freedom)
    if not k > 0:
        raise ValueError(f"{name}: a coverage factor must be positive.")
    return InputQuantity(name, estimate, expanded_uncertainty / k, degrees_of_freedom, Distribution.NORMAL, note)


def degrees_from_reliability(relative_uncertainty: float) -> float:
    """Degrees of freedom of a Type B u known to a fraction: v = 1 / (2 r^2) (JCGM 100, G.4.2, eq. G.3).

    >>> degrees_from_reliability(0.25)
    8.0
    """
    _refuse_negative("relative uncertainty", relative_uncertainty)
    return inf if relative_uncertainty == 0 else 0.5 / relative_uncertainty**2


# Combining

Model = Callable[[Sequence[float]], float]


def sensitivity_coefficients(model: Model, inputs: Sequence[InputQuantity]) -> tuple[float, ...]:
    """c_i from a step of +/- u(x_i) in each input in turn (JCGM 100, 5.1.3 note 2).

    An input known exactly moves nothing, and is given 0.
    """
    at = [quantity.estimate for quantity in inputs]
    coefficients = []
    for i, quantity in enumerate(inputs):
        u = quantity.standard_uncertainty
        if u == 0:
            coefficients.append(0.0)
            continue
        above, below = list(at), list(at)
        above[i], below[i] = at[i] + u, at[i] - u
        coefficients.append((model(above) - model(below)) / (2 * u))
    return tuple(coefficients)


def welch_satterthwaite(
    combined_standard_uncertainty: float,
    contributions: Sequence[float],
    degrees_of_freedom: Sequence[float],
) -> float:
    """Effective degrees of freedom of u_c (JCGM 100, G.4.1, eq. G.2b).

    ``contributions`` are the |c_i| u(x_i), of independent inputs. Infinite when no input is uncertain or none
    has finite degrees of freedom.
    """
    below = sum(u**4 / v for u, v in zip(contributions, degrees_of_freedom, strict=True) if u > 0 and isfinite(v))
    return inf if below == 0 else combined_standard_uncertainty**4 / below


def combine(
    inputs: Sequence[InputQuantity],
    sensitivities: Sequence[float],
    *,
    estimate: float,
    correlation: Sequence[Sequence[float]] | None = None,
) -> CombinedUncertainty:
    """u_c(y) by the law of propagation of uncertainty.

    Without ``correlation`` the inputs are independent (JCGM 100, 5.1.2, eq. 10); with it, an n x n matrix of
    r(x_i, x_j), they are not (5.2.2, eq. 16). Welch-Satterthwaite holds for independent inputs only, so
    inputs that are correlated with one another count as one, with the fewest degrees of freedom among them
    (a cautious rule of ours: no source).

    Raises ValueError for a matrix that is not a correlation matrix.
    """
    if len(inputs) != len(sensitivities):
        raise ValueError("One sensitivity coefficient is needed for each input.")
    signed = np.array(
        [c * x.standard_uncertainty for c, x in zip(sensitivities, inputs, strict=True)], dtype=np.float64
    )
    r = np.eye(len(inputs)) if correlation is None else _correlation_matrix(correlation, len(inputs))
    variance = max(float(signed @ r @ signed), 0.0)
    u_c = sqrt(variance)

    group_contributions, group_degrees = [], []
    for group in _correlated_groups(r):
        within = signed[group]
        group_variance = float(within @ r[np.ix_(group, group)] @ within)
        group_contributions.append(sqrt(max(group_variance, 0.0)))
        group_degrees.append(min(inputs[i].degrees_of_freedom for i in group))
    degrees = welch_satterthwaite(u_c, group_contributions, group_degrees)

    rows = tuple(
        BudgetRow(
            name=x.name,
            estimate=x.estimate,
            standard_uncertainty=x.standard_uncertainty,
            distribution=x.distribution,
            degrees_of_freedom=x.degrees_of_freedom,
            sensitivity_coefficient=c,
            contribution=abs(float(part)),
            share_percent=100 * float(part) ** 2 / variance if variance > 0 else 0.0,
            note=x.note,
        )
        for x, c, part in zip(inputs, sensitivities, signed, strict=True)
    )
    return CombinedUncertainty(estimate, u_c, degrees, rows)


def propagate(
    model: Model,
    inputs: Sequence[InputQuantity],
    correlation: Sequence[Sequence[float]] | None = None,
) -> CombinedUncertainty:
    """y = f(x_1 ... x_n) and its u_c(y), the sensitivities taken from the model itself (JCGM 100, 5.1)."""
    return combine(
        inputs,
        sensitivity_coefficients(model, inputs),
        estimate=model([quantity.estimate for quantity in inputs]),
        correlation=correlation,
    )


# Expanding and stating


def coverage_factor(effective_degrees_of_freedom: float, coverage_probability: float = COVERAGE_PROBABILITY) -> float:
    """k_p = t_p(v_eff), v_eff cut down to a whole number (JCGM 100, G.4.1 note 1 and G.6.4).

    Raises ValueError below one degree of freedom.
    """
    if effective_degrees_of_freedom < 1:
        raise ValueError("A coverage factor needs at least one degree of freedom.")
    return _student_quantile(coverage_probability, _whole(effective_degrees_of_freedom))


def expand(combined: CombinedUncertainty, coverage_probability: float = COVERAGE_PROBABILITY) -> ExpandedUncertainty:
    """U = k u_c (JCGM 100, 6.2.1), k from the effective degrees of freedom."""
    k = coverage_factor(combined.effective_degrees_of_freedom, coverage_probability)
    return ExpandedUncertainty(
        combined.estimate,
        combined.combined_standard_uncertainty,
        combined.effective_degrees_of_freedom,
        coverage_probability,
        k,
        k * combined.combined_standard_uncertainty,
    )


def budget(combined: CombinedUncertainty) -> tuple[BudgetRow, ...]:
    """The budget's rows for showing, largest contribution first; equal ones stay in the order given."""
    return tuple(sorted(combined.budget, key=lambda row: -row.contribution))


def state(estimate: float, U: float, digits: int = 2) -> tuple[str, str]:
    """Estimate and expanded uncertainty rounded for stating: U to two significant digits, the estimate to the same
    decimal (JCGM 100, 7.2.6).

    >>> state(9.8364, 0.4578), state(5.0, 0.0996)
    (('9.84', '0.46'), ('5.00', '0.10'))
    """
    if U <= 0 or not isfinite(U):
        raise ValueError("Only a positive, finite expanded uncertainty can be stated.")
    step = _decimal_step(U, digits)
    rounded = Decimal(repr(U)).quantize(step, ROUND_HALF_UP)
    if rounded >= step.scaleb(digits):  # 0.0996 becomes 0.10, not 0.100
        step = step.scaleb(1)
        rounded = rounded.quantize(step, ROUND_HALF_UP)
    return f"{Decimal(repr(estimate)).quantize(step, ROUND_HALF_UP):f}", f"{rounded:f}"


# Readings of one tester


class ReadingTerms(NamedTuple):
    """What is known of one tester for one quantity, in that quantity's unit or in percent of the reading.

    Random terms, new in every reading: ``repeatability_*`` (from a repeatability study, with its degrees of
    freedom) and ``resolution`` (the step of the display). ``interaction_*`` is new for every valve that a person
    reads, ``reproducibility_*`` for every person, ``between_days_*`` for every day.
    Systematic terms, the same in every reading of the session: ``accuracy_percent`` (an error of gain, as a
    stated limit in percent of reading), ``accuracy_absolute`` (an error of offset, as a limit),
    ``calibration_percent`` and ``calibration_u`` (standard uncertainties of the calibration, as gain and as offset).
    Taking a stated accuracy as pure gain and pure offset supposes one range and one session; readings on different
    ranges share less (common practice, no source).
    """

    resolution: float
    repeatability_sd: float = 0.0
    repeatability_percent: float = 0.0
    repeatability_degrees_of_freedom: float = inf
    reproducibility_sd: float = 0.0
    reproducibility_percent: float = 0.0
    reproducibility_degrees_of_freedom: float = inf
    between_days_sd: float = 0.0
    between_days_percent: float = 0.0
    between_days_degrees_of_freedom: float = inf
    accuracy_percent: float = 0.0
    accuracy_absolute: float = 0.0
    calibration_u: float = 0.0
    calibration_degrees_of_freedom: float = inf
    calibration_percent: float = 0.0
    interaction_sd: float = 0.0
    interaction_percent: float = 0.0
    interaction_degrees_of_freedom: float = inf

    def repeatability_at(self, value: float) -> float:
        """Standard deviation of one reading near ``value``."""
        return _both(self.repeatability_sd, self.repeatability_percent, value)

    def reproducibility_at(self, value: float) -> float:
        """Standard deviation between operators near ``value``: one reads higher than another."""
        return _both(self.reproducibility_sd, self.reproducibility_percent, value)

    def interaction_at(self, value: float) -> float:
        """Standard deviation of operator by valve near ``value``: they differ more on some valves."""
        return _both(self.interaction_sd, self.interaction_percent, value)

    def between_days_at(self, value: float) -> float:
        """Standard deviation between days near ``value``."""
        return _both(self.between_days_sd, self.between_days_percent, value)

    def scaled(self, factor: float) -> "ReadingTerms":
        """The same in another unit, or carried to other conditions: what is in percent stays as it is."""
        return self._replace(
            **{name: getattr(self, name) * factor for name in ("resolution", "accuracy_absolute", "calibration_u")},
            **{f"{name}_sd": getattr(self, f"{name}_sd") * factor for name in _STUDIED},
        )


_STUDIED = ("repeatability", "reproducibility", "interaction", "between_days")


def _both(constant: float, percent: float, value: float) -> float:
    return hypot(constant, percent * value / 100)


REPEATABILITY = "repeatability"


def reading(
    value: float,
    terms: ReadingTerms,
    *,
    readings: int = 1,
    conversion_u: float = 0.0,
    conversion_degrees_of_freedom: float = inf,
) -> CombinedUncertainty:
    """A reading, or the mean of several, as a level: every term counts.

    Only the repeatability shrinks with the number of readings; the display's step, the operator and the
    tester's own error stay. ``conversion_u`` is the standard uncertainty of a model that carried the value
    from other test conditions.
    """
    _check(terms, readings)
    inputs = [
        normal(
            REPEATABILITY,
            0.0,
            terms.repeatability_at(value) / sqrt(readings),
            terms.repeatability_degrees_of_freedom,
            f"mean of {readings}" if readings > 1 else "one reading",
        ),
        normal(
            "reproducibility",
            0.0,
            terms.reproducibility_at(value),
            terms.reproducibility_degrees_of_freedom,
            "between operators",
        ),
        normal("operator by valve", 0.0, terms.interaction_at(value), terms.interaction_degrees_of_freedom),
        normal("between days", 0.0, terms.between_days_at(value), terms.between_days_degrees_of_freedom),
        resolution("resolution", 0.0, terms.resolution),
        rectangular("accuracy, gain", 0.0, abs(value) * terms.accuracy_percent / 100),
        rectangular("accuracy, offset", 0.0, terms.accuracy_absolute),
        normal(
            "calibration",
            0.0,
            _both(terms.calibration_u, terms.calibration_percent, value),
            terms.calibration_degrees_of_freedom,
        ),
        normal("conversion of conditions", 0.0, conversion_u, conversion_degrees_of_freedom),
    ]
    return combine(inputs, [1.0] * len(inputs), estimate=value)


def set_coverage_factor(
    size: int, degrees_of_freedom: float, coverage_probability: float = COVERAGE_PROBABILITY
) -> float:
    """Coverage factor for every difference within a set of ``size`` at once: q_p(size, v) / sqrt(2).

    With one or two degrees of freedom cutting down to a whole number would cost up to a factor of two: it is not done.
    """
    if size < 2:
        raise ValueError("A set has at least two members.")
    if degrees_of_freedom < 1:
        raise ValueError("A coverage factor needs at least one degree of freedom.")
    if size == 2:
        return _student_quantile(coverage_probability, degrees_of_freedom)
    return studentised_range_quantile(coverage_probability, size, _tabled(degrees_of_freedom)) / sqrt(2)


def _tabled(degrees_of_freedom: float) -> float:
    """Cut down to a tenth below four and in larger steps above, so that the slow quantile is met again."""
    if isinf(degrees_of_freedom):
        return degrees_of_freedom
    step = next(step for below, step in ((4, 0.1), (20, 1), (60, 5), (inf, 20)) if degrees_of_freedom < below)
    return float(step * floor(degrees_of_freedom / step + 1e-9))


def not_averaging(combined: CombinedUncertainty) -> float:
    """The part of u_c that further readings would leave as it is: all but the repeatability."""
    return sqrt(sum(row.contribution**2 for row in combined.budget if row.name != REPEATABILITY))


# Kept apart


def _check(terms: ReadingTerms, readings: int) -> None:
    if readings < 1:
        raise ValueError("At least one reading is needed.")
    for name, value in terms._asdict().items():
        _refuse_negative(name.replace("_", " "), value)


def _refuse_negative(name: str, value: float) -> None:
    if not value >= 0:
        raise ValueError(f"{name}: must not be negative.")


def _correlation_matrix(rows: Sequence[Sequence[float]], size: int) -> NDArray[np.float64]:
    r = np.asarray(rows, dtype=np.float64)
    if r.shape != (size, size):
        raise ValueError(f"The correlation matrix must be {size} by {size}.")
    if not (np.allclose(r, r.T) and np.allclose(np.diag(r), 1) and np.all(np.abs(r) <= 1 + 1e-12)):
        raise ValueError("A correlation matrix is symmetric, with ones on its diagonal, within +/- 1.")
    if float(np.linalg.eigvalsh(r).min()) < -1e-9:
        raise ValueError("These correlations contradict one another.")
    return r


def _correlated_groups(r: NDArray[np.float64]) -> list[list[int]]:
    """Indices grouped so that inputs of different groups are uncorrelated."""
    left = set(range(len(r)))
    groups = []
    while left:
        frontier, group = [min(left)], []
        while frontier:
            i = frontier.pop()
            if i not in left:
                continue
            left.remove(i)
            group.append(i)
            frontier.extend(j for j in left if r[i, j] != 0)
        groups.append(sorted(group))
    return groups


def _whole(degrees_of_freedom: float) -> float:
    # A hair below a whole number is the whole number: 15.999999 is rounding, not 15.
    return degrees_of_freedom if isinf(degrees_of_freedom) else float(floor(degrees_of_freedom + 1e-9))


@lru_cache(maxsize=1024)
def _student_quantile(coverage_probability: float, degrees_of_freedom: float) -> float:
    if not 0 < coverage_probability < 1:
        raise ValueError("A coverage probability lies between 0 and 1.")
    upper = (1 + coverage_probability) / 2
    return t_quantile(upper, degrees_of_freedom)


def _decimal_step(value: float, digits: int) -> Decimal:
    return Decimal(1).scaleb(floor(log10(value)) - digits + 1)
