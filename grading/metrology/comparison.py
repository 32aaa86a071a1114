"""Comparing valves: how well a ratio, or the spread of a set, is known.

What is common to two readings cancels in their ratio; what is not counts twice. So each reading is taken apart
into its errors, and each error says with which other readings it is shared.

What it offers
--------------
    :class:`ErrorComponent`     one error of a reading, and with whom it is shared
    :class:`ComparedValue`      a value with its components
    :func:`components_of`  the errors of a reading of one tester
    :func:`ratio`          a / b with its budget
    :func:`spread`         largest / smallest - 1 of a set, with its interval
    :func:`separate`       a set's readings as if each had an error of its own, for its probability

Follows JCGM 100:2008: correlated inputs 5.2.4 and F.1.2.3, effective degrees of freedom G.4.1 (from memory of that
document). Values lie above nought; every uncertainty below is relative to its value unless it says otherwise.
"""

from collections.abc import Collection, Sequence
from itertools import combinations
from math import inf, log, sqrt
from typing import NamedTuple

from grading.metrology import uncertainty
from grading.metrology.uncertainty import REPEATABILITY, SQRT_3, SQRT_12, CombinedUncertainty, ReadingTerms

NOBODY = ""  # with whom an error is shared that is one reading's alone
OPERATOR, DAY = "operator", "between days"  # names of errors that part of what was read in one session shares


class ErrorComponent(NamedTuple):
    """One error of a reading: a standard uncertainty in the reading's unit.

    Two readings have an error in common, sign and all, when its name and a ``shared`` that is not empty are the same.
    Components with one ``name`` and one ``source`` have their standard uncertainty from one estimate, so its degrees
    of freedom count once. That named ``REPEATABILITY`` is of one reading and shrinks with their number.
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = inf
    shared: str = NOBODY
    source: str = ""


class ComparedValue(NamedTuple):
    """A value, the number of readings that it is the mean of, and its errors."""

    value: float
    readings: int
    components: tuple[ErrorComponent, ...]


def components_of(
    value: float,
    terms: ReadingTerms,
    *,
    session: str,
    operator: str,
    day: str = "",
    source: str = "",
    conversion_u: float = 0.0,
    model: str = "",
) -> tuple[ErrorComponent, ...]:
    """The errors of a reading near ``value``.

    ``session`` names a stretch in which the tester stays as it is, and ``operator`` who read; ``source`` is the study
    that the scatter is known from. ``conversion_u`` is of the ``model`` that brought the value from other conditions.
    The person's own error, and the ``day``'s, are shared within the session only: nothing is taken to last beyond it.
    """
    t, person = terms, f"{session}/{operator}"
    found = (
        ErrorComponent(REPEATABILITY, t.repeatability_at(value), t.repeatability_degrees_of_freedom, NOBODY, source),
        ErrorComponent("operator by valve", t.interaction_at(value), t.interaction_degrees_of_freedom, NOBODY, source),
        ErrorComponent(OPERATOR, t.reproducibility_at(value), t.reproducibility_degrees_of_freedom, person, source),
        ErrorComponent(
            DAY, t.between_days_at(value), t.between_days_degrees_of_freedom, f"{session}/{day}", f"{source}, days"
        ),
        ErrorComponent("resolution", t.resolution / SQRT_12),
        ErrorComponent("accuracy, gain", value * t.accuracy_percent / 100 / SQRT_3, inf, session, session),
        ErrorComponent("accuracy, offset", t.accuracy_absolute / SQRT_3, inf, session, session),
        ErrorComponent(
            "calibration, gain", value * t.calibration_percent / 100, t.calibration_degrees_of_freedom, session, session
        ),
        ErrorComponent("calibration, offset", t.calibration_u, t.calibration_degrees_of_freedom, session, session),
        ErrorComponent("conversion of conditions", conversion_u, inf, model, model),
    )
    return tuple(component for component in found if component.standard_uncertainty > 0)


# Two valves


class _Part(NamedTuple):
    """What one cause contributes to the relative variance of a ratio."""

    name: str
    variance: float
    degrees_of_freedom: float
    cancels: bool


def ratio(a: ComparedValue, b: ComparedValue, more: float = 0) -> CombinedUncertainty:
    """a / b with its budget; ``more`` readings of each may be supposed.

    Raises ValueError for a value that is not above nought.
    """
    _check([a, b])
    inputs = [
        uncertainty.normal(
            part.name,
            0.0,
            sqrt(part.variance),
            part.degrees_of_freedom,
            "common to both readings" if part.cancels else "both readings",
        )
        for part in _parts(a, b, more)
    ]
    there = a.value / b.value
    return uncertainty.combine(inputs, [there] * len(inputs), estimate=there)


def relative_u(a: ComparedValue, b: ComparedValue, more: float = 0) -> tuple[float, float]:
    """The relative standard uncertainty of a / b, as ``ratio`` has it, and its effective degrees of freedom."""
    parts = _parts(a, b, more)
    u = sqrt(sum(part.variance for part in parts))
    degrees = uncertainty.welch_satterthwaite(
        u, [sqrt(part.variance) for part in parts], [part.degrees_of_freedom for part in parts]
    )
    return u, max(1.0, degrees)


def _parts(a: ComparedValue, b: ComparedValue, more: float) -> list[_Part]:
    """Causes with one source are one part: their variances add up, and the source's degrees of freedom count once."""
    of_b = {component.name: component for component in b.components}
    of_a = {component.name: component for component in a.components}
    gathered: dict[tuple[str, str], _Part] = {}
    for name in dict.fromkeys([*of_a, *of_b]):
        one, other = of_a.get(name), of_b.get(name)
        if one and other and one.shared and one.shared == other.shared:
            rest = (_relative(one, a, more) - _relative(other, b, more)) ** 2
            degrees = min(one.degrees_of_freedom, other.degrees_of_freedom)
            gathered[name, one.source] = _Part(name, rest, degrees, True)
            continue
        for component, of in ((one, a), (other, b)):
            if component is None:
                continue
            variance = _relative(component, of, more) ** 2
            before = gathered.get((name, component.source))
            if before:
                variance += before.variance
            gathered[name, component.source] = _Part(name, variance, component.degrees_of_freedom, False)
    return list(gathered.values())


