"""A plain sheet of the shop's: its name and the paper's number at the head, facts, texts and ruled tables.

sheet_pdf(head, story)   an A4 PDF of as many pages as it takes, the same bytes for the same data
Head                     what stands at the head, at the foot and in the file's own description
facts(...)               labels and values side by side
table(...)               a ruled table whose heads repeat on a new page
boxed(...)               a text in a frame, for cautions and notices
BODY, CELL, HEAD, TITLE  the styles of texts
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Frame, PageTemplate, Paragraph, Table

from .page import (
    BOLD,
    DEEP,
    INK,
    SANS,
    SHADE,
    SOFT,
    WARN,
    WARN_PAPER,
    NumberedCanvas,
    day,
    draw_text,
    open_document,
)  # fmt: skip

WIDTH_MM, HEIGHT_MM = A4[0] / mm, A4[1] / mm
EDGE_MM = 15.0
ROOM_MM = WIDTH_MM - 2 * EDGE_MM


def _style(name: str, size: float, *, bold: bool = False, lead: float = 1.28, **more: Any) -> ParagraphStyle:
    font = BOLD if bold else SANS
    return ParagraphStyle(name, fontName=font, fontSize=size, leading=lead * size, **{"textColor": INK, **more})


OVER = _style("over", 7.8, bold=True, lead=1.5, textColor=DEEP)
TITLE = _style("title", 17, bold=True, lead=1.2)
HEAD = _style("head", 10, bold=True, spaceBefore=8, spaceAfter=2)
BODY = _style("body", 9, lead=1.3)
CELL = _style("cell", 8.6, lead=1.2)
NUMBER = _style("number", 8.6, lead=1.2, alignment=TA_RIGHT)
HEADING = _style("heading", 8, bold=True, lead=1.15)
HEADING_RIGHT = _style("heading-right", 8, bold=True, lead=1.15, alignment=TA_RIGHT)
LABEL = _style("label", 7.4, lead=1.25, textColor=SOFT)
FACT = _style("fact", 9.4, bold=True, lead=1.2)


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


def sheet_pdf(head: Head, story: Sequence[Flowable]) -> bytes:
    file = BytesIO()
    document = open_document(file, title=f"{head.title} {head.number}", author=head.shop, subject=head.subject)
    first = Frame(EDGE_MM * mm, 14 * mm, ROOM_MM * mm, (HEIGHT_MM - 14 - 30) * mm, 0, 0, 0, 0, id="first")
    later = Frame(EDGE_MM * mm, 14 * mm, ROOM_MM * mm, (HEIGHT_MM - 14 - 22) * mm, 0, 0, 0, 0, id="later")
    document.addPageTemplates([
        PageTemplate("first", first, onPage=lambda canvas, _: _letterhead(canvas, head), autoNextPageTemplate="later"),
        PageTemplate("later", later, onPage=lambda canvas, _: _running_head(canvas, head)),
    ])  # fmt: skip
    top: list[Flowable] = [Paragraph(escape(head.over.upper()), OVER), Paragraph(escape(head.title), TITLE)]
    if head.notice:
        top.append(boxed(escape(head.notice)))
    foot = f"{head.shop} · {head.number} · printed {day(head.on)}"
    document.build([*top, *story], canvasmaker=NumberedCanvas.maker(foot, head.on))
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
    canvas.setFillColor(DEEP)
    canvas.rect(EDGE_MM * mm, (HEIGHT_MM - 26) * mm, ROOM_MM * mm, 1.1 * mm, stroke=0, fill=1)
    canvas.restoreState()


def _running_head(canvas: Canvas, head: Head) -> None:
    canvas.saveState()
    canvas.setFillColor(DEEP)
    draw_text(canvas, EDGE_MM, HEIGHT_MM - 15, f"{head.title}, {head.number}", width_mm=ROOM_MM, size=9, font=BOLD)
    canvas.rect(EDGE_MM * mm, (HEIGHT_MM - 18) * mm, ROOM_MM * mm, 0.5 * mm, stroke=0, fill=1)
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
        cells, colWidths=[ROOM_MM / across * mm] * across,
        style=[
            ("FONT", (0, 0), (-1, -1), SANS, 8), ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("BACKGROUND", (0, 0), (-1, -1), SHADE),
            ("TOPPADDING", (0, 0), (-1, -1), 2), ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ],
    )  # fmt: skip


def table(
    heads: Sequence[str], rows: Sequence[Sequence[str | Flowable]], widths: Sequence[float],
    right: Sequence[int] = (), style: Sequence[Any] = (),
) -> Table:  # fmt: skip
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
        [top, *body], colWidths=[width * mm for width in widths], repeatRows=1, hAlign="LEFT",
        style=[
            ("FONT", (0, 0), (-1, -1), SANS, 8.6), ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
            ("VALIGN", (0, 1), (-1, -1), "TOP"), ("LINEBELOW", (0, 0), (-1, 0), 0.9, INK),
            ("LINEBELOW", (0, -1), (-1, -1), 0.6, INK), ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3), *style,
        ],
    )  # fmt: skip


def boxed(text: str) -> Table:
    """A text that is marked up already, in a frame."""
    return Table(
        [[Paragraph(text, BODY)]], colWidths=[ROOM_MM * mm], spaceBefore=4, spaceAfter=4,
        style=[
            ("BOX", (0, 0), (-1, -1), 1, WARN), ("BACKGROUND", (0, 0), (-1, -1), WARN_PAPER),
            ("TOPPADDING", (0, 0), (-1, -1), 2.5), ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
        ],
    )  # fmt: skip
