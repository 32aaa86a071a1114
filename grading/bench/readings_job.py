"""A long file of readings is taken in behind the pages: judging a thousand valves takes longer than a page may."""

from __future__ import annotations

from dataclasses import dataclass

from django.contrib.auth.models import User
from django.urls import reverse

from grading.bench import readings_import
from grading.models import Policy, ReadingsFile
from grading.verdicts.regrading import regrade_all
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
    """Every reading in one short transaction, or none; then the valves are judged a piece at a time, each piece in a
    short one. An interrupted one goes on behind the last piece."""
    file = ReadingsFile.objects.select_related("tester", "batch").filter(pk=asked.file).first()
    if file is None or hand.by is None:
        raise JobRefused("The file is not kept any more. Choose it once more.")
    batch = file.batch
    if batch is None:
        hand.go_on("reading the file")
        try:
            batch, _ = readings_import.take_in(file, hand.by, sure=asked.sure, judge=False)
        except ImportProblem as problem:
            raise JobRefused(str(problem)) from problem
    policy = Policy.objects.filter(in_force=True).first()
    keys = sorted(set(batch.readings.values_list("valve", flat=True)))
    graded = regrade_all(keys, policy, hand) if policy else 0
    hand.tell(f"{plural(batch.rows, 'reading')} taken in, {graded} graded", 1, 1)
    return {"readings": batch.rows, "graded": graded}
