"""A position's answer on one sheet for a customer: what goes in, the curves of the one asked about, the cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from typing import NamedTuple
from xml.sax.saxutils import escape

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, Spacer, Table

from grading.drawing.a4 import EDGE_MM, HEIGHT_MM, ROOM_MM, build, head_rule, text_style
from grading.drawing.page import BAD, BOLD, DEEP, INK, RULE, SHADE, SOFT, WARN, draw_text, open_document
from grading.sockets.pure.curve_plot import CurvePlot
from grading.sockets.pure.wording import Effect, Told
from stockroom.pure.written import day

FEWER_ROWS = (40, 30, 22, 16, 11, 7, 4, 2)  # as many as leave it one sheet
BODY = text_style("socket-body", 9)
SMALL = text_style("socket-small", 7.5)
HEAD = text_style("socket-head", 11, bold=True, textColor=DEEP, spaceBefore=6, spaceAfter=2)
CAUTION = text_style("socket-caution", 8.5, textColor=WARN)


class PaperRow(NamedTuple):
    type: str
    table: str
    stock: str
    told: str


@dataclass(frozen=True)
class PositionPaper:
    shop: str
    title: str
    made_for: str
    position: Sequence[Told]
    rows: Sequence[PaperRow]
    question: str
    sentence: str
    margins: Sequence[tuple[str, str]]
    effects: Sequence[Effect]
    plot: CurvePlot | None
    safety: str
    printed_on: date


def position_pdf(paper: PositionPaper) -> bytes:
    """On one sheet: with as many candidates as there is room for."""
    for rows in FEWER_ROWS:
        content, pages = _built(paper, rows)
        if pages == 1:
            break
    return content


def _built(paper: PositionPaper, rows: int) -> tuple[bytes, int]:
    file = BytesIO()
    document = open_document(
        file, title=f"What runs in: {paper.title}", author=paper.shop, subject=f"In place of the {paper.made_for}"
    )
    build(
        document,
        _story(paper, rows),
        head=lambda canvas: _head(canvas, paper),
        head_mm=32,
        running=f"What runs in: {paper.title}",
        foot=f"{paper.shop} · printed {day(paper.printed_on)}",
        on=paper.printed_on,
    )
    return file.getvalue(), document.page


def _head(canvas: Canvas, paper: PositionPaper) -> None:
    canvas.saveState()
    top = HEIGHT_MM - 13
    canvas.setFillColor(DEEP)
    draw_text(canvas, EDGE_MM, top - 4.6, f"What runs in: {paper.title}", width_mm=ROOM_MM, size=15, font=BOLD, least=8)
    canvas.setFillColor(INK)
    draw_text(canvas, EDGE_MM, top - 10.2, f"Made for the {paper.made_for}", width_mm=ROOM_MM, size=10.5)
    head_rule(canvas, 28)
    canvas.restoreState()


def _story(paper: PositionPaper, most: int) -> list[Flowable]:
    story: list[Flowable] = [Paragraph(f"<b>Caution.</b> {escape(paper.safety)}", CAUTION), Spacer(0, 2 * mm)]
    if paper.position:
        told = "; ".join(f"{row.name.lower()}: {row.value}" for row in paper.position)
        story.append(Paragraph(f"<b>The position.</b> {escape(told)}.", BODY))
    else:
        text = "Nobody described a set: this compares the sheets, and says less than it would of a described position."
        story.append(Paragraph(text, BODY))
    if paper.sentence:
        story += [Paragraph(escape(paper.question), HEAD), Paragraph(f"<b>{escape(paper.sentence)}</b>", BODY)]
        if paper.margins:
            story.append(Paragraph(escape("; ".join(words for _, words in paper.margins)) + ".", SMALL))
        if paper.effects:
            story += [Spacer(0, 2 * mm), _effects(paper)]
    if paper.plot:
        story += [Spacer(0, 2 * mm), CurveDrawing(paper.plot)]
    story.append(Paragraph("What goes in", HEAD))
    story.append(_rows(paper.rows[:most]) if paper.rows else Paragraph("Nothing that we know of.", BODY))
    if len(paper.rows) > most:
        story.append(Paragraph(f"And {len(paper.rows) - most} more, on the page.", SMALL))
    return story


def _effects(paper: PositionPaper) -> Table:
    cells = [["", paper.made_for, "swapped"], *([effect.name, effect.before, effect.after] for effect in paper.effects)]
    half = (len(cells) + 1) // 2
    # Two halves side by side, so that the picture keeps its room.
    right = [cells[0], *cells[half:]] if len(cells) > 8 else []
    left = cells[:half] if right else cells
    rows = [[*one, *(right[n] if n < len(right) else ["", "", ""])] for n, one in enumerate(left)] if right else left
    widths = [40, 24, 24] * (2 if right else 1)
    return Table([[Paragraph(escape(c), SMALL) for c in row] for row in rows], [w * mm for w in widths], style=_lines())


def _rows(rows: Sequence[PaperRow]) -> Table:
    cells = [["Type", "", "In stock", "What to know"], *([row.type, row.table, row.stock, row.told] for row in rows)]
    shown = [[Paragraph(escape(cell), SMALL) for cell in row] for row in cells]
    return Table(shown, [22 * mm, 22 * mm, 38 * mm, 98 * mm], style=_lines(), repeatRows=1)


def _lines() -> list[tuple[object, ...]]:
    return [
        ("BACKGROUND", (0, 0), (-1, 0), SHADE),
        ("LINEBELOW", (0, 0), (-1, -1), 0.25, RULE),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), 1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
    ]


class CurveDrawing(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """The plot of the page, drawn as vectors at the width of the paper."""

    DASHES = {"curve": (), "load": (6, 3), "limit": (1.5, 2.5)}

    def __init__(self, plot: CurvePlot) -> None:
        super().__init__()
        self.plot = plot
        self.scale = 0.8 * ROOM_MM * mm / plot.width
        self.width, self.height = ROOM_MM * mm, plot.height * self.scale

    def draw(self) -> None:
        canvas, plot = self.canv, self.plot
        canvas.saveState()
        canvas.scale(self.scale, self.scale)
        up = plot.height

        def text(x: float, y: float, words: str, align: str = "left", size: float = 11.0) -> None:
            draw_text(canvas, x / mm, (up - y) / mm, words, width_mm=100, size=size, align=align)

        canvas.setStrokeColor(RULE)
        canvas.setFillColor(SOFT)
        for tick in plot.x_ticks:
            text(tick.at, plot.bottom + 14, tick.label, "centre")
        for tick in plot.y_ticks:
            canvas.line(plot.left, up - tick.at, plot.right, up - tick.at)
            text(plot.left - 5, tick.at + 4, tick.label, "right")
        text(plot.right, plot.bottom + 30, "anode, V", "right")
        text(4, plot.top + 2, "mA")
        canvas.setStrokeColor(INK)
        for line in plot.lines:
            canvas.setDash(self.DASHES[line.kind])
            canvas.setStrokeColor(BAD if line.kind == "limit" else DEEP if line.kind == "load" else SOFT)
            drawn = canvas.beginPath()
            drawn.moveTo(line.points[0][0], up - line.points[0][1])
            for x, y in line.points[1:]:
                drawn.lineTo(x, up - y)
            canvas.drawPath(drawn)
            text(line.end[0] + 3, line.end[1] + 3, line.label, size=9)
        canvas.setDash()
        canvas.setFillColor(INK)
        for mark in plot.marks:
            if mark.shape == "circle":
                canvas.circle(mark.x, up - mark.y, 4.5, stroke=0, fill=1)
            else:
                canvas.saveState()
                canvas.translate(mark.x, up - mark.y)
                canvas.rotate(45)
                canvas.rect(-4, -4, 8, 8, stroke=1, fill=0)
                canvas.restoreState()
        canvas.setStrokeColor(INK)
        canvas.rect(plot.left, up - plot.bottom, plot.breadth, plot.depth, stroke=1, fill=0)
        canvas.restoreState()
