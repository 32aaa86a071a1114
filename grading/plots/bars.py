"""Bars that lie, one under the other, each with its name before it and its amount in words after it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

WIDTH, A_BAR, A_ROW, EDGE = 640.0, 18.0, 28.0, 6.0
A_CHARACTER = 7.0  # as in `charts`


class Bar(NamedTuple):
    name: str
    says: str
    y: float
    breadth: float
    middle: float
    end: float


class BarChart(NamedTuple):
    name: str
    title: str
    description: str
    bars: tuple[Bar, ...]
    height: float
    left: float
    width: float = WIDTH
    depth: float = A_BAR


def bar_chart(name: str, title: str, description: str, rows: Sequence[tuple[str, float, str]]) -> BarChart:
    """`rows` are a name, a value from nothing upwards, and the value in words. The longest bar is the greatest value.

    >>> chart = bar_chart("age", "Age", "", [("new", 10, "10 pieces"), ("old", 5, "5 pieces"), ("older", 0, "none")])
    >>> [round(bar.breadth / chart.bars[0].breadth, 2) for bar in chart.bars]
    [1.0, 0.5, 0.0]
    """
    left = max((len(row[0]) for row in rows), default=0) * A_CHARACTER + 2 * EDGE
    right = max((len(row[2]) for row in rows), default=0) * A_CHARACTER + 2 * EDGE
    most = max((value for _, value, _ in rows), default=0.0) or 1.0
    room = WIDTH - left - right
    bars = []
    for place, (label, value, says) in enumerate(rows):
        y, breadth = EDGE + place * A_ROW, round(room * value / most, 1)
        bars.append(Bar(label, says, y, breadth, y + A_BAR / 2, left + breadth))
    return BarChart(name, title, description, tuple(bars), EDGE + len(rows) * A_ROW, left)
