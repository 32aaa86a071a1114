"""Decide whether a measured value meets a limit, knowing how well it is measured.

Follows JCGM 106:2012, "Evaluation of measurement data - The role of measurement uncertainty in conformity
assessment"; clause numbers from memory of that document.

What it offers
--------------
Probability
    :class:`Limits`, :func:`conformance_probability`
Acceptance limits
    :class:`SimpleAcceptance`, :class:`GuardedAcceptance`, :class:`MaximumFalseAcceptance`,
    :func:`acceptance_limits`
Risks
    :func:`specific_risks` of one valve, :func:`global_risks` of a whole population
Deciding
    :func:`decide`, :func:`decide_when`: accept, reject, or too close to call and how many readings would settle it
Sets
    :func:`set_conformance_probability`: one quantity of a matched set against its tolerance;
    :func:`whole_set_probability`, :func:`decide_whole_set`: all its quantities at once

What is known of a measured quantity is a normal distribution about the reading (JCGM 106, 7.2), or, where its
standard uncertainty has few degrees of freedom, a scaled and shifted t-distribution (JCGM 101:2008, 6.4.9).
"""

from collections.abc import Callable, Sequence
from enum import Enum
from functools import lru_cache
from itertools import pairwise
from math import inf, isfinite, isinf, pi, sqrt
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import integrate, optimize
from scipy.special import ndtr

from grading.metrology.distributions import chi_squared_quantile, t_cdf, t_quantile

# Past this many readings of one valve the answer is not practical, and is given as none.
MOST_READINGS = 10_000
# The same for a set, of which every valve would have to be read so often.
MOST_READINGS_OF_A_SET = 100

# A set's probability is integrated in panels of so many standard uncertainties at most, and over the scale of an
# uncertainty with few degrees of freedom; each by Gauss and Legendre's rule.
WIDEST_PANEL = 2.5
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_SCALE_NODES, _SCALE_WEIGHTS = np.polynomial.legendre.leggauss(16)


class Limits(NamedTuple):
    """A tolerance interval; a side without a limit is infinite (JCGM 106, 7.3 and 7.4)."""

    lower: float = -inf
    upper: float = inf

    def check(self) -> None:
        """Raise ValueError when the interval is empty, or has no limit at all."""
        if not self.lower < self.upper:
            raise ValueError("The lower limit must lie below the upper one.")
        if isinf(self.lower) and isinf(self.upper):
            raise ValueError("There is no limit to decide against.")

    def contains(self, value: float) -> bool:
        """Whether the value meets the limits; a value at a limit does."""
        return self.lower <= value <= self.upper


# Probability


def conformance_probability(
    estimate: float, standard_uncertainty: float, limits: Limits, degrees_of_freedom: float = inf
) -> float:
    """p_c, the probability that the true value meets the limits (JCGM 106, 7.2 to 7.4).

    Without uncertainty it is 1 or 0.
    """
    limits.check()
    if standard_uncertainty < 0:
        raise ValueError("A standard uncertainty must not be negative.")
    if standard_uncertainty == 0:
        return 1.0 if limits.contains(estimate) else 0.0
    # Taken from the nearer tail, so that a small probability keeps its digits.
    above = (limits.upper - estimate) / standard_uncertainty
    below = (limits.lower - estimate) / standard_uncertainty
    if below > 0:
        return t_cdf(-below, degrees_of_freedom) - t_cdf(-above, degrees_of_freedom)
    return t_cdf(above, degrees_of_freedom) - t_cdf(below, degrees_of_freedom)


# Acceptance limits


class SimpleAcceptance(NamedTuple):
    """Accept a reading within the tolerance itself: shared risk (JCGM 106, 8.2)."""


class GuardedAcceptance(NamedTuple):
    """A guard band w = r U, U = k u (JCGM 106, 8.3.2)."""

    r: float = 1.0
    coverage_factor: float = 2.0


class MaximumFalseAcceptance(NamedTuple):
    """A guard band that keeps the probability of accepting a valve at its limit to ``probability``.

    By the same band a valve is accepted only when its conformance probability is 1 - probability or more
    (JCGM 106, 8.3.2).
    """

    probability: float = 0.05


