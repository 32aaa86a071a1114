"""Who did what, and when."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib.auth.models import AnonymousUser, User
from django.db import models
from django.utils import timezone


class EntryQuerySet(models.QuerySet["Entry"]):
    def for_valve(self, valve) -> EntryQuerySet:
        """What happened to this valve, alone or with its whole line."""
        return self.filter(models.Q(valve=valve) | models.Q(line=valve.line, valve=None))


class Entry(models.Model):
    """One line in the daybook. Written once, by the function that did the thing, in its transaction."""

    at = models.DateTimeField(default=timezone.now, db_index=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    action = models.SlugField(max_length=40)
    text = models.CharField(max_length=400)
    lot = models.ForeignKey("Lot", on_delete=models.PROTECT, null=True, related_name="entries")
    line = models.ForeignKey("Line", on_delete=models.PROTECT, null=True, related_name="entries")
    valve = models.ForeignKey("Valve", on_delete=models.PROTECT, null=True, related_name="entries")
    order = models.ForeignKey("Order", on_delete=models.PROTECT, null=True, related_name="entries")

    objects = EntryQuerySet.as_manager()

    class Meta:
        ordering = ["-at", "-id"]
        verbose_name_plural = "entries"

    def __str__(self) -> str:
        return self.text

    @classmethod
    def write(cls, by: User | AnonymousUser | None, action: str, text: str, **about: Any) -> Entry:
        return cls.objects.create(by=by if by and by.pk else None, action=action, text=text, **about)
