"""What happens to verdicts when the goods change, or what is known of a tester."""

from __future__ import annotations

from datetime import date

from django.contrib.auth.models import User
from django.dispatch import receiver

from grading.models import Tester
from grading.testers.signals import tester_corrected
from grading.verdicts import judging, rejudging, states
from grading.verdicts.signals import grades_changed
from stockroom.models import Valve
from stockroom.signals import valve_identified, valve_written_off


@receiver(valve_identified, dispatch_uid="verdicts")
def _identified(sender: object, valve: Valve, type_changed: bool, by: User, **kwargs: object) -> None:
    """A change of type throws out the grade: the test point is another."""
    if type_changed:
        judging.withdraw(valve, by)
    states.refresh([valve.pk])


@receiver(valve_written_off, dispatch_uid="verdicts")
def _written_off(sender: object, valve: Valve, by: User | None, **kwargs: object) -> None:
    states.refresh([valve.pk])
    grades_changed.send(Valve, valve_ids=[valve.pk], by=by)


@receiver(tester_corrected, dispatch_uid="verdicts")
def _tester_corrected(sender: object, tester: Tester, since: date | None, by: User | None, **kwargs: object) -> str:
    return rejudging.start_judging_again(tester, since, by)
