"""When the shop was last backed up, by the daybook (`manage.py backup` writes it there)."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.utils import timezone

from stockroom.models import Entry, Lot
from stockroom.pure.written import day, plural

ACTION = "backed-up"
OLD_AFTER = timedelta(days=7)


def last_backup() -> datetime | None:
    """Found by the index on the action, however long the daybook is."""
    return Entry.objects.filter(action=ACTION).order_by("-at").values_list("at", flat=True).first()


def age_in_words(last: datetime | None) -> str:
    """As Office says it: "Last backup: 26 Nov 2026, today"."""
    if last is None:
        return "There is no backup yet."
    days = (timezone.localdate() - timezone.localdate(last)).days
    ago = f"{plural(days, 'day')} ago" if days else "today"
    return f"Last backup: {day(timezone.localdate(last))}, {ago}."


def why_now() -> str:
    """Why a backup is due, to follow "Back up the shop"; nothing while it is not, or there is nothing to lose yet."""
    last = last_backup()
    if last is None:
        return ", which has no backup yet" if Lot.objects.exists() else ""
    if timezone.now() - last <= OLD_AFTER:
        return ""
    return f", last backed up {plural((timezone.localdate() - timezone.localdate(last)).days, 'day')} ago"
