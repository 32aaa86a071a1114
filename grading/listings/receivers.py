"""What happens to listings when the grades of their valves change."""

from __future__ import annotations

from collections.abc import Collection

from django.contrib.auth.models import User
from django.dispatch import receiver

from grading.listings import publishing
from grading.verdicts.signals import grades_changed


@receiver(grades_changed, dispatch_uid="listings")
def _grades_changed(sender: object, valve_ids: Collection[int], by: User | None, **kwargs: object) -> None:
    publishing.recheck(valve_ids, by)
