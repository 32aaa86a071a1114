"""The sheet that goes to a supplier: what was short, over, wrong, broken or sent back, and what is asked for it.

claim_pdf(data)   an A4 PDF, the same bytes for the same data
ClaimData, ClaimedRow   what stands on it, as plain values
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple
from xml.sax.saxutils import escape

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, Spacer

from .page import BOLD, INK, RULE
from .sheet import BODY, HEAD, Head, boxed, facts, sheet_pdf, table

HOW = (
    "Each amount is the pieces' part of the goods charge, shared over the pieces invoiced and rounded to the minor "
    "unit so that all parts add up to the charge. Pieces over were not charged for; tell us whether you want them back."
)


class ClaimedRow(NamedTuple):
    line: str
    what: str  # type, mark and condition as ordered
    kind: str
    pieces: int
    expected: int
    counted: str
    amount: str
    note: str


@dataclass(frozen=True)
class ClaimData:
    head: Head
    to: tuple[str, ...]  # supplier's name and lines of address
    facts: tuple[tuple[tuple[str, str], ...], ...]
    text: str
    rows: tuple[ClaimedRow, ...]
    total: str
    photographs: tuple[str, ...]
    void: str


def claim_pdf(data: ClaimData) -> bytes:
    """Raises ValueError when nothing is claimed."""
    if not data.rows:
        raise ValueError("Nothing is claimed.")
    story: list[Flowable] = []
    if data.void:
        story.append(boxed(f"<b>{escape(data.void)}</b>"))
    story += [Paragraph("<br/>".join(escape(line) for line in data.to), BODY), Spacer(0, 3 * mm), facts(data.facts)]
    if data.text:
        story += [Spacer(0, 2 * mm), *[Paragraph(escape(line), BODY) for line in data.text.splitlines()]]
    rows = [
        (row.line, row.what, f"{row.kind}{f': {row.note}' if row.note else ''}", f"{row.expected}", row.counted,
         f"{row.pieces}", row.amount)
        for row in data.rows
    ]  # fmt: skip
    story += [
        Paragraph("What we ask for", HEAD),
        table(
            ("Line", "Goods", "What", "Expected", "Counted", "Pieces", "Amount"),
            [*rows, ("", "Together", "", "", "", "", data.total)],
            (12, 50, 44, 18, 17, 14, 25), right=(3, 4, 5, 6),
            style=[("LINEBELOW", (0, 1), (-1, -3), 0.3, RULE), ("LINEABOVE", (0, -1), (-1, -1), 0.9, INK),
                   ("FONT", (0, -1), (-1, -1), BOLD, 8.6)],
        ),
        Spacer(0, 2 * mm),
        Paragraph(HOW, BODY),
        Paragraph("Photographs", HEAD),
    ]  # fmt: skip
    if data.photographs:
        story += [Paragraph(escape(f"{at}. {name}"), BODY) for at, name in enumerate(data.photographs, 1)]
    else:
        story.append(Paragraph("None.", BODY))
    return sheet_pdf(data.head, story)
