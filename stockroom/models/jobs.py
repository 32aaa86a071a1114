"""Work that is done behind the pages: what was asked, how far it is, what came of it."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone


class JobState(models.TextChoices):
    WAITING = "waiting", "waiting"
    WORKING = "working", "at work"
    DONE = "done", "done"
    FAILED = "failed", "failed"
    STOPPED = "stopped", "stopped"


LIVE = (JobState.WAITING, JobState.WORKING)


class JobQuerySet(models.QuerySet["Job"]):
    def live(self) -> JobQuerySet:
        return self.filter(state__in=LIVE)

    def keyed(self, key: str) -> JobQuerySet:
        """The jobs about one thing, the latest first."""
        return self.filter(key=key).order_by("-pk")


class Job(models.Model):
    """`question` is what `stockroom.jobs.kinds` reads for this kind; `progress` is written while somebody is at work,
    `result` when it ends, `saved` is where an interrupted job goes on from.

    `claim` is the token of the worker that has it in hand: whoever lost it can write nothing any more. `attempts`
    counts the times it was begun and neither came on, nor ended, nor was given back.
    """

    kind = models.CharField(max_length=40, editable=False)
    key = models.CharField(max_length=80, blank=True, editable=False)  # what it is about: one live job a key
    title = models.CharField(max_length=200, editable=False)
    question = models.JSONField(default=dict, editable=False)
    state = models.CharField(max_length=8, choices=JobState.choices, default=JobState.WAITING, editable=False)
    stop_asked = models.BooleanField(default=False, editable=False)
    progress = models.JSONField(default=dict, editable=False)
    saved = models.JSONField(default=dict, editable=False)
    result = models.JSONField(default=dict, editable=False)
    trouble = models.CharField(max_length=300, blank=True, editable=False)
    attempts = models.PositiveSmallIntegerField(default=0, editable=False)
    claim = models.CharField(max_length=32, blank=True, editable=False)
    made_at = models.DateTimeField("asked at", default=timezone.now, editable=False)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    not_before = models.DateTimeField(null=True, editable=False)
    alive_at = models.DateTimeField("last sign of life", null=True, editable=False)
    ended_at = models.DateTimeField(null=True, editable=False)

    objects = JobQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        indexes = [models.Index(fields=["kind", "attempts", "id"], condition=Q(state__in=LIVE), name="jobs_to_do")]
        constraints = [
            models.UniqueConstraint(
                fields=["key"], condition=Q(state__in=LIVE) & ~Q(key=""), name="one_live_job_about_a_thing"
            ),
        ]

    def __str__(self) -> str:
        return self.title

    @property
    def is_over(self) -> bool:
        return self.state not in LIVE

    @property
    def is_live(self) -> bool:
        return not self.is_over

    @property
    def is_done(self) -> bool:
        return self.state == JobState.DONE

    @property
    def may_be_retried(self) -> bool:
        return self.state in (JobState.FAILED, JobState.STOPPED)
