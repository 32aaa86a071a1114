"""Valves that were tested and could not be graded, for nothing was known of the conditions they were read at.

Learning a house nominal is what mostly ends the wait (`grading.testers.house_nominals`); nothing is graded until
somebody asks.
"""

from __future__ import annotations

from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Exists, OuterRef

from catalog.models import TestPoint
from grading.models import Grade, Policy, Reading, Tester
from grading.testers.reference_checks import may_grade
from grading.verdicts import judging
from grading.verdicts.regrading import PIECE, Grounds
from stockroom.models import Valve
from stockroom.pure.refused import Refused
from stockroom.pure.written import plural
from stockroom.states import State


class CannotGrade(Refused):
    """None can be graded. The message says why."""


class Waiting(NamedTuple):
    """Valves in the order of their serials; `why` says what the first of those that still wait wants."""

    ready: list[Valve]
    still: list[Valve]

    @property
    def ready_in_words(self) -> str:
        tested = plural(len(self.ready), "valve that was", "valves that were")
        return f"{tested} tested here and not graded can be graded now."

    @property
    def why(self) -> str:
        return judging.why_ungraded(self.still[0]) if self.still else ""


def waiting_for(tester: Tester, test_point: TestPoint) -> Waiting:
    """Those with a current reading at this test point of this tester. None is ready while no policy is in force."""
    read_here = Reading.objects.current().filter(valve=OuterRef("pk"), test_point=test_point, shift__tester=tester)
    tested = Valve.objects.filter(Exists(read_here), state=State.TESTED)
    valves = list(tested.select_related("type", "line__lot").order_by("serial"))
    policy = Policy.objects.filter(in_force=True).first()
    would_be = {change.valve.pk for change in judging.changes(policy, valves)} if policy else set()
    return Waiting(
        [valve for valve in valves if valve.pk in would_be], [valve for valve in valves if valve.pk not in would_be]
    )


def grade_them(tester: Tester, test_point: TestPoint, by: User) -> dict[int, Grade]:
    """The grades given, by valve.

    Raises:
        CannotGrade: none of them can be graded, or the tester is stopped.
    """
    possible, why = may_grade(tester)
    if not possible:
        raise CannotGrade(why)
    policy = Policy.objects.filter(in_force=True).first()
    ready = waiting_for(tester, test_point).ready
    if not ready or policy is None:
        raise CannotGrade("None of the valves tested here waits for a grade that it could be given now.")
    given: dict[int, Grade] = {}
    for start in range(0, len(ready), PIECE):
        given |= _grade_piece(ready[start : start + PIECE], policy, by)
    return given


def _grade_piece(valves: list[Valve], policy: Policy, by: User) -> dict[int, Grade]:
    """Judged before anything is locked; what has changed meanwhile, or was graded by somebody else, is left to wait."""
    grounds = Grounds.of([valve.pk for valve in valves])
    judged = judging.judge_all(valves, policy)
    with transaction.atomic():
        changed = grounds.changed()
        left = [valve for valve in valves if valve.pk not in changed]
        given = judging.store(judged, [valve.pk for valve in left], policy, by)
        for valve in left:
            judging.note(valve, "graded", "Graded beside the new house nominal.", given.get(valve.pk), by)
    return given
