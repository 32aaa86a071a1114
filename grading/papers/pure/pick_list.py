"""The list a person carries along the shelves to pull an order, in the order of the places.

The rows carry no symbols: pulling is proved by scanning the valve, and a list that could be scanned in its
place would prove nothing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from typing import Any, NamedTuple
from xml.sax.saxutils import escape

from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Frame, PageTemplate, Paragraph, Spacer, Table

from grading.drawing.a4 import EDGE_MM, HEIGHT_MM, ROOM_MM, head_code, head_rule
from grading.drawing.page import BOLD, DEEP, INK, RULE, SANS, SHADE, SOFT, NumberedCanvas, draw_text, open_document
from stockroom.pure.written import day, plural

FRAGILE = "Old glass is fragile: carry it in a padded tray, do not stack it, and keep pins and caps clear."


class PickRow(NamedTuple):
    """`item` says what the valve is pulled for, such as "1 × matched quad 12AX7"; `set_number` also which pack."""

    place: str
    serial: str
    type: str
    set_number: str
    item: str
    pulled: bool


@dataclass(frozen=True)
class PickListData:
    shop: str
    notice: str
    order: str
    customer: str
    placed_on: date
    printed_on: date
    note: str
    rows: tuple[PickRow, ...]
    sealed: tuple[str, ...] = ()  # what is said of packs that stay shut


def walking_order(place: str) -> tuple[bool, tuple[tuple[bool, int, str], ...]]:
    """A key to sort places by: numbers within a code count as numbers; no place comes last.

    >>> sorted(["B1", "A10", "", "A2"], key=walking_order)
    ['A2', 'A10', 'B1', '']
    """
    parts = re.findall(r"\d+|\D+", place.upper())
    return not place, tuple((False, int(part), "") if part.isdecimal() else (True, 0, part) for part in parts)


def pick_list_pdf(data: PickListData) -> bytes:
    """Raises ValueError when there is nothing to pull."""
    if not data.rows:
        raise ValueError("There is nothing to pull.")
    file = BytesIO()
    document = open_document(
        file, title=f"Pick list {data.order}", author=data.shop, subject="Valves to pull, by place"
    )
    frame = Frame(EDGE_MM * mm, 14 * mm, ROOM_MM * mm, (HEIGHT_MM - 14 - 34) * mm, 0, 0, 0, 0)
    document.addPageTemplates([PageTemplate("page", frame, onPage=lambda canvas, _: _head(canvas, data))])
    foot = f"{data.shop} · {data.order} · printed {day(data.printed_on)}"
    document.build(_story(data), canvasmaker=NumberedCanvas.maker(foot, data.printed_on))
    return file.getvalue()


def _head(canvas: Canvas, data: PickListData) -> None:
    canvas.saveState()
    room, top = head_code(canvas, data.order), HEIGHT_MM - 13
    canvas.setFillColor(DEEP)
    draw_text(canvas, EDGE_MM, top - 4.6, f"Pick list {data.order}", width_mm=room, size=16, font=BOLD)
    canvas.setFillColor(INK)
    who = f"{data.customer} · ordered {day(data.placed_on)}"
    draw_text(canvas, EDGE_MM, top - 10.2, who, width_mm=room, size=10.5, least=6)
    head_rule(canvas, 30)
    canvas.restoreState()


BODY = ParagraphStyle("body", fontName=SANS, fontSize=9, leading=11.5, textColor=INK)
CELL = ParagraphStyle("cell", fontName=SANS, fontSize=9, leading=10.5, textColor=SOFT)
PLACE = ParagraphStyle("place", fontName=SANS, fontSize=11, leading=12.5, textColor=INK)
SAME_PLACE = ParagraphStyle("same-place", fontName=SANS, fontSize=10, leading=12.5, textColor=SOFT)
HEADS = ("Place", "Serial", "Type", "Set or pack", "For", "Pulled")


def _story(data: PickListData) -> list[Flowable]:
    rows = sorted(data.rows, key=lambda row: (walking_order(row.place), row.serial))
    places = len({row.place for row in rows if row.place})
    left = sum(not row.pulled for row in rows)
    count = f"{_plural(left, 'valve')} to pull from {_plural(places, 'place')}."
    if left < len(rows):
        count += f" {_plural(len(rows) - left, 'valve')} pulled already."
    story: list[Flowable] = [Paragraph(f"<b>{count}</b> {FRAGILE}", BODY)]
    if data.notice:
        story.append(Paragraph(escape(data.notice), BODY))
    if data.note:
        story.append(Paragraph(f"<b>Note on the order.</b> {escape(data.note)}", BODY))
    story += [Paragraph(f"<b>Keep these shut.</b> {escape(sentence)}", BODY) for sentence in data.sealed]
    return [*story, Spacer(0, 3 * mm), _table(rows)]


def _plural(count: int, noun: str) -> str:
    return plural(count, noun)


def _table(rows: Sequence[PickRow]) -> Table:
    cells: list[list[Any]] = [list(HEADS)]
    style: list[Any] = [
        ("FONT", (0, 0), (-1, 0), BOLD, 8.5),
        ("FONT", (0, 1), (-1, -1), SANS, 10.5),
        ("FONT", (1, 1), (1, -1), BOLD, 11),
        ("TEXTCOLOR", (0, 0), (-1, -1), INK),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LINEBELOW", (0, 0), (-1, 0), 0.9, INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, RULE),
        ("TOPPADDING", (0, 0), (-1, -1), 3.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 4.5),
        ("ALIGN", (-1, 0), (-1, -1), "CENTRE"),
    ]
    before: str | None = None
    shaded = True
    for at, row in enumerate(rows, start=1):
        if row.place != before:
            shaded = not shaded
        place = escape(row.place or "no place")
        cells.append(
            [
                Paragraph(f"<b>{place}</b>", PLACE) if row.place != before else Paragraph(place, SAME_PLACE),
                f"{row.serial[:4]} {row.serial[4:]}",
                Paragraph(escape(row.type), BODY),
                Paragraph(escape(row.set_number), CELL),
                Paragraph(escape(row.item), CELL),
                _Box(row.pulled),
            ]
        )
        if shaded:
            style.append(("BACKGROUND", (0, at), (-1, at), SHADE))
        before = row.place
    return Table(cells, colWidths=[w * mm for w in (34, 27, 30, 34, 39, 16)], repeatRows=1, style=style)


class _Box(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """A box to tick, or one ticked."""

    SIDE_MM = 4.6

    def __init__(self, ticked: bool) -> None:
        super().__init__()
        self.ticked = ticked
        self.hAlign = "CENTER"

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.SIDE_MM * mm, self.SIDE_MM * mm

    def draw(self) -> None:
        side = self.SIDE_MM * mm
        self.canv.setStrokeColor(INK)
        self.canv.setLineWidth(0.9)
        self.canv.rect(0, 0, side, side, stroke=1, fill=0)
        if self.ticked:
            self.canv.setLineWidth(1.4)
            self.canv.lines(
                [
                    (0.2 * side, 0.5 * side, 0.42 * side, 0.25 * side),
                    (0.42 * side, 0.25 * side, 0.82 * side, 0.8 * side),
                ]
            )
