"""The archive that the owner takes home, written behind the pages and kept until the next one."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.auth.models import User
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from stockroom.export.writing import export
from stockroom.jobs import kinds
from stockroom.jobs.kinds import Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Entry, Job

KIND = "export"
ABOUT = "the archive of everything"


@dataclass(frozen=True)
class Everything:
    """All tables; photographs, which can be many gigabytes, only by `manage.py export --photographs`."""


def start(by: User) -> Job:
    return kinds.start(KIND, Everything(), "Export everything", by, key=ABOUT)


def latest() -> Job | None:
    return Job.objects.keyed(ABOUT).select_related("made_by").first()


def file_of(job: Job) -> Path | None:
    """The archive; None when there is none, or it made room for a later one."""
    if not job.is_done:
        return None
    place = _folder() / job.result["file"]
    return place if place.exists() else None


def _folder() -> Path:
    return Path(settings.MEDIA_ROOT, "exports")


@kinds.kind(KIND, "Export everything", Lane.RECORDS, Everything, address=lambda job: reverse("export"))
def write(asked: Everything, hand: Hand) -> dict[str, Any]:
    """Writes beside the archives there are, and removes those once it is whole. An interrupted one begins anew."""

    def tell(table: str, done: int, of: int) -> None:
        if hand.beating:  # otherwise telling would write in the transaction that only reads
            hand.go_on(f"writing {table}", done, of)

    folder = _folder()
    folder.mkdir(parents=True, exist_ok=True)
    for left in folder.glob("part-*"):
        left.unlink(missing_ok=True)
    name = f"everything-{timezone.localdate():%Y-%m-%d}-{hand.job.pk}.zip"
    with tempfile.NamedTemporaryFile(dir=folder, prefix="part-", delete=False) as part:  # for the owner's eyes only
        try:
            summary = export(part, tell=tell)
            part.flush()
            with transaction.atomic():
                hand.save()
                text = f"Everything exported: {summary.tables} tables, {summary.rows} rows."
                Entry.write(hand.by, "exported", text)
                os.replace(part.name, folder / name)
        finally:
            Path(part.name).unlink(missing_ok=True)
    for older in folder.glob("everything-*.zip"):
        if older.name != name:
            older.unlink(missing_ok=True)
    return {"file": name, "tables": summary.tables, "rows": summary.rows}
