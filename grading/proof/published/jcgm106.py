"""Worked examples of JCGM 106:2012, The role of measurement uncertainty in conformity assessment."""

from functools import cache
from math import inf

from scipy import stats

from grading.metrology import conformity
from grading.metrology.conformity import AcceptanceLimits, Limits, MaximumFalseAcceptance
from grading.proof.published.case import FROM_MEMORY, SECOND_HAND, rounds_to

_106 = "JCGM 106:2012"
_106_SOURCE = "JCGM 106:2012, The role of measurement uncertainty in conformity assessment"
_BEARINGS = stats.gamma(a=4, scale=0.25)
_BEARING_LIMITS = Limits(upper=2.0)


def _speed_threshold() -> float:
    """8.3.3: the speed whose probability of exceeding 100 km/h is 99.9 %, u being 2 % of the speed.

    The guard band of a rule of at most 0.1 % false rejection, taken at the threshold itself.
    """
    threshold = 100.0
    for _ in range(100):
        band = conformity.acceptance_limits(Limits(lower=100.0), 0.02 * threshold, MaximumFalseAcceptance(0.001))
        threshold = 100.0 + band.guard_band
    return threshold


@cache
def _bearing_risk(acceptance: float) -> float:
    return conformity.global_risks(
        _BEARINGS, 0.25, _BEARING_LIMITS, AcceptanceLimits(-inf, acceptance, 2.0 - acceptance)
    ).consumer


def _bearing_acceptance() -> float:
    """The acceptance limit that brings the consumer's risk down to 0.1 %, by halving."""
    low, high = 1.0, 2.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if _bearing_risk(middle) < 0.001 else (low, middle)
    return (low + high) / 2


_NOTEBOOK = "9.5.4, as worked in a national laboratory's published notebook"

CASES = (
    *(
        rounds_to(_106, name, published, f"{_106_SOURCE}, {clause}", FROM_MEMORY, compute)
        for name, published, clause, compute in (
            (
                "breakdown voltage of a Zener diode, p_c",
                "0.92",
                "7.3.3 example 1",
                lambda: conformity.conformance_probability(-5.47, 0.05, Limits(upper=-5.40)),
            ),
            (
                "burst pressure of a container, p_c",
                "0.99",
                "7.3.3 example 2",
                lambda: conformity.conformance_probability(509.7, 8.6, Limits(lower=490)),
            ),
            (
                "viscosity of motor oil, p_c",
                "0.66",
                "7.4 example",
                lambda: conformity.conformance_probability(13.6, 1.8, Limits(12.5, 16.3)),
            ),
            ("threshold of a speed limit, km/h", "107", "8.3.3 example", _speed_threshold),
        )
    ),
    *(
        rounds_to(_106, f"ball bearings, {name}", published, f"{_106_SOURCE}, {_NOTEBOOK}", SECOND_HAND, compute)
        for name, published, compute in (
            (
                "not conforming, %",
                "4.2",
                lambda: 100 * conformity.global_risks(_BEARINGS, 0.25, _BEARING_LIMITS).nonconforming,
            ),
            (
                "global consumer's risk, %",
                "0.8",
                lambda: 100 * conformity.global_risks(_BEARINGS, 0.25, _BEARING_LIMITS).consumer,
            ),
            ("acceptance limit for a risk of 0.1 %, um", "1.67", _bearing_acceptance),
        )
    ),
)
