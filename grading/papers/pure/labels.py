"""Labels for valves, on a sheet or one at a time.

Above, to the left: the type, the grade, then what claims a grade in figures, section beside section, and where the
valve came from and stands; to the right the square symbol. Along the foot: the serial as Code 128 and in digits, and
the shop. Sizes follow the stock: the symbols take the largest modules that are whole dots and leave all quiet zones
free; text shrinks to its room.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from io import BytesIO
from math import ceil
from typing import NamedTuple

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from grading.drawing.page import BOLD, INK, SANS, draw_text, fitted, open_canvas
from grading.drawing.stock import Stock
from grading.drawing.symbols import (
    BARS_QUIET,
    DOTS_300,
    CannotEncode,
    SymbolKind,
    code128,
    draw_bars,
    draw_square,
    module_sizes,
    square,
)
from grading.metrology.quantities import CLAIMING, Quantity

POINT_MM = 25.4 / 72
TEXT_PT = 31.5  # the height of type, verdict and two lines of readings at scale 1
HOME_PT = 6.4  # and of the line and the place


class LabelSection(NamedTuple):
    number: int
    values: Mapping[Quantity, float]


@dataclass(frozen=True)
class Label:
    """`grade` and `sections` are empty until there are any. `square_text` goes into the square symbol.

    `line` is the line of the lot that the valve came in, such as L0001/2, and `place` the shelf it had when this was
    printed.
    """

    serial: str
    type: str
    grade: str = ""
    sections: tuple[LabelSection, ...] = ()
    square_text: str = ""
    line: str = ""
    place: str = ""

    @property
    def home(self) -> str:
        """Where the clerk puts a valve that lies about."""
        return " · ".join(filter(None, [self.line, self.place]))

    @property
    def verdict(self) -> str:
        """The grade, or how far the valve has come."""
        return self.grade or ("not graded" if self.sections else "not tested")

    @property
    def lines(self) -> tuple[str, ...]:
        """Key readings: a quantity a line, the sections in order. A quantity nobody read is left out."""
        return tuple(
            f"{one.symbol}  {' | '.join(one.amount(section.values.get(one)) for section in self.sections)} {one.unit}"
            for one in CLAIMING
            if any(one in section.values for section in self.sections)
        )


class LabelPlan(NamedTuple):
    """Where the symbols go on a label of some stock, in mm from its lower left corner."""

    bar_module: float
    bars_x: float
    bars_y: float
    bar_height: float
    square_module: float
    square_x: float
    square_y: float


@lru_cache(maxsize=256)
def plan(stock: Stock, dots_per_mm: float, bar_modules: int, square_modules: int, square_quiet: int) -> LabelPlan:
    """The bars along the foot, as wide as they go; above them the square symbol, as large as it goes.

    Raises:
        CannotEncode: even the smallest modules do not fit.
    """
    margin, width, height = stock.margin_mm, stock.label_width_mm, stock.label_height_mm
    for bar in module_sizes(dots_per_mm, stock.least_module_mm, 0.51):
        edge = _up_to_dots(max(margin, BARS_QUIET * bar), dots_per_mm)
        if 2 * edge + bar_modules * bar <= width:
            break
    else:
        raise CannotEncode(f"The bars do not fit a label of {stock.name}: choose a larger label.")
    bars_y = _up_to_dots(margin + 0.92 * _digits_pt(stock) * POINT_MM, dots_per_mm)
    bar_height = _up_to_dots(max(0.19 * height, 0.15 * bar_modules * bar), dots_per_mm)
    for side in module_sizes(dots_per_mm, stock.least_module_mm, 0.51):
        quiet = square_quiet * side
        rim = _up_to_dots(max(margin, quiet), dots_per_mm)
        square_x = _up_to_dots(width - rim - square_modules * side, dots_per_mm) - 1 / dots_per_mm
        square_y = height - rim - square_modules * side
        if square_y >= bars_y + bar_height + quiet and square_x - quiet >= 0.55 * width:
            return LabelPlan(bar, edge, bars_y, bar_height, side, square_x, square_y)
    raise CannotEncode(
        f"The square symbol does not fit a label of {stock.name}: choose a larger label, the other kind of "
        "symbol, or a shorter web address for the shop."
    )


def _up_to_dots(length_mm: float, dots_per_mm: float) -> float:
    return ceil(length_mm * dots_per_mm - 1e-6) / dots_per_mm


def _scale(stock: Stock) -> float:
    """Text grows with the label, but slower; the smallest sheet label is the measure."""
    return max(0.95, min(1.6, stock.label_height_mm / 21.2))


def _digits_pt(stock: Stock) -> float:
    return 6.6 * _scale(stock)


def labels_pdf(
    labels: Sequence[Label],
    stock: Stock,
    *,
    shop: str,
    on: date,
    square_kind: SymbolKind = SymbolKind.QR,
    start: int = 1,
    dots_per_mm: float = DOTS_300,
) -> bytes:
    """The labels in order; the first sheet begins at position `start`, for a part-used sheet.

    Raises:
        ValueError: there are no labels, or no such position.
        CannotEncode: the symbols do not fit the stock.
    """
    if not labels:
        raise ValueError("There are no labels to print.")
    file = BytesIO()
    canvas = open_canvas(
        file,
        stock.page_width_mm,
        stock.page_height_mm,
        title=f"Labels {labels[0].serial} to {labels[-1].serial}" if len(labels) > 1 else f"Label {labels[0].serial}",
        author=shop,
        subject=f"{len(labels)} labels, {stock.name}",
        on=on,
    )
    canvas.setViewerPreference("PrintScaling", "None")
    position = start
    for label in labels:
        if position > stock.per_page:
            canvas.showPage()
            position = 1
        x, y = stock.corner(position)
        canvas.saveState()
        canvas.translate(x * mm, y * mm)
        _draw(canvas, label, stock, shop, square_kind, dots_per_mm)
        canvas.restoreState()
        position += 1
    canvas.showPage()
    canvas.save()
    return file.getvalue()


def _draw(canvas: Canvas, label: Label, stock: Stock, shop: str, kind: SymbolKind, dots_per_mm: float) -> None:
    bars, symbol = code128(label.serial), square(label.square_text or label.serial, kind)
    where = plan(stock, dots_per_mm, bars.modules, symbol.modules, symbol.quiet)
    left, right = where.bars_x, where.square_x + symbol.modules * where.square_module
    top, room = where.square_y + symbol.modules * where.square_module, where.square_x - left
    width = room - max(symbol.quiet * where.square_module, 1.0)
    canvas.setFillColor(INK)

    tall = TEXT_PT + (HOME_PT if label.home else 0)
    scale = min(1.6, (top - where.bars_y - where.bar_height - 0.5) / (tall * POINT_MM))
    y = top - 6.9 * scale * POINT_MM
    draw_text(canvas, left, y, label.type, width_mm=width, size=9.5 * scale, font=BOLD)
    y -= 8.2 * scale * POINT_MM
    draw_text(canvas, left, y, label.verdict, width_mm=width, size=7 * scale, font=BOLD)
    lines = label.lines
    size = min((fitted(line, SANS, 6.2 * scale, width, 1.0)[1] for line in lines), default=0.0)
    for line in lines:
        y -= 7.4 * scale * POINT_MM
        draw_text(canvas, left, y, line, width_mm=width, size=size, least=1.0)
    if label.home:
        foot = where.bars_y + where.bar_height + 0.5 + 1.6 * scale * POINT_MM
        draw_text(canvas, left, foot, label.home, width_mm=width, size=5.4 * scale, least=3.0)

    draw_bars(canvas, where.bars_x, where.bars_y, bars, where.bar_module, where.bar_height)
    draw_square(canvas, where.square_x, where.square_y, symbol, where.square_module)
    digits = f"{label.serial[:4]} {label.serial[4:]}"
    used = draw_text(canvas, left, stock.margin_mm, digits, width_mm=room, size=_digits_pt(stock))
    draw_text(
        canvas,
        right,
        stock.margin_mm,
        shop,
        width_mm=right - left - used - 1.5,
        size=0.7 * _digits_pt(stock),
        least=3.6,
        align="right",
    )
