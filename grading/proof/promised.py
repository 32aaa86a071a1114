"""What is printed and decided from a tester's readings, tried by simulation on the functions that the shop calls.

What it offers
--------------
    :class:`Trial`       a tester, the study it is known by, the people who read, and the valves
    :func:`intervals`    how often ± holds the true value: of a reading, and of the spread of a set
    :func:`claims`       how often a set is claimed within a tolerance that it lies on, or lies well inside
    :func:`sections`     the same for the two sections of one valve under a policy
    :func:`changed`      how often a valve that came back is called changed, unchanged or changed for certain
    :func:`cases`        each as a promise with its bounds, with so many times as many draws
    :data:`CASES`        the same with few, beside the published cases of `grading.proof.published`

Nothing is known here that the shop does not know: each simulated tester is studied by simulated people, the study is
analysed as `grading.testers.studies` does, and readings go through `measured._with_uncertainty`, `spread_of`, `claim`
and
`grades.judge`. People differ by a bias of their own that lasts; the readers are others than those of the study, which
is the harder case. Seeds are fixed, so the results are too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from functools import cache, partial
from math import expm1, log1p, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from grading.metrology.change import ChangeOutcome
from grading.metrology.conformity import MaximumFalseAcceptance, Outcome
from grading.metrology.repeatability import crossed_study
from grading.models import Calibration, CalibrationValue, Capability, Quantity, Study, Tester
from grading.proof.published.case import PROMISE, PublishedCase
from grading.returns.comparing import compared
from grading.testers.records import Basis, BasisKind, TesterRecord
from grading.testers.studies import StudiedRepeatability, said_by
from grading.verdicts.pure.grades import SectionReading, judge
from grading.verdicts.pure.rules import GradeLevel, PolicyRules
from grading.verdicts.values import Value, _with_uncertainty, claim, spread_of

IA = Quantity.ANODE_CURRENT
PROBABILITY = 0.95
TOLERANCE = 0.05
STEP_MA = 0.01


class Trial(NamedTuple):
    """An invented tester and what it is tried on.

    Standard deviations are fractions of the reading; `gain_limit` is rectangular, `offset_limit_ma` too. The study
    is of so many valves, people and repeats, near `studied_ma`; the valves tried read near `at_ma`. `scatter_grows`
    says whether the true scatter is in proportion to the reading or the same everywhere. `sessions` is 2 when the
    tester was stopped or calibrated between the valves. The `others` of a set, beside its extremes, lie "between" them
    or at the "ends".
    """

    study: tuple[int, int, int] = (10, 3, 3)
    people: int = 1
    people_sd: float = 0.0
    size: int = 2
    sessions: int = 1
    scatter: float = 0.01
    gain_limit: float = 0.03
    offset_limit_ma: float = 0.0
    studied_ma: float = 10.0
    at_ma: float = 10.0
    scatter_grows: bool = True
    others: str = "between"
    testers: int = 200
    sets: int = 5


def intervals(trial: Trial) -> float:
    """Share of the 95 % intervals of spreads, all truly on the tolerance, that hold it."""
    return _on_tolerance(trial)[0]


def claims(trial: Trial) -> float:
    """Share of the sets truly on the tolerance that are claimed to be within it at 95 %."""
    return _on_tolerance(trial)[1]


@cache
def _on_tolerance(trial: Trial, seed: int = 11) -> tuple[float, float]:
    held = claimed = tried = 0
    for values in _sets(trial, TOLERANCE, seed, calibrated=trial.sessions > 1):
        found, decision = spread_of(values), claim(values, TOLERANCE, PROBABILITY)
        assert found.expanded_uncertainty is not None and decision is not None
        held += abs(found.spread - TOLERANCE) <= found.expanded_uncertainty
        claimed += decision.outcome is Outcome.ACCEPT
        tried += 1
    return held / tried, claimed / tried


def reading_intervals(trial: Trial, seed: int = 12) -> float:
    """Share of the 95 % intervals of single readings that hold what the valve truly draws."""
    held = tried = 0
    for values in _sets(trial, 0.0, seed, calibrated=True):
        for value in values:
            assert value.expanded_uncertainty is not None
            held += abs(value.value - trial.at_ma) <= value.expanded_uncertainty
            tried += 1
    return held / tried


def well_inside(trial: Trial, seed: int = 14) -> float:
    """Share of the sets of equal valves that are claimed within a tolerance of three true guard bands."""
    tolerance = expm1(3 * _true_guard_band(trial))
    sets = _sets(trial._replace(sets=2), 0.0, seed, calibrated=trial.sessions > 1)
    found = [claim(values, tolerance, PROBABILITY) for values in sets]
    return sum(decision is not None and decision.outcome is Outcome.ACCEPT for decision in found) / len(found)


def sections(trial: Trial, limit_percent: float, true_percent: float, seed: int = 15) -> float:
    """Share of the valves whose two sections truly differ so that a policy finds within its limit for sections."""
    level = GradeLevel("Alike", within_sheet_limits=False, anode_current_section_spread_percent=limit_percent)
    policy = PolicyRules((level,), "Unlike", acceptance=MaximumFalseAcceptance(1 - PROBABILITY))
    passed = tried = 0
    for values in _sets(trial, true_percent / 100, seed):
        read = [
            SectionReading(section=place, anode_current_ma=value.value, anode_current_known=value.known)
            for place, value in enumerate(values, start=1)
        ]
        passed += judge(policy, read).name == "Alike"
        tried += 1
    return passed / tried


def changed(trial: Trial, by: float = 0.0, seed: int = 16) -> float:
    """Share of the valves that a return’s page calls changed, read again when they have risen `by` so much."""
    pairs = list(_sets(trial, by, seed, calibrated=True))
    found = [compared(values[:1], values[1:], 0.1).outcome for values in pairs]
    return sum(outcome is ChangeOutcome.CHANGED for outcome in found) / len(found)


def changed_for_certain(trial: Trial) -> float:
    """The same of valves that have risen by twice the true expanded uncertainty of the comparison."""
    return changed(trial, expm1(2 * _true_guard_band(trial, (1 - PROBABILITY) / 2)))


def _true_guard_band(trial: Trial, risk: float = 1 - PROBABILITY) -> float:
    """Of two valves, as a log ratio, were the tester's standard deviations known and only their degrees small."""
    level = 1.0 if trial.scatter_grows else trial.studied_ma / trial.at_ma
    variance = (trial.scatter * level) ** 2 + (trial.people_sd**2 if trial.people > 1 else 0.0)
    variance += trial.gain_limit**2 / 3 if trial.sessions > 1 else 0.0
    parts, people, repeats = trial.study
    degrees = people - 1 if trial.people > 1 else parts * people * (repeats - 1)
    pairs = (trial.size // 2) * (trial.size - trial.size // 2)
    return float(stats.t.ppf(1 - risk / pairs, degrees)) * sqrt(2 * variance)


# Drawing


def _sets(trial: Trial, spread: float, seed: int, *, calibrated: bool = False) -> Iterator[list[Value]]:
    """Sets whose true spread is `spread`: the extremes, and the others anywhere between."""
    rng = np.random.default_rng(seed)
    for _ in range(trial.testers):
        known = _studied(rng, trial, calibrated)
        between = rng.uniform(0, 1, (trial.sets, trial.size))
        if trial.others == "ends":
            between = np.round(between)
        between[:, 0], between[:, -1] = 0, 1
        true = trial.at_ma * np.exp(between * log1p(spread))
        place = np.arange(trial.size)
        who, session = place % trial.people, place * trial.sessions // trial.size
        gain = rng.uniform(-1, 1, (trial.sets, trial.sessions)) * trial.gain_limit
        offset = rng.uniform(-1, 1, (trial.sets, trial.sessions)) * trial.offset_limit_ma
        bias = rng.normal(0, trial.people_sd, (trial.sets, trial.people))
        shown = true * (1 + gain[:, session] + bias[:, who]) + offset[:, session] + _scatter(rng, trial, true)
        for row in np.round(shown / STEP_MA) * STEP_MA:
            yield [
                _with_uncertainty(_plain(float(mean), int(by), int(when)), float(mean), IA, BASIS, known)
                for mean, by, when in zip(row, who, session, strict=True)
            ]


def _scatter(rng: np.random.Generator, trial: Trial, true: NDArray[np.float64]) -> NDArray[np.float64]:
    level = true if trial.scatter_grows else np.full_like(true, trial.studied_ma)
    return rng.normal(0, trial.scatter, true.shape) * level


BASIS = Basis(BasisKind.SHEET, None, 0.0, 1.0, 0.0, False, "as read")
TESTER = Tester(pk=1, name="Simulated")


def _plain(value: float, by: int, session: int) -> Value:
    return Value(
        section=1,
        quantity=str(IA),
        value=value,
        readings=1,
        tester="Simulated",
        point_id=1,
        conditions="",
        nominal=None,
        kind=str(BasisKind.SHEET),
        basis="",
        sheet_limits=False,
        operator=str(by),
        session=f"1.{session}",
    )


def _studied(rng: np.random.Generator, trial: Trial, calibrated: bool) -> TesterRecord:
    """The tester as its record has it after a study; a calibration adds nothing to what it is known by."""
    day = date(2026, 1, 1)
    capability = Capability(
        tester=TESTER,
        quantity=IA,
        resolution=STEP_MA,
        accuracy_percent=100 * trial.gain_limit,
        accuracy_absolute=trial.offset_limit_ma,
    )
    calibration = Calibration(tester=TESTER, done_on=day, due_on=date(2027, 1, 1), by="") if calibrated else None
    of_current: dict[str, CalibrationValue] = (
        {IA: CalibrationValue(quantity=IA, standard_uncertainty_percent=0.0)} if calibrated else {}
    )
    return TesterRecord(TESTER, day, {IA: capability}, calibration, of_current, {IA: (_study(rng, trial),)})


def _study(rng: np.random.Generator, trial: Trial) -> StudiedRepeatability:
    """One whose repeats all agree is made again, as in the shop."""
    while True:
        parts, people, _ = trial.study
        true = trial.studied_ma * (1 + rng.normal(0, 0.1, (parts, 1, 1)))
        bias = rng.normal(0, trial.people_sd, (1, people, 1))
        true = np.broadcast_to(true, trial.study)
        shown = np.round((true * (1 + bias) + _scatter(rng, trial, true)) / STEP_MA) * STEP_MA
        try:
            return said_by(Study(pk=1, tester=TESTER, quantity=IA), crossed_study(shown))
        except ValueError:
            continue


# As promises

_TRIED = "Simulation of the shop"
_STUDIES = ((10, 3, 3), (2, 2, 2))
_READERS = (("one person", 1, 0.0), ("two people, sd 1 %", 2, 0.01), ("two people, sd 2 %", 2, 0.02))
# What a promised share may be exceeded by is what so many draws leave to chance, no more: this many standard
# deviations of their share (one-sided, 95 %). Seeds are fixed, so that what is kept once is kept always.
# With more draws it comes down: `manage.py try_promises --times 16` allows a quarter of it.
CHANCE = 1.645


def cases(times: int = 1) -> Iterator[PublishedCase]:
    """With `times` as many simulated testers as run with the tests."""
    for study in _STUDIES:
        for who, people, sd in _READERS:
            trial = Trial(study, people, sd, testers=200 * times)
            yield from _three(f"pair, {'×'.join(map(str, study))} study, {who}", trial)
            quads = trial._replace(size=4, testers=100 * times, sets=3, others="ends")
            yield from _three(f"quad, {'×'.join(map(str, study))} study, {who}", quads)
    many = Trial(testers=200 * times)
    offset = many._replace(offset_limit_ma=0.1, gain_limit=0.0, studied_ma=1.0, at_ma=1.0, scatter=0.005)
    yield from _three("pair read 0.1 mA off at 1 mA", offset)
    yield from _three("pair on either side of a stop", many._replace(sessions=2, gain_limit=0.01))
    unlike = many._replace(at_ma=35.0, scatter_grows=True)
    yield from _three("pair of unlike sections, above what was studied", unlike)
    unlike = many._replace(at_ma=1.2, scatter_grows=False, scatter=0.002)
    yield from _three("pair of unlike sections, below what was studied", unlike)
    for study in _STUDIES:
        of_sections = partial(sections, many._replace(study=study, sets=3), 15.0, 15.0)
        name = f"sections that differ by the limit, {'×'.join(map(str, study))} study"
        yield _at_most(name, of_sections, 600 * times)
        within = partial(sections, many._replace(study=study, sets=3), 25.0, 15.0)
        yield _case(f"sections well within it, {'×'.join(map(str, study))} study", ">= 90 %", 0.9, 1.0, within)
    for study, sd in (((10, 3, 3), 0.01), ((2, 2, 2), 0.01)):
        level = partial(reading_intervals, many._replace(study=study, people_sd=sd, gain_limit=0.005))
        yield _case(
            f"a reading's ±, {'×'.join(map(str, study))} study, others' readings", "93 to 98 %", 0.93, 0.98, level
        )
    yield from _came_back(times)


def _came_back(times: int) -> Iterator[PublishedCase]:
    trial = Trial(testers=100 * times)
    for name, of in (
        ("by the same person on the same tester", trial),
        ("by another person", trial._replace(people=2, people_sd=0.01)),
        ("on the other side of a calibration", trial._replace(sessions=2)),
    ):
        again = f"a returned valve, read again {name}"
        yield _at_most(f"{again}: called changed although it is as it was", partial(changed, of), of.testers * of.sets)
        found = partial(changed_for_certain, of)
        yield _case(f"{again}: found to have changed by twice the ±", ">= 90 %", 0.9, 1.0, found)


def _three(name: str, trial: Trial) -> Iterator[PublishedCase]:
    yield _case(f"{name}: ± holds a spread on the tolerance", "93 to 98 %", 0.93, 0.98, partial(intervals, trial))
    yield _at_most(f"{name}: claimed although on the tolerance", partial(claims, trial), trial.testers * trial.sets)
    yield _case(f"{name}: claimed when well inside", ">= 90 %", 0.9, 1.0, partial(well_inside, trial))


def _at_most(name: str, compute: Callable[[], float], draws: int) -> PublishedCase:
    promised = 1 - PROBABILITY
    most = promised + CHANCE * sqrt(promised * PROBABILITY / draws)
    return _case(name, f"<= {100 * promised:.0f} % and chance", 0.0, most, compute)


def _case(name: str, words: str, low: float, high: float, compute: Callable[[], float]) -> PublishedCase:
    source = "simulation on the functions that the shop calls, fixed seed"
    return PublishedCase(_TRIED, name, words, low, high, source, PROMISE, compute)


CASES: tuple[PublishedCase, ...] = tuple(cases())