Rule = SimpleAcceptance | GuardedAcceptance | MaximumFalseAcceptance


class AcceptanceLimits(NamedTuple):
    """Where a reading is accepted: both ``None`` when the uncertainty leaves no room inside the tolerance."""

    lower: float | None
    upper: float | None
    guard_band: float


def acceptance_limits(
    limits: Limits,
    standard_uncertainty: float,
    rule: Rule,
    degrees_of_freedom: float = inf,
    *,
    allowance: float = 0.0,
) -> AcceptanceLimits:
    """The acceptance interval: the tolerance drawn in by the guard band on each side that has a limit.

    ``allowance`` widens a guard band by an amount that is not a matter of chance, such as half a step of the
    display (see :func:`decide`); simple acceptance has no guard band to widen.
    """
    limits.check()
    w = _guard_band(limits, standard_uncertainty, rule, degrees_of_freedom)
    if not isinstance(rule, SimpleAcceptance):
        w += allowance
    lower, upper = limits.lower + w, limits.upper - w
    if not isfinite(w) or lower > upper:
        return AcceptanceLimits(None, None, w)
    return AcceptanceLimits(lower, upper, w)


# Risks


class SpecificRisks(NamedTuple):
    """Risks of the decision on one valve (JCGM 106, 9.3.2).

    ``consumer`` is the probability that a valve accepted at this reading does not conform, ``producer`` that
    one rejected at it does.
    """

    consumer: float
    producer: float


def specific_risks(
    estimate: float, standard_uncertainty: float, limits: Limits, degrees_of_freedom: float = inf
) -> SpecificRisks:
    """R*_C = 1 - p_c if the valve is accepted, R*_P = p_c if it is rejected."""
    p_c = conformance_probability(estimate, standard_uncertainty, limits, degrees_of_freedom)
    return SpecificRisks(1 - p_c, p_c)


class Population(Protocol):
    """What is known of the true values before measuring: any frozen continuous scipy distribution."""

    def pdf(self, x: float, /) -> float: ...

    def cdf(self, x: float, /) -> float: ...

    def ppf(self, q: float, /) -> float: ...


class GlobalRisks(NamedTuple):
    """Risks over a population (JCGM 106, 9.5.2 and 9.5.3), as shares of all valves measured."""

    consumer: float
    producer: float
    accepted: float
    nonconforming: float


def global_risks(
    population: Population,
    measurement_u: float,
    limits: Limits,
    acceptance: AcceptanceLimits | None = None,
) -> GlobalRisks:
    """Consumer's risk R_C (accepted, does not conform) and producer's risk R_P (rejected, conforms).

    ``measurement_u`` is the standard uncertainty of the measuring system, ``acceptance`` the acceptance
    limits, the tolerance itself by default. Absolute error below 1e-7.
    """
    limits.check()
    if not measurement_u > 0:
        raise ValueError("The standard uncertainty of measurement must be positive.")
    low: float | None
    high: float | None
    low, high = (limits.lower, limits.upper) if acceptance is None else acceptance[:2]

    def accepted_at(eta: float) -> float:
        if low is None or high is None:
            return 0.0
        return t_cdf((high - eta) / measurement_u, inf) - t_cdf((low - eta) / measurement_u, inf)

    # Only the part of the population that counts is integrated, in pieces that meet at every limit.
    start, stop = float(population.ppf(1e-12)), float(population.ppf(1 - 1e-12))
    corners = {limits.lower, limits.upper, start, stop}
    if low is not None and high is not None:
        corners |= {edge + k * measurement_u for edge in (low, high) for k in (-8, 0, 8)}
    edges = sorted(x for x in corners if start <= x <= stop)

    consumer = producer = accepted = 0.0
    for a, b in pairwise(edges):
        weight = float(population.cdf(b)) - float(population.cdf(a))
        inside = _quad(lambda eta: accepted_at(eta) * float(population.pdf(eta)), a, b)
        accepted += inside
        if limits.contains((a + b) / 2):
            producer += weight - inside
        else:
            consumer += inside
    conforming = float(population.cdf(limits.upper)) - float(population.cdf(limits.lower))
    return GlobalRisks(consumer, max(producer, 0.0), accepted, 1 - conforming)


