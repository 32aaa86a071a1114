"""A plain sheet of the shop's: its name and the paper's number at the head, facts, texts and ruled tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from typing import Any, Protocol
from xml.sax.saxutils import escape

from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, Table

from grading.drawing.a4 import EDGE_MM, HEIGHT_MM, ROOM_MM, build, head_rule, text_style
from grading.drawing.page import BOLD, DEEP, INK, SANS, SHADE, SOFT, WARN, WARN_PAPER, draw_text, open_document
from stockroom.pure.written import day

OVER = text_style("over", 7.8, bold=True, lead=1.5, textColor=DEEP)
TITLE = text_style("title", 17, bold=True, lead=1.2)
HEAD = text_style("head", 10, bold=True, spaceBefore=8, spaceAfter=2)
BODY = text_style("body", 9, lead=1.3)
CELL = text_style("cell", 8.6, lead=1.2)
NUMBER = text_style("number", 8.6, lead=1.2, alignment=TA_RIGHT)
HEADING = text_style("heading", 8, bold=True, lead=1.15)
HEADING_RIGHT = text_style("heading-right", 8, bold=True, lead=1.15, alignment=TA_RIGHT)
LABEL = text_style("label", 7.4, lead=1.25, textColor=SOFT)
FACT = text_style("fact", 9.4, bold=True, lead=1.2)


@dataclass(frozen=True)
class Head:
    """`title` heads the paper, `over` stands small above it, `subject` describes the file."""

    shop: str
    shop_lines: tuple[str, ...]
    notice: str
    number: str
    over: str
    title: str
    subject: str
    on: date


class LettersFrom(Protocol):
    """Whose paper it is: `stockroom.models.Shop` is one."""

    name: str
    address: str
    email: str
    web_address: str
    notice: str


def letterhead(shop: LettersFrom, number: str, over: str, title: str, subject: str, on: date) -> Head:
    lines = tuple(filter(None, [*shop.address.splitlines(), shop.email, shop.web_address]))
    return Head(shop.name, lines, shop.notice, number, over, title, subject, on)


def letter_pdf(head: Head, story: Sequence[Flowable]) -> bytes:
    file = BytesIO()
    document = open_document(file, title=f"{head.title} {head.number}", author=head.shop, subject=head.subject)
    top: list[Flowable] = [Paragraph(escape(head.over.upper()), OVER), Paragraph(escape(head.title), TITLE)]
    if head.notice:
        top.append(boxed(escape(head.notice)))
    build(
        document,
        [*top, *story],
        head=lambda canvas: _letterhead(canvas, head),
        head_mm=30,
        running=f"{head.title}, {head.number}",
        foot=f"{head.shop} · {head.number} · printed {day(head.on)}",
        on=head.on,
    )
    return file.getvalue()


def _letterhead(canvas: Canvas, head: Head) -> None:
    canvas.saveState()
    top = HEIGHT_MM - 13
    canvas.setFillColor(DEEP)
    draw_text(canvas, EDGE_MM, top - 4.6, head.shop, width_mm=ROOM_MM - 45, size=16, font=BOLD, least=8)
    right = EDGE_MM + ROOM_MM
    draw_text(canvas, right, top - 4.6, head.number, width_mm=42, size=12, font=BOLD, align="right")
    canvas.setFillColor(SOFT)
    draw_text(canvas, EDGE_MM, top - 9.4, " · ".join(head.shop_lines), width_mm=ROOM_MM - 45, size=8, least=5.5)
    draw_text(canvas, right, top - 9.4, day(head.on), width_mm=42, size=8, align="right")
    head_rule(canvas, 26)
    canvas.restoreState()


def facts(rows: Sequence[Sequence[tuple[str, str]]]) -> Table:
    """Rows of (label, value), as many to a row as the first has."""
    across = max(len(row) for row in rows)
    cells = [
        [[Paragraph(escape(label), LABEL), Paragraph(escape(value or "–"), FACT)] for label, value in row]
        + [""] * (across - len(row))
        for row in rows
    ]
    return Table(
        cells,
        colWidths=[ROOM_MM / across * mm] * across,
        style=[
            ("FONT", (0, 0), (-1, -1), SANS, 8),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("BACKGROUND", (0, 0), (-1, -1), SHADE),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ],
    )


def table(
    heads: Sequence[str],
    rows: Sequence[Sequence[str | Flowable]],
    widths: Sequence[float],
    right: Sequence[int] = (),
    style: Sequence[Any] = (),
) -> Table:
    """Texts are escaped and wrapped in their column; the columns named in `right` hold numbers."""
    top = [Paragraph(escape(head), HEADING_RIGHT if at in right else HEADING) for at, head in enumerate(heads)]
    body = [
        [
            Paragraph(escape(cell), NUMBER if at in right else CELL) if isinstance(cell, str) else cell
            for at, cell in enumerate(row)
        ]
        for row in rows
    ]
    return Table(
        [top, *body],
        colWidths=[width * mm for width in widths],
        repeatRows=1,
        hAlign="LEFT",
        style=[
            ("FONT", (0, 0), (-1, -1), SANS, 8.6),
            ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
            ("VALIGN", (0, 1), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, 0), 0.9, INK),
            ("LINEBELOW", (0, -1), (-1, -1), 0.6, INK),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
            *style,
        ],
    )


def boxed(text: str) -> Table:
    """A text that is marked up already, in a frame."""
    return Table(
        [[Paragraph(text, BODY)]],
        colWidths=[ROOM_MM * mm],
        spaceBefore=4,
        spaceAfter=4,
        style=[
            ("BOX", (0, 0), (-1, -1), 1, WARN),
            ("BACKGROUND", (0, 0), (-1, -1), WARN_PAPER),
            ("TOPPADDING", (0, 0), (-1, -1), 2.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
        ],
    )
