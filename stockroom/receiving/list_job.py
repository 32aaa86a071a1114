"""A long list from a supplier is taken in behind the pages."""

from __future__ import annotations

from dataclasses import dataclass

from django.contrib.auth.models import User
from django.urls import reverse

from stockroom.imports.keeping import ImportProblem
from stockroom.jobs import kinds
from stockroom.jobs.kinds import JobRefused, Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Job, LotFile
from stockroom.pure.written import plural
from stockroom.receiving import list_import
from stockroom.receiving.booking import ReceivingError
from stockroom.site.people import Role

KIND = "take in a list"
AT_ONCE = 300  # lines that are taken in while the page waits, about a second


@dataclass(frozen=True)
class ListToTakeIn:
    """The file with this key; `sure` as on its page."""

    file: int
    sure: bool


def start(file: LotFile, by: User, *, sure: bool) -> Job:
    title = f"Import {file.name} into lot {file.lot}"
    return kinds.start(KIND, ListToTakeIn(file.pk, sure), title, by, key=f"{KIND} {file.pk}")


def _lot_page(job: Job) -> str:
    return reverse("lot", args=[LotFile.objects.select_related("lot").get(pk=job.question["file"]).lot.number])


@kinds.kind(KIND, "Import of a list", Lane.RECORDS, ListToTakeIn, Role.RECEIVING, address=_lot_page)
def take_in(asked: ListToTakeIn, hand: Hand) -> dict[str, int]:
    """All of it in one transaction, or none: an interrupted one begins anew, and one that was done is done."""
    file = LotFile.objects.select_related("lot__supplier").filter(pk=asked.file).first()
    if file is None:
        raise JobRefused("The file is not kept any more. Choose it once more.")
    if file.imported_at:
        return {"lines": file.line_count or 0}
    hand.go_on("reading the file")
    try:
        lines = list_import.take_in(file, hand.by, sure=asked.sure)
    except (ImportProblem, ReceivingError) as problem:
        raise JobRefused(str(problem)) from problem
    hand.tell(f"{plural(len(lines), 'line')} imported", 1, 1)
    return {"lines": len(lines)}
