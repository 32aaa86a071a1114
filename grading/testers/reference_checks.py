"""Reference valves read at the start of a shift, their control charts, and the stop when a tester has drifted.

The chart is that of `grading.metrology.control`: individuals, and the weighted average for slow drift. Its lines come
from the
first `BASELINE` checks, or from those the owner chooses. After a stop is cleared the rules look at the checks made
since, so that what was put right does not go on being signalled. A stop is dear, so few rules may make one: a check
beyond 3.5 sigma, or the average beyond limits as wide. The usual zone rules and moving range together stopped a steady
tester with three reference valves once in some 13 shifts, chiefly because twenty checks know sigma only roughly. These
stop it once in some 100 (with one valve in some 250), and find a shift of 1.5 sigma in three shifts on average (by
simulation, tests/testers/test_reference_checks.py).

Three rules of ours, no source: the length of the baseline; a display's step counts as two standard deviations at
least, because a chart of a coarse display would otherwise cry at every step; a reference valve put out of use stops
nobody.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from math import fsum
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from grading.metrology import control
from grading.metrology.control import ChartAssessment, ChartRule, IndividualsChart
from grading.models import Baseline, Capability, Reading, ReferenceCheck, ReferenceValve, Shift, Stop, Tester
from stockroom.models import Entry
from stockroom.pure.refused import Refused
from stockroom.pure.written import day, moment, plural

# Wide, for a chart whose sigma is known from twenty checks only (a rule of ours, by simulation).
WIDTH = 3.5
BEYOND = control.BEYOND_3._replace(statement=f"one check beyond {WIDTH:g} sigma")
RULES = (BEYOND, control.EWMA_OUT)
BASELINE = 20
SHORTEST_BASELINE = 8


class CheckProblem(Refused):
    """The check, or what is asked of it, cannot be."""


# Which valves


def for_tester(tester: Tester) -> list[ReferenceValve]:
    """The reference valves in use that this tester can read, in a fixed number of queries."""
    measured = {row.quantity for row in tester.capabilities.all()}
    found = (
        ReferenceValve.objects.filter(Q(tester=None) | Q(tester=tester), active=True)
        .select_related("valve", "test_point__section__type")
        .order_by("pk")
    )
    return [reference for reference in found if reference.quantity in measured]


def due(shift: Shift) -> list[ReferenceValve]:
    """What the start-of-shift check still asks for."""
    done = set(ReferenceCheck.objects.filter(shift=shift).values_list("reference", flat=True))
    return [reference for reference in for_tester(shift.tester) if reference.pk not in done]


def check_due(shift: Shift) -> bool:
    """No check has been made in this shift, and there is a reference valve to make one on."""
    return not ReferenceCheck.objects.filter(shift=shift).exists() and bool(for_tester(shift.tester))


def add_reference(reference: ReferenceValve, by: User) -> ReferenceValve:
    """From now on this valve is read at the start of each shift."""
    with transaction.atomic():
        reference.save()
        said = f"{reference} of the {reference.test_point.section.type} is a reference valve."
        Entry.write(by, "reference-added", said, valve=reference.valve)
    return reference


def put_in_use(reference: ReferenceValve, active: bool, by: User) -> None:
    with transaction.atomic():
        reference.active = active
        reference.save(update_fields=["active"])
        said = f"Reference valve {reference} put {'in' if active else 'out of'} use."
        Entry.write(by, "reference-use", said, valve=reference.valve)


# The chart


class CheckChart(NamedTuple):
    """One reference valve on one tester.

    `checks` are all that stand, in the order read. The lines are drawn from `checks[first:last]`, the baseline; while
    `lines` is None they are still being learnt. The rules judge `checks[judged_from:]`: positions in `assessment` are
    counted from there. `problem` says why there are no lines although there are checks enough.
    """

    reference: ReferenceValve
    tester: Tester
    checks: tuple[ReferenceCheck, ...]
    baseline: Baseline | None
    first: int
    last: int
    lines: IndividualsChart | None
    judged_from: int
    assessment: ChartAssessment | None
    problem: str

    @property
    def learning(self) -> bool:
        return self.lines is None and not self.problem

    @property
    def size(self) -> int:
        """Checks that the baseline asks for."""
        return self.baseline.size if self.baseline else BASELINE

    @property
    def drawn_from(self) -> str:
        """What the lines are drawn from, and who chose it, as a sentence."""
        chosen = ""
        if self.baseline:
            by = f" by {self.baseline.by}" if self.baseline.by else ""
            chosen = f", chosen {day(timezone.localtime(self.baseline.set_at))}{by}: {self.baseline.why}"
        return f"The lines are drawn from {plural(self.size, 'check')}{chosen}."

    @property
    def so_far(self) -> int:
        return self.last - self.first

    @property
    def in_control(self) -> bool:
        return self.assessment is None or self.assessment.in_control

    @property
    def outside_baseline(self) -> list[ReferenceCheck]:
        """Checks of the baseline beyond its own limits: a baseline that was not steady itself."""
        if self.lines is None:
            return []
        low, high = self.lines.lower_control_limit, self.lines.upper_control_limit
        return [check for check in self.checks[self.first : self.last] if not low <= check.value <= high]

    @property
    def broken(self) -> list[tuple[ChartRule, int, int]]:
        """Each rule that is broken, with the stretch `checks[first:last]` in which it is."""
        found: dict[str, tuple[ChartRule, int, int]] = {}
        for signal in self.assessment.signals if self.assessment else ():
            rule, first, last = found.get(signal.rule.key, (signal.rule, len(self.checks), 0))
            found[rule.key] = (
                rule,
                min(first, self.judged_from + signal.first),
                max(last, self.judged_from + signal.last + 1),
            )
        return list(found.values())


def chart_of(reference: ReferenceValve, tester: Tester) -> CheckChart:
    current = ReferenceCheck.objects.current().filter(reference=reference, shift__tester=tester)
    checks = tuple(current.select_related("by", "shift").order_by("taken_at", "pk"))
    baseline = Baseline.objects.filter(reference=reference, tester=tester).select_related("by").first()
    cleared = Stop.objects.filter(tester=tester).exclude(cleared_at=None).order_by("-cleared_at").first()
    first = _position(checks, baseline.starts_at) if baseline else 0
    size = baseline.size if baseline else BASELINE
    last = min(first + size, len(checks))
    if last - first < size:
        return CheckChart(reference, tester, checks, baseline, first, last, None, last, None, "")
    try:
        lines = _lines([check.value for check in checks[first:last]], _step(reference, tester))
    except CheckProblem as problem:
        return CheckChart(reference, tester, checks, baseline, first, last, None, last, None, str(problem))
    judged_from = last
    if cleared and cleared.cleared_at:
        judged_from = max(judged_from, _position(checks, cleared.cleared_at))
    assessment = judged([check.value for check in checks[judged_from:]], lines)
    return CheckChart(reference, tester, checks, baseline, first, last, lines, judged_from, assessment, "")


def judged(values: Sequence[float], lines: IndividualsChart) -> ChartAssessment:
    """The checks made since the lines were drawn."""
    return control.assess(values, lines, rules=(BEYOND,), width=WIDTH, judge_ranges=False)


def _position(checks: Sequence[ReferenceCheck], when: datetime) -> int:
    """How many checks were made before a time."""
    return sum(check.taken_at < when for check in checks)


def _step(reference: ReferenceValve, tester: Tester) -> float:
    step = Capability.objects.filter(tester=tester, quantity=reference.quantity).values_list("resolution", flat=True)
    return step[0] if step else 0.0


def _lines(baseline: Sequence[float], step: float) -> IndividualsChart:
    """As `control.individuals_chart`, with a standard deviation of half the display's step at least."""
    ranges = control.moving_ranges(baseline)
    sigma = step / 2
    if sum(ranges) / len(ranges) > control.D2 * sigma:
        return control.individuals_chart(baseline)
    if sigma <= 0:
        raise CheckProblem(
            "All the baseline's checks agree and the display's step is not written down: there is nothing to draw "
            "limits from. Write down what the tester measures."
        )
    centre = fsum(baseline) / len(baseline)
    mean_range = control.D2 * sigma
    return IndividualsChart(
        centre, sigma, centre - 3 * sigma, centre + 3 * sigma, mean_range, control.D4 * mean_range, len(baseline)
    )


