"""Labels that number the cartons of a sealed lot, or its loose packs, before any is drawn.

Who numbers packs with the draw list in hand can choose which are opened; so the numbers are on them first, and where a
place in a carton is counted from stands on every label.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from io import BytesIO

from reportlab.pdfgen.canvas import Canvas

from grading.drawing.page import BOLD, INK, SOFT, draw_text, open_canvas
from grading.drawing.stock import STOCKS

PLACES = (
    "Places in a carton are counted with its label towards you: 1 is at the back left of the top layer, then to the "
    "right along the row, then the next row towards you, then the next layer down."
)
STOCK = STOCKS["63.5x38.1-a4"]
RULE = ("Label towards you. Place 1: top layer, back left.", "Count to the right, then the row nearer, then down.")


@dataclass(frozen=True)
class CartonLabels:
    """`pieces` packs in cartons of `size`, the last of which may hold fewer; 1 for loose packs."""

    shop: str
    line: str
    type: str
    pieces: int
    size: int
    on: date

    @property
    def count(self) -> int:
        return -(-self.pieces // self.size)

    def texts(self, number: int) -> tuple[str, str]:
        """What stands large on the label with this number, and under it."""
        if self.size == 1:
            return f"pack {number}", f"of {self.pieces}"
        first, last = (number - 1) * self.size + 1, min(number * self.size, self.pieces)
        packs = f"packs {first} to {last}" if last > first else f"pack {first}"
        return f"carton {number}", f"of {self.count}: {packs}"


def carton_labels_pdf(data: CartonLabels) -> bytes:
    file = BytesIO()
    canvas = open_canvas(
        file,
        STOCK.page_width_mm,
        STOCK.page_height_mm,
        title=f"Numbers for the packs of {data.line}",
        author=data.shop,
        subject=f"{data.count} labels, {STOCK.name}",
        on=data.on,
    )
    canvas.setViewerPreference("PrintScaling", "None")
    for number in range(1, data.count + 1):
        position = (number - 1) % STOCK.per_page + 1
        if position == 1 and number > 1:
            canvas.showPage()
        _draw(canvas, data, number, *STOCK.corner(position))
    canvas.showPage()
    canvas.save()
    return file.getvalue()


def _draw(canvas: Canvas, data: CartonLabels, number: int, x: float, y: float) -> None:
    large, under = data.texts(number)
    left, width = x + STOCK.margin_mm, STOCK.label_width_mm - 2 * STOCK.margin_mm
    canvas.setFillColor(INK)
    draw_text(canvas, left, y + 30, f"{data.line}  {data.type}", width_mm=width, size=10, font=BOLD)
    draw_text(canvas, left, y + 19.5, large, width_mm=width, size=24, font=BOLD)
    draw_text(canvas, left, y + 14, under, width_mm=width, size=10)
    canvas.setFillColor(SOFT)
    if data.size > 1:
        for row, text in enumerate(RULE):
            draw_text(canvas, left, y + 8.5 - 2.8 * row, text, width_mm=width, size=6.5)
    draw_text(canvas, left, y + 2.5, data.shop, width_mm=width, size=6)
