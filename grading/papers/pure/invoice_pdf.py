"""The invoice, the credit note and the packing slip on the shop's paper. Amounts come reckoned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple
from xml.sax.saxutils import escape

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, Spacer

from grading.drawing.letter import BODY, HEAD, Head, boxed, facts, letter_pdf, table
from grading.drawing.page import BOLD, INK, RULE

ROUNDING = (
    "A discount is shared over the lines so that its parts make it up. Tax is reckoned once for each rate on the sum "
    "of what bears it and rounded half up to the minor unit."
)
CUSTOMS = (
    "Customs where the parcel goes decide on the code. An origin is stated only where it is known. Glass under vacuum: "
    "handle with care."
)


class InvoiceRow(NamedTuple):
    what: str
    quantity: str
    each: str
    discount: str
    amount: str


@dataclass(frozen=True)
class InvoiceData:
    head: Head
    to: tuple[str, ...]
    facts: tuple[tuple[tuple[str, str], ...], ...]
    rows: tuple[InvoiceRow, ...]
    sums: tuple[tuple[str, str], ...]  # what stands under the lines; the last is what is to pay
    notes: tuple[str, ...]


@dataclass(frozen=True)
class SlipData:
    head: Head
    to: tuple[str, ...]
    facts: tuple[tuple[tuple[str, str], ...], ...]
    rows: tuple[tuple[str, str, str, str], ...]  # what, pieces, serials, value
    customs: tuple[tuple[str, str, str, str, str, str], ...]  # what, of what, code, origin, pieces, value; the sum last
    notes: tuple[str, ...]


def invoice_pdf(data: InvoiceData) -> bytes:
    rows = [*data.rows, *(InvoiceRow(label, "", "", "", amount) for label, amount in data.sums)]
    story = [
        *_address(data.to, data.facts),
        table(
            ("What", "Number", "Each", "Discount", "Amount"),
            rows,
            (92, 18, 22, 22, 26),
            right=(1, 2, 3, 4),
            style=[
                ("LINEBELOW", (0, 1), (-1, -2), 0.3, RULE),
                ("LINEABOVE", (0, -len(data.sums)), (-1, -len(data.sums)), 0.9, INK),
                ("LINEABOVE", (0, -1), (-1, -1), 0.9, INK),
                ("FONT", (0, -1), (-1, -1), BOLD, 9),
            ],
        ),
        Spacer(0, 3 * mm),
        *[boxed(escape(note)) for note in data.notes],
        Paragraph(escape(ROUNDING), BODY),
    ]
    return letter_pdf(data.head, story)


def packing_slip_pdf(data: SlipData) -> bytes:
    story = [
        *_address(data.to, data.facts),
        table(("What", "Pieces", "Serials", "Value"), data.rows, (70, 16, 68, 26), right=(1, 3)),
        Paragraph("For customs", HEAD),
        table(
            ("What it is", "Made of", "HS code", "Origin", "Pieces", "Value"),
            data.customs,
            (54, 34, 22, 28, 16, 26),
            right=(4, 5),
            style=[("LINEABOVE", (0, -1), (-1, -1), 0.9, INK)],
        ),
        Spacer(0, 3 * mm),
        Paragraph(escape(CUSTOMS), BODY),
        *[Paragraph(escape(note), BODY) for note in data.notes],
    ]
    return letter_pdf(data.head, story)


def _address(to: Sequence[str], rows: Sequence[Sequence[tuple[str, str]]]) -> list[Flowable]:
    lines = "<br/>".join(escape(line) for line in to)
    return [Paragraph(lines, BODY), Spacer(0, 3 * mm), facts(rows), Spacer(0, 3 * mm)]
