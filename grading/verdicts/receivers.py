"""What happens to verdicts when the goods change."""

from __future__ import annotations

from django.contrib.auth.models import User
from django.dispatch import receiver

from grading.verdicts import judging, states
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
