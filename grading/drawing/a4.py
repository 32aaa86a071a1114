"""What the A4 papers share: their margins, text styles, heads and frames."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate

from grading.drawing.page import BOLD, DEEP, INK, SANS, NumberedCanvas, draw_text
from grading.drawing.symbols import code128, draw_bars

WIDTH_MM, HEIGHT_MM = A4[0] / mm, A4[1] / mm
EDGE_MM = 15.0
ROOM_MM = WIDTH_MM - 2 * EDGE_MM
FOOT_MM = 14.0
BAR_MM = 0.339  # four dots at 300 to the inch, and wide enough to be read at 203


def text_style(name: str, size: float, *, bold: bool = False, lead: float = 1.28, **more: Any) -> ParagraphStyle:
    """`lead` is the line's height by the letters' size."""
    font = BOLD if bold else SANS
    return ParagraphStyle(name, fontName=font, fontSize=size, leading=lead * size, **{"textColor": INK, **more})


def head_code(canvas: Canvas, number: str) -> float:
    bars = code128(number)
    wide, right, top = bars.modules * BAR_MM, EDGE_MM + ROOM_MM, HEIGHT_MM - 13
    draw_bars(canvas, right - wide, top - 8, bars, BAR_MM, 8)
    canvas.setFillColor(INK)
    draw_text(canvas, right - wide / 2, top - 11.8, number, width_mm=wide, size=9, font=BOLD, align="centre")
    return float(ROOM_MM - wide - 12)


def head_rule(canvas: Canvas, at_mm: float, thick_mm: float = 1.1) -> None:
    canvas.setFillColor(DEEP)
    canvas.rect(EDGE_MM * mm, (HEIGHT_MM - at_mm) * mm, ROOM_MM * mm, thick_mm * mm, stroke=0, fill=1)


def running_head(canvas: Canvas, text: str) -> None:
    canvas.saveState()
    canvas.setFillColor(DEEP)
    draw_text(canvas, EDGE_MM, HEIGHT_MM - 15, text, width_mm=ROOM_MM, size=9, font=BOLD)
    head_rule(canvas, 18, 0.5)
    canvas.restoreState()


def build(
    document: BaseDocTemplate,
    story: Sequence[Flowable],
    *,
    head: Callable[[Canvas], None],
    head_mm: float,
    running: str,
    foot: str,
    on: date,
) -> None:
    """Lay the story out: `head` draws the first page's head, `head_mm` deep, `running` stands over the later pages."""

    def frame(name: str, top_mm: float) -> Frame:
        tall = (HEIGHT_MM - FOOT_MM - top_mm) * mm
        return Frame(EDGE_MM * mm, FOOT_MM * mm, ROOM_MM * mm, tall, 0, 0, 0, 0, id=name)

    document.addPageTemplates(
        [
            PageTemplate(
                "first", frame("first", head_mm), onPage=lambda canvas, _: head(canvas), autoNextPageTemplate="later"
            ),
            PageTemplate("later", frame("later", 22), onPage=lambda canvas, _: running_head(canvas, running)),
        ]
    )
    document.build(list(story), canvasmaker=NumberedCanvas.maker(foot, on))
