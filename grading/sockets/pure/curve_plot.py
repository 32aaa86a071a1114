"""Anode curves with the load line, both points of rest and the dissipation hyperbola, as geometry for a page or paper.

Marks differ in shape, lines in dashes; colour only repeats it. The picture is of the valve that is asked about; the
original's point of rest stands in it for comparison.
"""

from __future__ import annotations

from typing import NamedTuple

from catalog.physics.answers import Advice
from catalog.physics.curves import Curve
from catalog.physics.findings import shown
from catalog.physics.stages import Stage
from grading.plots.charts import Scale, Tick, nice_steps

WIDTH, HEIGHT = 640.0, 360.0
LEFT, RIGHT, TOP, BOTTOM = 56.0, 44.0, 14.0, 46.0
CURVES = 8
POINTS = 48


class NamedLine(NamedTuple):
    """A polyline with a word at its end. ``kind`` is "curve", "load" or "limit"."""

    kind: str
    points: tuple[tuple[float, float], ...]
    label: str = ""

    @property
    def svg(self) -> str:
        return " ".join(f"{x},{y}" for x, y in self.points)

    @property
    def end(self) -> tuple[float, float]:
        return self.points[-1]


class NamedMark(NamedTuple):
    x: float
    y: float
    shape: str  # "circle" for the one asked about, "diamond" for the original
    says: str


class CurvePlot(NamedTuple):
    title: str
    description: str
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    lines: tuple[NamedLine, ...]
    marks: tuple[NamedMark, ...]
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = WIDTH - RIGHT
    top: float = TOP
    bottom: float = HEIGHT - BOTTOM
    breadth: float = WIDTH - RIGHT - LEFT
    depth: float = HEIGHT - BOTTOM - TOP


def curve_plot(advice: Advice, made_for: str, heat_max_w: float | None) -> CurvePlot | None:
    """None where the valve has no point of rest to draw."""
    after, before = advice.after, advice.before
    if after is None:
        return None
    line = _load_line(after)
    rests = [stage.rest for stage in (after, before) if stage]
    x_most = 1.05 * max(*(x for x, _ in line), *(2 * rest.anode_v for rest in rests[:1]), *(r.anode_v for r in rests))
    y_most = 1.15 * max(min(max(y for _, y in line), 4 * after.rest.anode_ma), *(r.anode_ma for r in rests))
    x = Scale(0.0, x_most, LEFT, WIDTH - RIGHT)
    y = Scale(0.0, y_most, HEIGHT - BOTTOM, TOP)

    def path(values: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
        return tuple((x(v), y(i)) for v, i in _within(values, x_most, y_most))

    lines = [NamedLine("curve", path(values), label) for label, values in _curves(after, x_most)]
    lines.append(NamedLine("load", path(line[::-1]), "load"))
    if heat_max_w and heat_max_w * 1000 / x_most < y_most:
        hyperbola = [(v, 1000 * heat_max_w / v) for v in _spaced(x_most / 200, x_most)]
        lines.append(NamedLine("limit", path(hyperbola), f"{shown(heat_max_w)} W"))
    marks = [NamedMark(x(after.rest.anode_v), y(after.rest.anode_ma), "circle", _says(advice.other, after))]
    if before is not None:
        marks.append(NamedMark(x(before.rest.anode_v), y(before.rest.anode_ma), "diamond", _says(made_for, before)))
    return CurvePlot(
        f"Anode curves of the {advice.other} in this position",
        _description(advice, made_for, heat_max_w, any(drawn.kind == "limit" for drawn in lines)),
        tuple(Tick(x(v), f"{v:g}") for v in nice_steps(0, x_most, 8)),
        tuple(Tick(y(i), f"{i:g}") for i in nice_steps(0, y_most, 6)),
        tuple(drawn for drawn in lines if len(drawn.points) > 1),
        tuple(marks),
    )


def _says(name: str, stage: Stage) -> str:
    rest = stage.rest
    return f"{name}: {shown(rest.anode_v)} V, {shown(rest.anode_ma)} mA, grid {shown(rest.grid_v)} V"


def _description(advice: Advice, made_for: str, heat_max_w: float | None, drawn: bool) -> str:
    assert advice.after is not None
    words = [
        "Anode volts to the cathode across, anode milliamperes upwards; one curve for each grid voltage, named at its "
        "end, the load line dashed long.",
        f"Round mark, {_says(advice.other, advice.after)}.",
    ]
    if advice.before is not None:
        words.append(f"Diamond, {_says(made_for, advice.before)}.")
    if heat_max_w:
        where = "The dotted line is" if drawn else "Above all of the picture lies"
        words.append(f"{where} {shown(heat_max_w)} W of anode dissipation: nothing may rest above it.")
    return " ".join(words)


def _spaced(low: float, high: float) -> list[float]:
    return [low + (high - low) * k / POINTS for k in range(POINTS + 1)]


def _curves(stage: Stage, x_most: float) -> list[tuple[str, list[tuple[float, float]]]]:
    """From no bias down to what the valve rests at and a little beyond."""
    deepest = 2 * min(stage.rest.grid_v, -0.5)
    steps = [g for g in nice_steps(deepest, 0.0, CURVES) if g <= 0]
    return [(f"{shown(g)} V", [(v, _current(stage.curve, stage, v, g)) for v in _spaced(0, x_most)]) for g in steps]


def _current(curve: Curve, stage: Stage, anode_v: float, grid_v: float) -> float:
    position, rest = stage.position, stage.rest
    if position.screen == "triode":
        return sum(curve.currents_ma(anode_v, grid_v, anode_v))
    screen = rest.screen_v or 0.0
    if position.screen == "ultralinear":
        screen += position.ultralinear_tap * (anode_v - rest.anode_v)
    return curve.currents_ma(anode_v, grid_v, screen)[0]


def _load_line(stage: Stage) -> list[tuple[float, float]]:
    """What the anode and the current do under signal, from full drive one way to full drive the other."""
    found = []
    for k in range(-12, 13):
        state = stage.swung(stage.full_drive_v * k / 12)
        side = state.sides[stage.own if len(state.sides) > 1 else 0]
        tied = side.screen_ma if stage.position.screen == "triode" else 0.0
        found.append((side.anode_node_v - state.cathode_node_v, side.anode_ma + tied))
    return found


def _within(values: list[tuple[float, float]], x_most: float, y_most: float) -> list[tuple[float, float]]:
    return [(v, i) for v, i in values if 0 <= v <= x_most and 0 <= i <= y_most]
