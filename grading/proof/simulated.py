"""What the decision rules and the intervals promise, tried on simulated valves.

What it offers
--------------
    :func:`false_accepts`         how many valves near a limit a rule accepts wrongly
    :func:`reading_coverage`      how often a reading's interval holds the true value

What is printed of spreads and claimed of sets is tried in :mod:`grading.proof.promised`.

Every valve is read as a tester reads it: a session's gain, offset and calibration error, the scatter of the
reading, and the step of the display. The decisions and intervals are those of :mod:`grading.metrology.conformity` and
:mod:`grading.metrology.uncertainty`, from what the tester's record would say. Seeds are fixed, so the results are too.
"""

from functools import cache
from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from grading.metrology import conformity, uncertainty
from grading.metrology.conformity import Limits, Outcome, Rule
from grading.metrology.uncertainty import ReadingTerms

VALVES = 10_000

# An invented tester reading anode current in mA near 10 mA.
TESTER = ReadingTerms(
    resolution=0.05,
    repeatability_sd=0.10,
    reproducibility_sd=0.03,
    accuracy_percent=0.5,
    accuracy_absolute=0.03,
    calibration_u=0.02,
)
LIMITS = Limits(8.0, 12.0)

# Repeatability known from a study of this many degrees of freedom, by this many such studies.
STUDY_DEGREES = 20
STUDIES = 100


class FalseAccepts(NamedTuple):
    """``at_limit`` is the share accepted of valves that lie on the limit itself, ``among_accepted`` the share
    that does not conform among the accepted ones of valves spread evenly about the limit."""

    valves: int
    at_limit: float
    among_accepted: float


def false_accepts(rule: Rule, limit: float, *, valves: int = VALVES, seed: int = 1) -> FalseAccepts:
    """Judge ``valves`` simulated valves on a limit of :data:`LIMITS`, and as many spread about it."""
    rng = np.random.default_rng(seed)
    u = uncertainty.reading(limit, TESTER).combined_standard_uncertainty
    on_limit = np.full(valves, limit)
    about = rng.uniform(limit - 4 * u, limit + 4 * u, valves)

    @cache
    def accepted(shown: float) -> bool:
        combined = uncertainty.reading(shown, TESTER)
        decision = conformity.decide(
            shown,
            LIMITS,
            rule,
            repeatability_sd=TESTER.repeatability_at(shown),
            systematic_u=uncertainty.not_averaging(combined),
            display_step=TESTER.resolution,
            degrees_of_freedom=combined.effective_degrees_of_freedom,
        )
        return decision.outcome is Outcome.ACCEPT

    at_limit = [accepted(float(shown)) for shown in _read(rng, on_limit, _sessions(rng, valves))]
    taken = np.array([accepted(float(shown)) for shown in _read(rng, about, _sessions(rng, valves))])
    conform = (about >= LIMITS.lower) & (about <= LIMITS.upper)
    among = float((taken & ~conform).sum() / taken.sum()) if taken.any() else 0.0
    return FalseAccepts(valves, sum(at_limit) / valves, among)


def reading_coverage(*, valves: int = VALVES, seed: int = 2) -> float:
    """Share of the 95 % intervals of single readings that hold the valve's true value.

    The repeatability is not known but estimated, by a study of :data:`STUDY_DEGREES` degrees of freedom.
    """
    rng = np.random.default_rng(seed)
    held = 0
    for terms in _testers(rng):
        true = rng.uniform(8.0, 12.0, valves // STUDIES)
        shown = _read(rng, true, _sessions(rng, len(true)))
        for value, truth in zip(shown, true, strict=True):
            lower, upper = _interval(float(value), terms)
            held += lower <= truth <= upper
    return held / (valves // STUDIES * STUDIES)


class _Sessions(NamedTuple):
    """The errors that one session's readings share."""

    gain: NDArray[np.float64]
    offset: NDArray[np.float64]


def _sessions(rng: np.random.Generator, count: int) -> _Sessions:
    t = TESTER
    return _Sessions(
        rng.uniform(-t.accuracy_percent, t.accuracy_percent, count) / 100,
        rng.uniform(-t.accuracy_absolute, t.accuracy_absolute, count)
        + rng.normal(0.0, sqrt(t.calibration_u**2 + t.reproducibility_sd**2), count),
    )


def _read(rng: np.random.Generator, true: NDArray[np.float64], session: _Sessions) -> NDArray[np.float64]:
    """What the display shows: one operator's readings share the session's operator error too."""
    scatter = rng.normal(0.0, TESTER.repeatability_sd, len(true))
    value = true * (1 + session.gain) + session.offset + scatter
    return np.round(np.round(value / TESTER.resolution) * TESTER.resolution, 6)


def _testers(rng: np.random.Generator) -> list[ReadingTerms]:
    """The tester as each of several repeatability studies would describe it."""
    estimates = TESTER.repeatability_sd * np.sqrt(rng.chisquare(STUDY_DEGREES, STUDIES) / STUDY_DEGREES)
    return [
        TESTER._replace(repeatability_sd=float(s), repeatability_degrees_of_freedom=STUDY_DEGREES) for s in estimates
    ]


@cache
def _interval(shown: float, terms: ReadingTerms) -> tuple[float, float]:
    return uncertainty.expand(uncertainty.reading(shown, terms)).interval
