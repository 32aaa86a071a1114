"""Who did what, and when."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.conf import settings
from django.contrib.auth.models import AnonymousUser, User
from django.db import models
from django.utils import timezone

from stockroom.pure.written import fitted

LONGEST = 400


class EntryQuerySet(models.QuerySet["Entry"]):
    def bulk_create(self, objs: Iterable[Any], *args: Any, **kwargs: Any) -> list[Any]:
        entries = list(objs)
        for entry in entries:
            entry.fit()
        return super().bulk_create(entries, *args, **kwargs)

    def for_valve(self, valve) -> EntryQuerySet:
        """What happened to this valve, alone or with its whole line."""
        return self.filter(models.Q(valve=valve) | models.Q(line=valve.line, valve=None))


class Entry(models.Model):
    """One line in the daybook. Written once, by the function that did the thing, in its transaction.

    A text too long for its line is cut, with an ellipsis, when it is written.
    """

    at = models.DateTimeField(default=timezone.now, db_index=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    action = models.SlugField(max_length=40)
    text = models.CharField(max_length=LONGEST)
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

    def save(self, *args: Any, **kwargs: Any) -> None:
        self.fit()
        super().save(*args, **kwargs)

    def fit(self) -> None:
        self.text = fitted(self.text, LONGEST)

    @classmethod
    def write(cls, by: User | AnonymousUser | None, action: str, text: str, **about: Any) -> Entry:
        return cls.objects.create(by=by if by and by.pk else None, action=action, text=text, **about)
