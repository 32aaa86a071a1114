"""What a claim sheet says, gathered from the records: `claim_sheet_data(claim, on)`."""

from __future__ import annotations

from datetime import date

from django.utils import timezone

from grading.claims.pure.claim_pdf import ClaimData, ClaimedRow, Pictured
from grading.drawing.letter import letterhead
from stockroom.claims.untrue import why_untrue
from stockroom.models import Attachment, Claim, ClaimStep, Line, Photograph, Shop
from stockroom.pure.money import shown
from stockroom.pure.written import day


def claim_paper_data(claim: Claim, on: date) -> ClaimData:
    lot = claim.lot
    rows = list(claim.rows.select_related("line__type", "line__maker"))
    withdrawn = next((step for step in claim.steps.all() if step.kind == ClaimStep.Kind.WITHDRAWN), None)
    return ClaimData(
        head=letterhead(
            Shop.own(), claim.number, "Claim", f"Claim {claim.number} for lot {lot}", "Discrepancies of a delivery", on
        ),
        to=(lot.supplier.name, *lot.supplier.contact.splitlines()),
        facts=(
            (
                ("Your reference", claim.reference),
                ("Our lot", f"{lot}"),
                ("Received", day(lot.received_on)),
                ("Claim made", day(timezone.localdate(claim.made_at))),
            ),
        ),
        text=claim.text,
        rows=tuple(
            ClaimedRow(
                f"{row.line.number}",
                _goods(row.line),
                row.get_kind_display(),
                row.pieces,
                row.line.expected,
                "–" if row.line.counted is None else f"{row.line.counted}",
                "–" if row.kind == "over" else shown(row.amount, claim.currency),
                row.note,
            )
            for row in rows
        ),
        total=shown(sum((row.amount for row in rows), rows[0].amount * 0), claim.currency),
        photographs=tuple(_photographs(claim, [row.line_id for row in rows])),
        void=_void(claim, withdrawn),
    )


def _void(claim: Claim, withdrawn: ClaimStep | None) -> str:
    if withdrawn:
        return f"Withdrawn on {day(withdrawn.on)}: {withdrawn.note or 'no reason given'}"
    said = why_untrue([claim]).get(claim.pk)
    return f"This claim is true no more and is not made: {'; '.join(said)}." if said else ""


def _goods(line: Line) -> str:
    return ", ".join(filter(None, [f"{line.type}", f"{line.maker or ''}", line.get_condition_display()]))


def _photographs(claim: Claim, line_ids: list[int]) -> list[Pictured]:
    """Those of the lines claimed and of the lot: lines first, in their order."""
    current = Attachment.objects.current().of(claim.lot).select_related("line", "photograph")
    wanted = [row for row in current if (row.line is None or row.line_id in line_ids) and not row.photograph.refused]
    wanted.sort(key=lambda row: (row.line is None, row.line.number if row.line else 0, row.pk))
    return [
        Pictured(
            f"{row.file_name}, {f'of line {row.line.number}' if row.line else 'of the lot'}", _small(row.photograph)
        )
        for row in wanted
    ]


def _small(photograph: Photograph) -> bytes | None:
    """The small copy; none while it is being prepared, or when the file has gone from the store."""
    copy = photograph.copy("small")
    return copy.read_bytes() if photograph.ready and copy.is_file() else None
