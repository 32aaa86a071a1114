"""Runs of the matcher over a pool of stock: what was asked, how far it is, and what it found."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType


class MatchRun(models.Model):
    """`ask` is what `grading.sets.runs.Ask` reads; `progress` is written while it runs, `outcome` when it ends.

    A run that has been working without a sign of life for a while was cut off by a restart and is taken up again.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        WORKING = "working", "working"
        DONE = "done", "done"
        FAILED = "failed", "failed"

    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, related_name="match_runs")
    ask = models.JSONField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING, db_index=True)
    stop_asked = models.BooleanField(default=False)
    progress = models.JSONField(default=dict)
    outcome = models.JSONField(default=dict)
    trouble = models.CharField(max_length=300, blank=True)
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    alive_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-made_at", "-id"]

    def __str__(self) -> str:
        return f"run {self.pk} over {self.type}"

    def get_absolute_url(self) -> str:
        return reverse("run", args=[self.pk])

    @property
    def is_over(self) -> bool:
        return self.state in (self.State.DONE, self.State.FAILED)
