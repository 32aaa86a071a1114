"""The chart on a certificate: a set beside the nominal and its siblings, drawn as vectors.

    Chart, Point        what is drawn; x is gm where it was measured, else the valve's number in the set
    draw_chart(...)     frame, axes with units, siblings, nominal, room within the tolerance, members
    draw_legend(...)    the marks and what they mean, in one line
    outside(chart)      how many siblings lie beyond the frame

Marks differ in shape as well as in colour, so a copy in grey still reads. The frame covers the set, the
nominal and the siblings that are not far out (beyond a quartile by three times the quartiles' distance, Tukey's
outer fence): one dead valve must not squeeze the rest into a corner.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10
from statistics import quantiles
from typing import NamedTuple

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from grading.drawing.page import BOLD, DEEP, INK, RULE, SANS, SOFT, WARN, draw_text
from stockroom.pure.written import plain

LEFT_MM, BOTTOM_MM, TOP_MM, RIGHT_MM = 12.0, 8.2, 5.0, 2.0  # room for the axes' figures and names


class Point(NamedTuple):
    """Without `x` it is a level: a line across for the nominal, a tick at the right edge for a sibling."""

    x: float | None
    y: float


@dataclass(frozen=True)
class SetChart:
    """`tolerance` is the spread asked of the set, as a fraction."""

    title: str
    x_name: str
    y_name: str
    members: tuple[Point, ...]
    nominal: Point | None
    siblings: tuple[Point, ...]
    tolerance: float

    @property
    def counts(self) -> bool:
        """The x axis only numbers the members."""
        return self.x_name == NUMBER_IN_SET


NUMBER_IN_SET = "number in the set"


class Span(NamedTuple):
    low: float
    high: float

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


def _span(core: Sequence[float], siblings: Sequence[float]) -> Span:
    """All of the core, the siblings within the outer fences, and a little air."""
    values = list(core)
    if len(siblings) >= 4:
        first, _, third = quantiles(siblings, n=4)
        fence = 3 * (third - first)
        values += [value for value in siblings if first - fence <= value <= third + fence]
    else:
        values += siblings
    low, high = min(values), max(values)
    air = 0.08 * (high - low) or 0.1 * abs(high) or 1.0
    return Span(max(0.0, low - air), high + air)


def _spans(chart: SetChart) -> tuple[Span, Span]:
    nominal = [chart.nominal] if chart.nominal else []
    core = [*chart.members, *nominal]
    grown = [point.y * (1 + chart.tolerance) for point in chart.members]
    ys = _span([point.y for point in core] + [min(grown)], [point.y for point in chart.siblings])
    if chart.counts:
        return Span(0.5, len(chart.members) + 0.5), ys
    grown = [point.x * (1 + chart.tolerance) for point in chart.members if point.x is not None]
    xs = [point.x for point in core if point.x is not None]
    return _span([*xs, min(grown)], [p.x for p in chart.siblings if p.x is not None]), ys


def outside(chart: SetChart) -> int:
    """How many siblings lie beyond the frame."""
    xs, ys = _spans(chart)
    return sum(not _inside(point, xs, ys) for point in chart.siblings)


def _inside(point: Point, xs: Span, ys: Span) -> bool:
    return ys.holds(point.y) and (point.x is None or xs.holds(point.x))


def ticks(low: float, high: float, most: int = 8) -> list[float]:
    """Round numbers between `low` and `high`, in steps of 1, 2 or 5 times a power of ten.

    >>> ticks(0.93, 1.48)
    [1.0, 1.1, 1.2, 1.3, 1.4]
    """
    rough = (high - low) / most
    power = 10.0 ** floor(log10(rough))
    step = next(power * lead for lead in (1, 2, 5, 10) if power * lead >= rough * (1 - 1e-9))
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return [round(index * step, 10) for index in range(first, last + 1)]


def draw_chart(canvas: Canvas, x_mm: float, y_mm: float, width_mm: float, height_mm: float, chart: SetChart) -> None:
    """The chart with its lower left corner at (x, y); everything of it lies within the width and height."""
    xs, ys = _spans(chart)
    left, bottom = x_mm + LEFT_MM, y_mm + BOTTOM_MM
    wide, high = width_mm - LEFT_MM - RIGHT_MM, height_mm - BOTTOM_MM - TOP_MM

    def at_x(value: float) -> float:
        return left + wide * (value - xs.low) / (xs.high - xs.low)

    def at_y(value: float) -> float:
        return bottom + high * (value - ys.low) / (ys.high - ys.low)

    canvas.saveState()
    canvas.setFillColor(INK)
    draw_text(canvas, left, y_mm + height_mm - 3.6, chart.title, width_mm=wide, size=8, font=BOLD)
    _draw_axes(canvas, chart, xs, ys, (left, bottom, wide, high))
    canvas.setFillColor(SOFT)
    draw_text(canvas, left + wide / 2, y_mm + 0.8, chart.x_name, width_mm=wide, size=7.5, align="centre")
    canvas.saveState()
    canvas.translate((x_mm + 2.8) * mm, (bottom + high / 2) * mm)
    canvas.rotate(90)
    draw_text(canvas, 0, 0, chart.y_name, width_mm=high, size=7.5, align="centre")
    canvas.restoreState()

    for point in chart.siblings:
        if not _inside(point, xs, ys):
            continue
        if point.x is None:
            _sibling_tick(canvas, left + wide, at_y(point.y))
        else:
            _sibling_mark(canvas, at_x(point.x), at_y(point.y))
    if chart.nominal:
        _nominal_lines(canvas)
        level = at_y(chart.nominal.y)
        canvas.line(left * mm, level * mm, (left + wide) * mm, level * mm)
        if chart.nominal.x is not None:
            upright = at_x(chart.nominal.x)
            canvas.line(upright * mm, bottom * mm, upright * mm, (bottom + high) * mm)
    low_y = min(point.y for point in chart.members)
    if chart.counts:
        x0, x1 = left, left + wide
    else:
        low_x = min(point.x for point in chart.members if point.x is not None)
        x0, x1 = at_x(low_x), at_x(low_x * (1 + chart.tolerance))
    y0, y1 = at_y(low_y), at_y(low_y * (1 + chart.tolerance))
    _room_lines(canvas)
    canvas.rect(x0 * mm, y0 * mm, (x1 - x0) * mm, (y1 - y0) * mm, stroke=1, fill=0)
    for point in chart.members:
        if point.x is not None:
            _member_mark(canvas, at_x(point.x), at_y(point.y))
    canvas.restoreState()


def _draw_axes(canvas: Canvas, chart: SetChart, xs: Span, ys: Span, frame: tuple[float, float, float, float]) -> None:
    left, bottom, wide, high = frame
    canvas.setStrokeColor(RULE)
    canvas.setLineWidth(0.25)
    across = [float(n) for n in range(1, len(chart.members) + 1)] if chart.counts else ticks(*xs)
    for value in across:
        x = left + wide * (value - xs.low) / (xs.high - xs.low)
        canvas.line(x * mm, bottom * mm, x * mm, (bottom + high) * mm)
        draw_text(canvas, x, bottom - 3.2, plain(value), width_mm=12, size=6.5, align="centre")
    for value in ticks(*ys):
        y = bottom + high * (value - ys.low) / (ys.high - ys.low)
        canvas.line(left * mm, y * mm, (left + wide) * mm, y * mm)
        draw_text(canvas, left - 1, y - 0.8, plain(value), width_mm=8, size=6.5, align="right")
    canvas.setStrokeColor(INK)
    canvas.setLineWidth(0.6)
    canvas.rect(left * mm, bottom * mm, wide * mm, high * mm, stroke=1, fill=0)


def _member_mark(canvas: Canvas, x: float, y: float) -> None:
    canvas.setFillColor(DEEP)
    canvas.setStrokeColorRGB(1, 1, 1)
    canvas.setLineWidth(0.5)
    canvas.setDash()
    canvas.circle(x * mm, y * mm, 1.05 * mm, stroke=1, fill=1)


def _sibling_mark(canvas: Canvas, x: float, y: float) -> None:
    canvas.setStrokeColor(SOFT)
    canvas.setStrokeAlpha(0.55)
    canvas.setLineWidth(0.35)
    canvas.circle(x * mm, y * mm, 0.55 * mm, stroke=1, fill=0)
    canvas.setStrokeAlpha(1)


def _sibling_tick(canvas: Canvas, right: float, y: float) -> None:
    canvas.setStrokeColor(SOFT)
    canvas.setStrokeAlpha(0.55)
    canvas.setLineWidth(0.35)
    canvas.line((right - 2) * mm, y * mm, right * mm, y * mm)
    canvas.setStrokeAlpha(1)


def _nominal_lines(canvas: Canvas) -> None:
    canvas.setStrokeColor(WARN)
    canvas.setLineWidth(0.8)
    canvas.setDash(4, 2)


def _room_lines(canvas: Canvas) -> None:
    canvas.setStrokeColor(DEEP)
    canvas.setLineWidth(0.6)
    canvas.setDash(1, 1.2)


def draw_legend(canvas: Canvas, x_mm: float, y_mm: float, tolerance: float, siblings: str, *, ticks: bool) -> None:
    """Marks and words from x on, the words on a baseline at y.

    `siblings` says whose marks the open rings are, or the ticks at the right edge.
    """
    x, middle = x_mm, y_mm + 0.9
    canvas.saveState()

    def word(text: str) -> float:
        canvas.setFillColor(INK)
        return 5.0 + draw_text(canvas, x + 5.0, y_mm, text, width_mm=90, size=7.5, font=SANS) + 5.0

    _member_mark(canvas, x + 2.5, middle)
    x += word("this set")
    _nominal_lines(canvas)
    canvas.line(x * mm, middle * mm, (x + 4) * mm, middle * mm)
    x += word("nominal")
    _room_lines(canvas)
    canvas.rect((x + 0.5) * mm, (middle - 1.1) * mm, 3.5 * mm, 2.2 * mm, stroke=1, fill=0)
    x += word(f"room within {plain(100 * tolerance)} % of the lowest")
    if siblings:
        canvas.setDash()
        if ticks:
            _sibling_tick(canvas, x + 3.5, middle)
        else:
            _sibling_mark(canvas, x + 2.5, middle)
        word(siblings)
    canvas.restoreState()
