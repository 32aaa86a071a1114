"""Runs of the matcher over a pool of stock, and what they found."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import models
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType
from stockroom.models import Job


class MatchRun(models.Model):
    """`job` holds what was asked (`grading.sets.runs.Ask`) and how far it is, `outcome` what was found, with what
    has become of it since."""

    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, related_name="match_runs")
    job = models.OneToOneField(Job, on_delete=models.PROTECT, related_name="match_run")
    outcome = models.JSONField(default=dict)
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-made_at", "-id"]

    def __str__(self) -> str:
        return f"run {self.pk} over {self.type}"

    def get_absolute_url(self) -> str:
        return reverse("run", args=[self.pk])

    @property
    def ask(self) -> dict[str, Any]:
        return self.job.question
