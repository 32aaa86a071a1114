"""Rows that are written once. A trigger in the database refuses UPDATE and DELETE too (grading/migrations)."""

from __future__ import annotations

from typing import Any, NoReturn

from django.db import models


class AppendOnlyError(Exception):
    """Readings are never edited or deleted: write a correction that supersedes the old one."""


class RefusesChange:
    """A queryset with this before it refuses what would change or delete its rows."""

    def update(self, **kwargs: Any) -> NoReturn:
        raise AppendOnlyError(AppendOnlyError.__doc__)

    def delete(self) -> NoReturn:
        raise AppendOnlyError(AppendOnlyError.__doc__)

    def bulk_update(self, *args: Any, **kwargs: Any) -> NoReturn:
        raise AppendOnlyError(AppendOnlyError.__doc__)


class AppendOnlyQuerySet(RefusesChange, models.QuerySet):
    def current(self):
        """Not superseded by a correction."""
        return self.filter(superseded_by=None)


class AppendOnly(models.Model):
    """The base of such rows."""

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise AppendOnlyError(AppendOnlyError.__doc__)
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        raise AppendOnlyError(AppendOnlyError.__doc__)
