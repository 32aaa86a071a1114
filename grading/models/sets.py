"""Matched sets: pairs, quads and larger."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType
from grading.models.policies import Grade, Policy
from stockroom.models import Valve
from stockroom.models.orders import set_name


class MatchedSetQuerySet(models.QuerySet["MatchedSet"]):
    def live(self) -> MatchedSetQuerySet:
        return self.filter(broken_at=None)

    def free(self) -> MatchedSetQuerySet:
        """Live and set aside for nobody."""
        return self.live().exclude(members__valve__allocations__live=True)


class MatchedSet(models.Model):
    """Valves of one type that agree within a tolerance. `tolerance_percent` is what was asked when it was made."""

    number = models.CharField(max_length=12, unique=True, editable=False)
    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, related_name="matched_sets")
    size = models.PositiveSmallIntegerField()
    tolerance_percent = models.FloatField()
    policy = models.ForeignKey(Policy, on_delete=models.PROTECT, related_name="matched_sets")
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    broken_at = models.DateTimeField(null=True, blank=True)
    broken_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    broken_because = models.CharField(max_length=200, blank=True)

    objects = MatchedSetQuerySet.as_manager()

    class Meta:
        ordering = ["-made_at", "-number"]

    def __str__(self) -> str:
        return f"{self.number}, {self.name} {self.type}"

    def get_absolute_url(self) -> str:
        return reverse("set", args=[self.number])

    @property
    def name(self) -> str:
        return set_name(self.size)


class Member(models.Model):
    """A valve in a set, with the grade (and so the readings) that spoke for it when the set was made.

    `live` turns false when the set is broken. The database refuses a valve in two live sets.
    """

    set = models.ForeignKey(MatchedSet, on_delete=models.PROTECT, related_name="members")
    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="memberships")
    grade = models.ForeignKey(Grade, on_delete=models.PROTECT, related_name="memberships")
    position = models.PositiveSmallIntegerField()
    live = models.BooleanField(default=True)

    class Meta:
        ordering = ["set", "position"]
        constraints = [
            models.UniqueConstraint(
                fields=["valve"], condition=models.Q(live=True), name="a_valve_is_in_one_live_set_at_most"
            ),
            models.UniqueConstraint(fields=["set", "position"], name="one_member_per_position"),
        ]
