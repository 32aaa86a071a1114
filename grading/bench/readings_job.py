"""A long file of readings is taken in behind the pages: judging a thousand valves takes longer than a page may."""

from __future__ import annotations

from dataclasses import dataclass

from django.contrib.auth.models import User
from django.urls import reverse

from grading.bench import readings_import
from grading.models import ReadingsFile
from stockroom.imports.keeping import ImportProblem
from stockroom.jobs import kinds
from stockroom.jobs.kinds import JobRefused, Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Job
from stockroom.pure.written import plural
from stockroom.site.people import Role

KIND = "take in readings"
AT_ONCE = 200  # readings that are taken in while the page waits, about a second


@dataclass(frozen=True)
class ReadingsToTakeIn:
    """The file with this key; `sure` as on its page."""

    file: int
    sure: bool


def start(file: ReadingsFile, by: User, *, sure: bool) -> Job:
    asked = ReadingsToTakeIn(file.pk, sure)
    return kinds.start(KIND, asked, f"Take in the readings of {file.name}", by, key=f"{KIND} {file.pk}")


@kinds.kind(
    KIND, "Import of readings", Lane.RECORDS, ReadingsToTakeIn, Role.BENCH, address=lambda job: reverse("bench")
)
def take_in(asked: ReadingsToTakeIn, hand: Hand) -> dict[str, int]:
    """All of it in one transaction, or none: an interrupted one begins anew, and one that was done is done."""
    file = ReadingsFile.objects.select_related("tester", "batch").filter(pk=asked.file).first()
    if file is None or hand.by is None:
        raise JobRefused("The file is not kept any more. Choose it once more.")
    if file.imported_at and file.batch:
        return {"readings": file.batch.rows, "graded": 0}
    hand.go_on("reading the file")
    try:
        batch, grades = readings_import.take_in(file, hand.by, sure=asked.sure)
    except ImportProblem as problem:
        raise JobRefused(str(problem)) from problem
    hand.tell(f"{plural(batch.rows, 'reading')} taken in, {len(grades)} graded", 1, 1)
    return {"readings": batch.rows, "graded": len(grades)}