def choose_baseline(
    reference: ReferenceValve, tester: Tester, starts_at: datetime, size: int, why: str, by: User
) -> Baseline:
    """Draw the lines from the first `size` checks from `starts_at` on. Raises CheckProblem."""
    if size < SHORTEST_BASELINE:
        raise CheckProblem(f"A baseline needs {SHORTEST_BASELINE} checks at least.")
    with transaction.atomic():
        baseline = Baseline.objects.create(
            reference=reference, tester=tester, starts_at=starts_at, size=size, why=why, by=by
        )
        since = f"{size} checks from {moment(timezone.localtime(starts_at))}"
        Entry.write(by, "baseline", f"Chart of {reference} on {tester} drawn from {since}: {why}.")
    return baseline


# Checking


class CheckOutcome(NamedTuple):
    check: ReferenceCheck
    chart: CheckChart
    stop: Stop | None  # the tester is stopped, by this check or before it


def record(
    reference: ReferenceValve, shift: Shift, value: float, by: User, taken_at: datetime | None = None
) -> CheckOutcome:
    """`taken_at` is when it was read, if not now.

    Raises CheckProblem: the shift has ended, or this tester does not read that valve.
    """
    with transaction.atomic():
        if not Shift.objects.select_for_update(no_key=True).filter(pk=shift.pk, ended_at=None).exists():
            raise CheckProblem("Your shift has ended. Start one, then check again.")
        if reference.pk not in {row.pk for row in for_tester(shift.tester)}:
            raise CheckProblem(f"{reference} is not read on {shift.tester}.")
        check = ReferenceCheck.objects.create(
            reference=reference, shift=shift, value=value, by=by, taken_at=taken_at or timezone.now()
        )
        Entry.write(by, "reference-check", f"{reference} reads {reference.of.shown(value)} on {shift.tester}.")
        return _judged(check, by)