def _relative(component: ErrorComponent, of: ComparedValue, more: float) -> float:
    u = component.standard_uncertainty / of.value
    return u / sqrt(of.readings + more) if component.name == REPEATABILITY else u


# Sets


class SetSpread(NamedTuple):
    """How far a set of valves spreads in one quantity: largest / smallest - 1."""

    spread: float
    largest: float
    smallest: float
    size: int
    standard_uncertainty: float
    coverage_probability: float
    coverage_factor: float
    expanded_uncertainty: float

    @property
    def interval(self) -> tuple[float, float]:
        """The coverage interval (lower, upper); a spread is never below nought."""
        return max(0.0, self.spread - self.expanded_uncertainty), self.spread + self.expanded_uncertainty


def spread(
    values: Sequence[ComparedValue], coverage_probability: float = uncertainty.COVERAGE_PROBABILITY
) -> SetSpread:
    """The spread of a set, with the uncertainty of the ratio of its extremes.

    Which of n valves read largest and which smallest is itself partly chance, so the coverage factor is that of all
    pairs at once among those that may truly be the extremes: the quantile of the studentised range over sqrt(2)
    (Tukey's method, from memory; it equals Student's t for a pair). A valve that reads as near an extreme as
    ``CONTENDING`` of the half interval of comparing the two may be it; the least well known pair of such valves sets
    the width (a rule of ours, no source, tried by simulation: :mod:`grading.proof.promised`).

    Raises ValueError for fewer than two values or for a value not above nought.
    """
    if len(values) < 2:
        raise ValueError("A spread needs at least two values.")
    _check(values)
    order = sorted(range(len(values)), key=lambda i: values[i].value)
    smallest, largest = values[order[0]], values[order[-1]]
    lows = [i for i in order[:-1] if i == order[0] or _contends(values[i], smallest, coverage_probability)]
    highs = [i for i in order[1:] if i == order[-1] or _contends(largest, values[i], coverage_probability)]
    size = len({*lows, *highs})
    there = largest.value / smallest.value
    k, u = max(
        (
            (uncertainty.set_coverage_factor(size, degrees, coverage_probability), there * u)
            for u, degrees in (relative_u(values[i], values[j]) for i in highs for j in lows if i != j)
        ),
        key=lambda found: found[0] * found[1],
    )
    return SetSpread(there - 1, largest.value, smallest.value, len(values), u, coverage_probability, k, k * u)


# How near an extreme a valve must read to be perhaps the extreme itself, as a share of the half interval.
CONTENDING = 0.5


def _contends(higher: ComparedValue, lower: ComparedValue, coverage_probability: float) -> bool:
    u, degrees = relative_u(higher, lower)
    k = uncertainty.set_coverage_factor(2, degrees, coverage_probability)
    return log(higher.value / lower.value) <= CONTENDING * k * u


def separate(values: Sequence[ComparedValue], more: float = 0) -> tuple[list[float], float]:
    """A set's readings as if each had an error of its own: standard uncertainties in the unit, degrees of freedom.

    What all share counts by what is left of it in the worst pair, half to each; what only some share counts as if
    nobody did. No pair is then taken to be better known than it is, and where everything is either common to all
    or to nobody the pairs are as :func:`ratio` has them. The degrees of freedom are those of the worst pair.
    """
    _check(values)
    squares = [0.0] * len(values)
    of_each = [{component.name: component for component in m.components} for m in values]
    for name in dict.fromkeys(name for components in of_each for name in components):
        here = [components.get(name) for components in of_each]
        us = [_relative(c, m, more) if c else 0.0 for c, m in zip(here, values, strict=True)]
        keys = {c.shared if c else None for c in here}
        common = len(keys) == 1 and keys != {NOBODY}
        for i, u in enumerate(us):
            squares[i] += max((u - other) ** 2 for other in us) / 2 if common else u**2
    degrees = min(relative_u(one, other, more)[1] for one, other in combinations(values, 2))
    return [sqrt(square) * m.value for square, m in zip(squares, values, strict=True)], degrees


def own_u(value: ComparedValue, *, apart: Collection[str] = (), more: float = 0) -> tuple[float, float]:
    """The relative standard uncertainty that a reading brings to any comparison within its session, and the degrees
    of freedom of comparing it with its like. Errors named in ``apart`` are not shared: other people or days."""
    alone = value._replace(
        components=tuple(c._replace(shared=NOBODY) if c.name in apart else c for c in value.components)
    )
    u, degrees = relative_u(alone, alone, more)
    return u / sqrt(2), degrees


def _check(values: Sequence[ComparedValue]) -> None:
    if min(m.value for m in values) <= 0:
        raise ValueError("A comparison is defined for values above nought only.")
    if min(m.readings for m in values) < 1:
        raise ValueError("At least one reading is needed.")