# Deciding


class Outcome(Enum):
    """What a decision can be."""

    ACCEPT = "accept"
    REJECT = "reject"
    TOO_CLOSE = "too close to call"


class Decision(NamedTuple):
    """A decision, with all that a page needs to explain it.

    ``readings_needed`` is the whole number of readings, those already taken included, whose mean would settle
    it if that mean stays where it is; ``more_readings`` how many of them are still to take. Both are None for
    a settled decision, and when no number of readings would settle it.
    """

    outcome: Outcome
    conformance_probability: float
    acceptance: AcceptanceLimits
    limits: Limits
    readings_needed: int | None
    more_readings: int | None
    reason: str


class Knowledge(NamedTuple):
    """How well an estimate is known after some number of readings; ``allowance`` as in :func:`acceptance_limits`."""

    standard_uncertainty: float
    degrees_of_freedom: float = inf
    allowance: float = 0.0


def decide(
    estimate: float,
    limits: Limits,
    rule: Rule,
    *,
    repeatability_sd: float,
    systematic_u: float,
    readings: int = 1,
    degrees_of_freedom: float = inf,
    display_step: float = 0.0,
) -> Decision:
    """Decide on the mean of ``readings`` readings.

    The repeatability part of the uncertainty is ``repeatability_sd`` / sqrt(n); the rest, ``systematic_u``
    (resolution, operator, accuracy, calibration, conversion), does not shrink with n. Accepted within the
    acceptance limits; rejected beyond the limit by as much (guarded rejection, JCGM 106, 8.3.3); between the
    two, too close to call. Simple acceptance has no guard band, and always decides. A reading that a guard
    band wider than the tolerance can never accept is still rejected when it lies far enough outside.

    A display rounds every valve near a limit the same way, so against one fixed limit its step is not chance:
    half of ``display_step``, shared among the readings of the mean, is added to the guard band, and the
    promise holds at the limit itself and not on the average of many limits only (ours, no source).
    """
    if readings < 1:
        raise ValueError("At least one reading is needed.")
    if repeatability_sd < 0 or systematic_u < 0 or display_step < 0:
        raise ValueError("A standard uncertainty must not be negative.")

    def known(n: float) -> Knowledge:
        return Knowledge(sqrt(systematic_u**2 + repeatability_sd**2 / n), degrees_of_freedom, display_step / (2 * n))

    return decide_when(estimate, limits, rule, known, readings)


def decide_when(
    estimate: float, limits: Limits, rule: Rule, known: Callable[[float], Knowledge], readings: int = 1
) -> Decision:
    """As :func:`decide`, of anything: ``known(n)`` says how well the estimate is known from ``n`` readings.

    ``readings`` are taken already. ``known(inf)`` is what no reading can improve.
    """
    limits.check()

    def outcome(n: float) -> Outcome:
        u, degrees, allowance = known(n)
        return _outcome(estimate, limits, rule, u, degrees, allowance)

    u, degrees, allowance = known(readings)
    found = outcome(readings)
    p_c = conformance_probability(estimate, u, limits, degrees)
    acceptance = acceptance_limits(limits, u, rule, degrees, allowance=allowance)
    if found is Outcome.ACCEPT:
        return Decision(found, p_c, acceptance, limits, None, None, "within the acceptance limits")
    if found is Outcome.REJECT:
        reason = "outside the limits"
        if not isinstance(rule, SimpleAcceptance):
            reason += " by the guard band"
        return Decision(found, p_c, acceptance, limits, None, None, reason)

    needed = _first_that_settles(outcome, readings)
    if needed is not None:
        reason = f"{needed} readings in all would settle it if their mean stays here"
        return Decision(found, p_c, acceptance, limits, needed, needed - readings, reason)
    at_last = known(inf)
    if at_last.standard_uncertainty == 0 and estimate in limits:
        reason = "no number of readings would settle it: their mean lies on the limit"
    elif outcome(inf) is Outcome.TOO_CLOSE:
        reason = "no number of readings would settle it: what does not average out is too large"
    else:
        reason = f"more than {MOST_READINGS} readings would be needed"
    return Decision(found, p_c, acceptance, limits, None, None, reason)


