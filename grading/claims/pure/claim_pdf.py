"""The sheet that goes to a supplier: what was short, over, wrong, broken or sent back, and what is asked for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import NamedTuple
from xml.sax.saxutils import escape

from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.platypus import Flowable, Image, Paragraph, Spacer, Table

from grading.drawing.a4 import ROOM_MM
from grading.drawing.letter import BODY, CELL, HEAD, Head, boxed, facts, letter_pdf, table
from grading.drawing.page import BOLD, INK, RULE

ACROSS = 3
TALL_MM, GAP_MM = 44, 4  # of the room for one picture, and between two
MOST_PICTURES = 24

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


class Pictured(NamedTuple):
    """A photograph as a JPEG file; none when there is nothing to print of it."""

    caption: str
    jpeg: bytes | None


@dataclass(frozen=True)
class ClaimData:
    head: Head
    to: tuple[str, ...]  # supplier's name and lines of address
    facts: tuple[tuple[tuple[str, str], ...], ...]
    text: str
    rows: tuple[ClaimedRow, ...]
    total: str
    photographs: tuple[Pictured, ...]
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
        (
            row.line,
            row.what,
            f"{row.kind}{f': {row.note}' if row.note else ''}",
            f"{row.expected}",
            row.counted,
            f"{row.pieces}",
            row.amount,
        )
        for row in data.rows
    ]
    story += [
        Paragraph("What we ask for", HEAD),
        table(
            ("Line", "Goods", "What", "Expected", "Counted", "Pieces", "Amount"),
            [*rows, ("", "Together", "", "", "", "", data.total)],
            (12, 50, 44, 18, 17, 14, 25),
            right=(3, 4, 5, 6),
            style=[
                ("LINEBELOW", (0, 1), (-1, -3), 0.3, RULE),
                ("LINEABOVE", (0, -1), (-1, -1), 0.9, INK),
                ("FONT", (0, -1), (-1, -1), BOLD, 8.6),
            ],
        ),
        Spacer(0, 2 * mm),
        Paragraph(HOW, BODY),
        Paragraph("Photographs", HEAD),
        *_photographs(data.photographs),
    ]
    return letter_pdf(data.head, story)


def _photographs(photographs: Sequence[Pictured]) -> list[Flowable]:
    """The pictures in rows, and the names of those that are not printed."""
    if not photographs:
        return [Paragraph("None.", BODY)]
    numbered = [(f"{at}. {one.caption}", one.jpeg) for at, one in enumerate(photographs, 1)]
    printed = [(caption, jpeg) for caption, jpeg in numbered if jpeg][:MOST_PICTURES]
    story: list[Flowable] = []
    if printed:
        cells = [[_fitted(jpeg), Paragraph(escape(caption), CELL)] for caption, jpeg in printed]
        rows = [cells[at : at + ACROSS] for at in range(0, len(cells), ACROSS)]
        rows[-1] += [[] for _ in range(ACROSS - len(rows[-1]))]
        story.append(
            Table(
                rows,
                colWidths=[ROOM_MM / ACROSS * mm] * ACROSS,
                hAlign="LEFT",
                style=[
                    ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
                    ("LEFTPADDING", (0, 0), (-1, -1), 0),
                    ("RIGHTPADDING", (0, 0), (-1, -1), GAP_MM * mm),
                    ("TOPPADDING", (0, 0), (-1, -1), 2),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
                ],
            )
        )
    shown = {caption for caption, _ in printed}
    left = [caption for caption, _ in numbered if caption not in shown]
    if left:
        story.append(Paragraph(escape(f"Not printed, and sent when asked for: {'; '.join(left)}."), BODY))
    return story


def _fitted(jpeg: bytes) -> Image:
    """As large as its room allows, in its own proportions."""
    width, height = ImageReader(BytesIO(jpeg)).getSize()
    scale = min((ROOM_MM / ACROSS - GAP_MM) / width, TALL_MM / height)
    image = Image(BytesIO(jpeg), width * scale * mm, height * scale * mm)
    image.hAlign = "LEFT"
    return image
