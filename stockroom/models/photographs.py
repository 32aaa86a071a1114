"""Photographs, and what each is a photograph of."""

from __future__ import annotations

from pathlib import Path

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from stockroom.models.goods import Line, Lot, Valve
from stockroom.photographs.pure.pictures import KINDS

Subject = Valve | Line | Lot


def store() -> Path:
    """The folder that holds every photograph and its copies."""
    return Path(settings.MEDIA_ROOT, "photographs")


class PhotographQuerySet(models.QuerySet["Photograph"]):
    def waiting(self) -> PhotographQuerySet:
        return self.filter(state=Photograph.State.WAITING)


class Photograph(models.Model):
    """One file, however often it was sent and whatever it shows.

    It lies under MEDIA_ROOT by its SHA-256: the original as it came, with all that the camera wrote into it,
    and two clean copies once it is ready (`stockroom.photographs.pure.pictures`). While it waits a job of the queue is
    to prepare it.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "being prepared"
        READY = "ready", "ready"
        REFUSED = "refused", "refused"

    sha256 = models.CharField("SHA-256", max_length=64, unique=True, editable=False)
    kind = models.CharField(max_length=4, choices=[(key, kind.name) for key, kind in KINDS.items()], editable=False)
    size_bytes = models.PositiveIntegerField("size in bytes", editable=False)
    state = models.CharField(max_length=8, choices=State.choices, default=State.WAITING, db_index=True, editable=False)
    refused_because = models.CharField(max_length=300, blank=True, editable=False)
    width = models.PositiveIntegerField("width in pixels, upright", null=True, editable=False)
    height = models.PositiveIntegerField("height in pixels, upright", null=True, editable=False)
    first_sent_at = models.DateTimeField(default=timezone.now, editable=False)

    objects = PhotographQuerySet.as_manager()

    def __str__(self) -> str:
        return self.sha256[:12]

    @property
    def ready(self) -> bool:
        return self.state == self.State.READY

    @property
    def refused(self) -> bool:
        return self.state == self.State.REFUSED

    @property
    def original(self) -> Path:
        return self._path("original", KINDS[self.kind].suffixes[0])

    def copy(self, size: str) -> Path:
        """Where the "small" or the "large" copy lies."""
        return self._path(size, ".jpg")

    def _path(self, folder: str, suffix: str) -> Path:
        return store() / folder / self.sha256[:2] / f"{self.sha256}{suffix}"


class AttachmentQuerySet(models.QuerySet["Attachment"]):
    def current(self) -> AttachmentQuerySet:
        return self.filter(removed_at=None)

    def of(self, subject: Subject) -> AttachmentQuerySet:
        """Of a valve or a line; of a lot with its lines."""
        if isinstance(subject, Valve):
            return self.filter(valve=subject)
        if isinstance(subject, Line):
            return self.filter(line=subject)
        return self.filter(Q(lot=subject) | Q(line__lot=subject))

    def for_public_display(self) -> AttachmentQuerySet:
        return self.current().filter(public=True, photograph__state=Photograph.State.READY)

    def for_rows(self) -> AttachmentQuerySet:
        return self.select_related("photograph", "valve__type", "line__lot", "lot")


class Attachment(models.Model):
    """This is a photograph of that valve, line or lot. Removing hides it and says why; the file stays."""

    photograph = models.ForeignKey(Photograph, on_delete=models.PROTECT, related_name="attachments")
    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, null=True, related_name="photographs")
    line = models.ForeignKey(Line, on_delete=models.PROTECT, null=True, related_name="photographs")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, null=True, related_name="photographs")
    file_name = models.CharField("name as sent", max_length=200, editable=False)
    added_at = models.DateTimeField(default=timezone.now, editable=False)
    added_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    public = models.BooleanField("shown to the public", default=False)
    removed_at = models.DateTimeField(null=True, editable=False)
    removed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    removed_because = models.CharField("why it is removed", max_length=200, blank=True)

    objects = AttachmentQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(valve__isnull=False, line=None, lot=None)
                | Q(valve=None, line__isnull=False, lot=None)
                | Q(valve=None, line=None, lot__isnull=False),
                name="a_photograph_is_of_one_thing",
            ),
            models.CheckConstraint(
                condition=Q(public=False) | Q(valve__isnull=False), name="only_photographs_of_valves_are_public"
            ),
            models.CheckConstraint(
                condition=Q(removed_at=None) | ~Q(removed_because=""), name="a_removed_photograph_says_why"
            ),
            *(
                models.UniqueConstraint(
                    fields=["photograph", thing], condition=Q(removed_at=None), name=f"a_photograph_once_per_{thing}"
                )
                for thing in ("valve", "line", "lot")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.file_name} of {self.subject}"

    def get_absolute_url(self) -> str:
        return reverse("photograph", args=[self.pk])

    @property
    def subject(self) -> Subject:
        subject = self.valve or self.line or self.lot
        assert subject is not None
        return subject