# Sets


def set_conformance_probability(
    values: Sequence[float],
    standard_uncertainties: Sequence[float],
    tolerance: float,
    degrees_of_freedom: float = inf,
) -> float:
    """Probability that the true largest / smallest - 1 of a set is at most ``tolerance``.

    ``standard_uncertainties`` are those of the parts not common to the set (repeatability, resolution). The
    true values are independent normals about the readings, and the probability is that all lie within the
    tolerance of the smallest:

        sum over i of integral f_i(m) prod over j != i of [F_j((1 + t) m) - F_j(m)] dm.

    Absolute error below 1e-8. Where the uncertainties come from one estimate with few degrees of freedom, the true
    values are a multivariate t: the same, averaged over what the estimate's scale may truly be, the square of which is
    v over a chi-square (JCGM 101:2008, 6.4.9; error below 1e-4 from two degrees of freedom up, a pair is exact).
    Raises ValueError for values not above nought, a negative tolerance or degrees of freedom not above nought.
    """
    x = np.asarray(values, dtype=np.float64)
    u = np.asarray(standard_uncertainties, dtype=np.float64)
    if len(x) < 2 or x.shape != u.shape:
        raise ValueError("A set has two values or more, each with its standard uncertainty.")
    if float(x.min()) <= 0 or tolerance < 0 or float(u.min()) < 0:
        raise ValueError("Values must lie above nought; uncertainties and tolerance must not be negative.")
    if not degrees_of_freedom > 0:
        raise ValueError("Degrees of freedom must lie above nought.")
    if float(u.max()) == 0:
        return 1.0 if float(x.max()) <= (1 + tolerance) * float(x.min()) else 0.0
    if float(u.min()) == 0:
        raise ValueError("A set read on one tester has no member without uncertainty.")

    if len(x) == 2:
        return _pair_probability(x, u, tolerance, degrees_of_freedom)
    if isinf(degrees_of_freedom):
        return float(_normal_set_probabilities(x, u[None, :], tolerance)[0])
    scales, weights = _scales(degrees_of_freedom)
    return float(weights @ _normal_set_probabilities(x, u * scales[:, None], tolerance))


def _pair_probability(x: NDArray[np.float64], u: NDArray[np.float64], tolerance: float, degrees: float) -> float:
    """One less the two ways of being too far apart, each the tail of one linear combination."""
    there = 1 + tolerance
    (a, b), (u_a, u_b) = x, u
    beyond = t_cdf(float((a - there * b) / np.hypot(u_a, there * u_b)), degrees)
    beyond += t_cdf(float((b - there * a) / np.hypot(u_b, there * u_a)), degrees)
    return min(1.0, max(0.0, 1 - beyond))


def _normal_set_probabilities(x: NDArray[np.float64], us: NDArray[np.float64], tolerance: float) -> NDArray[np.float64]:
    """One probability for each row of standard uncertainties."""
    # The smallest of the true values lies nine standard uncertainties from some reading at most, and so does every
    # other, which the tolerance over the smallest must reach. Gauss-Legendre in panels that nothing in there outruns.
    low = np.maximum((x - 9 * us).min(axis=1), ((x - 9 * us) / (1 + tolerance)).max(axis=1)).clip(min=0.0)
    width = np.maximum((x + 9 * us).min(axis=1) - low, 0.0)
    panels = max(1, int(np.ceil(np.max(width / (WIDEST_PANEL * us.min(axis=1))))))
    halves = width / panels / 2
    at = ((2 * np.arange(panels) + 1)[:, None] + _NODES).ravel()
    m = low[:, None] + halves[:, None] * at
    weights = halves[:, None] * np.tile(_WEIGHTS, panels)
    # A plane for each valve: rows of uncertainties by nodes.
    value, u = x[:, None, None], us.T[:, :, None]
    z = (m - value) / u
    within = ndtr(((1 + tolerance) * m - value) / u) - ndtr(z)
    density = np.exp(-0.5 * z**2) / (u * sqrt(2 * pi))
    # The product over j != i is that of the valves before i times that of those after it.
    before, after = np.ones_like(within), np.ones_like(within)
    np.cumprod(within[:-1], axis=0, out=before[1:])
    np.cumprod(within[:0:-1], axis=0, out=after[-2::-1])
    total: NDArray[np.float64] = np.sum(weights * np.sum(density * before * after, axis=0), axis=1)
    return total.clip(0.0, 1.0)


