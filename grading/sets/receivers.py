"""What happens to sets when the grades of their valves change."""

from __future__ import annotations

from collections.abc import Collection

from django.contrib.auth.models import User
from django.dispatch import receiver

from grading.sets import doubts
from grading.verdicts.signals import grades_changed


@receiver(grades_changed, dispatch_uid="sets")
def _grades_changed(sender: object, valve_ids: Collection[int], by: User | None, **kwargs: object) -> None:
    doubts.note_doubtful(valve_ids, by)