def correct(check: ReferenceCheck, value: float, reason: str, by: User) -> CheckOutcome:
    """Raises CheckProblem: it has been corrected already."""
    try:
        with transaction.atomic():
            new = ReferenceCheck.objects.create(
                reference=check.reference,
                shift=check.shift,
                by=by,
                value=value,
                taken_at=check.taken_at,
                supersedes=check,
                reason=reason,
            )
            amount = check.reference.of.amount
            said = f"Check of {check.reference} corrected, {amount(check.value)} → {amount(value)}: {reason}."
            Entry.write(by, "reference-corrected", said)
            return _judged(new, by)
    except IntegrityError:
        raise CheckProblem("This check has been corrected already. Correct the correction.") from None


def _judged(check: ReferenceCheck, by: User) -> CheckOutcome:
    """Record the baseline once it is whole; stop the tester, or widen its stop, when the chart is out of control."""
    reference, tester = check.reference, check.shift.tester
    chart = chart_of(reference, tester)
    if chart.lines and chart.baseline is None:
        choose_baseline(reference, tester, chart.checks[0].taken_at, BASELINE, f"the first {BASELINE} checks", by)
        chart = chart_of(reference, tester)
    stop = current_stop(tester)
    if chart.in_control:
        return CheckOutcome(check, chart, stop)
    since, why = _suspect_since(chart), reasons(chart)
    if stop is None:
        stop = Stop.objects.create(tester=tester, why=why, check_made=check, suspect_since=since)
        Entry.write(by, "tester-stopped", f"{tester} is stopped. {why}")
    else:
        stop.suspect_since = min(stop.suspect_since, since)
        others = [line for line in stop.why.splitlines() if not line.startswith(f"{reference} is out")]
        stop.why = "\n".join([*others, why])
        stop.save(update_fields=["suspect_since", "why"])
    return CheckOutcome(check, chart, stop)


def _suspect_since(chart: CheckChart) -> datetime:
    """The time of the last check that no broken rule blames, by `control.assess`, which is cautious.

    When none came since, that of the baseline's last check, or the clearing of the last stop.
    """
    assert chart.assessment is not None
    if chart.assessment.last_good is not None:
        return chart.checks[chart.judged_from + chart.assessment.last_good].taken_at
    before = chart.checks[chart.judged_from - 1].taken_at
    cleared = Stop.objects.filter(tester=chart.tester).exclude(cleared_at=None).order_by("-cleared_at").first()
    return max(before, cleared.cleared_at) if cleared and cleared.cleared_at else before


def reasons(chart: CheckChart) -> str:
    """The rules that are broken, in a sentence; nothing when none is."""
    if chart.in_control:
        return ""
    named = "; ".join(f"rule {rule.key}, {rule.statement}" for rule, _, _ in chart.broken)
    return f"{chart.reference} is out of control: {named}."


# The stop


def current_stop(tester: Tester) -> Stop | None:
    return Stop.objects.filter(tester=tester, cleared_at=None).first()


def may_grade(tester: Tester) -> tuple[bool, str]:
    """Whether readings on this tester may be graded, and why not. One query."""
    stop = current_stop(tester)
    if stop is None:
        return True, ""
    when = timezone.localtime(stop.opened_at)
    return False, (
        f"{tester} was stopped on {moment(when)}. {stop.why.splitlines()[0]} "
        "Nothing is graded on it until the owner has cleared the stop."
    )


def under_review(stop: Stop) -> QuerySet[Reading]:
    """Every current reading on the tester since its last good check, the latest first."""
    found = Reading.objects.current().filter(shift__tester=stop.tester, taken_at__gt=stop.suspect_since)
    if stop.cleared_at:
        found = found.filter(taken_at__lte=stop.cleared_at)
    return found.select_related("valve__type", "shift__operator", "test_point").order_by("-taken_at", "-pk")


def clear(stop: Stop, action: str, new_baseline: bool, by: User) -> None:
    """The owner has acted. With `new_baseline` every chart of the tester is learnt anew from the checks to come.

    Raises CheckProblem: nothing was done, or the stop is cleared already.
    """
    if not action.strip():
        raise CheckProblem("Say what was done.")
    with transaction.atomic():
        current = Stop.objects.select_for_update(no_key=True).get(pk=stop.pk)
        if current.cleared_at:
            raise CheckProblem("This stop has been cleared already.")
        now = timezone.now()
        current.cleared_at, current.cleared_by, current.action = now, by, action
        current.save(update_fields=["cleared_at", "cleared_by", "action"])
        Entry.write(by, "stop-cleared", f"Cleared the stop of {current.tester}: {action}")
        if new_baseline:
            for reference in for_tester(current.tester):
                choose_baseline(reference, current.tester, now, BASELINE, f"after a stop: {action}"[:200], by)