@lru_cache(maxsize=256)
def _scales(degrees_of_freedom: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What a standard uncertainty with so many degrees of freedom may truly be, as factors, with their weights.

    Gauss-Legendre over the chi-square's distribution function, finer where the factors are large.
    """
    edges = np.array([0.0, 0.02, 0.2, 1.0])
    middles, halves = (edges[1:] + edges[:-1]) / 2, (edges[1:] - edges[:-1]) / 2
    q = (middles[:, None] + halves[:, None] * _SCALE_NODES[None, :]).ravel()
    weights = (halves[:, None] * _SCALE_WEIGHTS[None, :]).ravel()
    return np.sqrt(degrees_of_freedom / chi_squared_quantile(q, degrees_of_freedom)), weights


class SetDecision(NamedTuple):
    """A decision on a matched claim."""

    outcome: Outcome
    conformance_probability: float
    required_probability: float
    more_readings: int | None  # of each valve; None when settled, and when no number would settle it
    reason: str


class SetClaim(NamedTuple):
    """What is claimed of a set in one quantity: that largest / smallest - 1 is at most ``tolerance``.

    ``standard_uncertainties`` are of what is not common to the set, one for each value; ``degrees_of_freedom`` those
    of the standard deviation they rest on, which is one for the whole set: a study of the tester that read it.
    """

    values: Sequence[float]
    standard_uncertainties: Sequence[float]
    tolerance: float
    degrees_of_freedom: float = inf


class WholeSet(NamedTuple):
    """Between what the probability lies that a set keeps every one of its claims."""

    at_least: float
    at_most: float


def whole_set_probability(claims: Sequence[SetClaim]) -> WholeSet:
    """Between what the probability lies that a set is within its tolerance in every quantity at once.

    The quantities of a valve are read together, with one heater supply and one warm-up, and nobody knows how far their
    errors go together. Whatever the dependence, all claims hold with a probability of at least
    1 - sum of (1 - p), and of at most the least p (the inequalities of Boole and Frechet; the first is Bonferroni's
    allowance).
    """
    if not claims:
        return WholeSet(1.0, 1.0)
    each = [set_conformance_probability(*claim) for claim in claims]
    return WholeSet(max(0.0, 1.0 - sum(1.0 - p for p in each)), min(each))


def decide_whole_set(
    claims_after: Callable[[float], Sequence[SetClaim]], *, required_probability: float = 0.95, readings: int = 1
) -> SetDecision:
    """Decide whether a set is matched in all its quantities, from the probability that it truly is in all at once.

    ``claims_after(n)`` gives the claims as they would be after n readings of each valve, ``readings`` of which have
    been taken. Accept when the probability is surely ``required_probability`` or more, reject when it is surely
    1 - required_probability or less, else too close to call. The decision carries the probability that is sure.
    """
    if readings < 1:
        raise ValueError("At least one reading is needed.")
    if not 0.5 <= required_probability < 1:
        raise ValueError("The required probability is one half at least, and less than one.")

    def judged(whole: WholeSet) -> Outcome:
        if whole.at_least >= required_probability:
            return Outcome.ACCEPT
        return Outcome.REJECT if whole.at_most <= 1 - required_probability else Outcome.TOO_CLOSE

    def outcome(n: float) -> Outcome:
        return judged(whole_set_probability(claims_after(n)))

    now = whole_set_probability(claims_after(readings))
    found, sure = judged(now), now.at_least
    if found is Outcome.ACCEPT:
        return SetDecision(found, sure, required_probability, None, "probably enough within tolerance")
    if found is Outcome.REJECT:
        return SetDecision(found, sure, required_probability, None, "probably enough outside tolerance")
    needed = _first_that_settles(outcome, readings, MOST_READINGS_OF_A_SET)
    if needed is None:
        reason = "no practical number of readings would settle it"
        return SetDecision(found, sure, required_probability, None, reason)
    more = needed - readings
    reason = (
        f"{more} more reading{'s' if more != 1 else ''} of each valve, in the shift it was read in, would settle it if "
        "their means stay here"
    )
    return SetDecision(found, sure, required_probability, more, reason)


# Kept apart


def _guard_band(limits: Limits, standard_uncertainty: float, rule: Rule, degrees_of_freedom: float) -> float:
    """w; infinite when no reading within the tolerance could be sure enough."""
    if isinstance(rule, SimpleAcceptance):
        return 0.0
    if isinstance(rule, GuardedAcceptance):
        return rule.r * rule.coverage_factor * standard_uncertainty
    if not 0 < rule.probability <= 0.5:
        raise ValueError("A probability of false acceptance lies above 0 and is at most one half.")
    if standard_uncertainty == 0:
        return 0.0
    one_sided = one_sided_factor(rule.probability, degrees_of_freedom) * standard_uncertainty
    if isinf(limits.lower) or isinf(limits.upper):
        return one_sided
    # Between two limits both tails count: find w where p_c is exactly what is asked.
    half = (limits.upper - limits.lower) / 2
    asked = 1 - rule.probability

    def excess(w: float) -> float:
        estimate = limits.lower + w
        return conformance_probability(estimate, standard_uncertainty, limits, degrees_of_freedom) - asked

    if excess(half) < 0:
        return inf
    if excess(one_sided) >= 0:
        return one_sided
    return float(optimize.brentq(excess, one_sided, half, xtol=1e-15 * max(1.0, half), rtol=1e-14))


def _outcome(
    estimate: float,
    limits: Limits,
    rule: Rule,
    standard_uncertainty: float,
    degrees_of_freedom: float,
    allowance: float,
) -> Outcome:
    if isinstance(rule, SimpleAcceptance):
        return Outcome.ACCEPT if limits.contains(estimate) else Outcome.REJECT
    lower, upper, _ = acceptance_limits(limits, standard_uncertainty, rule, degrees_of_freedom, allowance=allowance)
    if lower is not None and upper is not None and lower <= estimate <= upper:
        return Outcome.ACCEPT
    below, above = limits.lower - estimate, estimate - limits.upper
    beyond = max(below, above) - allowance
    if beyond <= 0:
        return Outcome.TOO_CLOSE
    if isinstance(rule, GuardedAcceptance):
        rejected = beyond >= rule.r * rule.coverage_factor * standard_uncertainty
    else:
        nearer = estimate + allowance if below > above else estimate - allowance
        p_c = conformance_probability(nearer, standard_uncertainty, limits, degrees_of_freedom)
        rejected = p_c <= rule.probability
    return Outcome.REJECT if rejected else Outcome.TOO_CLOSE


def _first_that_settles(outcome: Callable[[float], Outcome], readings: int, most: int = MOST_READINGS) -> int | None:
    """The smallest n > readings whose outcome is settled: doubling, then halving the gap."""
    if outcome(inf) is Outcome.TOO_CLOSE:
        return None
    unsettled, n = readings, readings
    while n < most:
        n = min(2 * n, most)
        if outcome(n) is not Outcome.TOO_CLOSE:
            break
        unsettled = n
    else:
        return None
    settled = n
    while settled - unsettled > 1:
        middle = (settled + unsettled) // 2
        if outcome(middle) is Outcome.TOO_CLOSE:
            unsettled = middle
        else:
            settled = middle
    return settled


def one_sided_factor(probability: float, degrees_of_freedom: float = inf) -> float:
    """How many standard uncertainties leave ``probability`` beyond them on one side."""
    return -t_quantile(probability, degrees_of_freedom)


def _quad(function: Callable[[float], float], a: float, b: float) -> float:
    return float(integrate.quad(function, a, b, epsabs=1e-10, epsrel=1e-9, limit=200)[0])
