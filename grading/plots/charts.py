"""Small plots as geometry: what to draw and where. The template grading/_plot.html writes them as SVG.

Marks of different things differ in shape; colour only repeats it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import ceil, floor, log10
from typing import NamedTuple

from grading.metrology.control import EwmaPoint, IndividualsChart, moving_ranges
from stockroom.pure.written import decimals

WIDTH, HEIGHT = 640.0, 240.0
LEFT, RIGHT, TOP, BOTTOM = 64.0, 96.0, 12.0, 34.0
A_CHARACTER, BETWEEN_LABELS = 7.0, 10.0  # the sheet sets labels in 12 px, whose characters are hardly wider
SHAPES = ("circle", "square", "triangle", "diamond")


class Tick(NamedTuple):
    at: float
    label: str


class PlotLine(NamedTuple):
    """A line across the plot at a height, with its name at the right."""

    at: float
    label: str
    kind: str  # "centre", "limit" or "zone"


class PlotMark(NamedTuple):
    x: float
    y: float
    shape: str  # of SHAPES, or "cross"
    says: str


class Path(NamedTuple):
    points: str
    kind: str  # "series-0" and so on, or "trace"


class Band(NamedTuple):
    """A shaded stretch of the horizontal axis; its name stands above the frame, where no line can run through it."""

    x: float
    width: float
    label: str


class Plot(NamedTuple):
    name: str
    title: str
    description: str
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    rules: tuple[PlotLine, ...] = ()
    bands: tuple[Band, ...] = ()
    paths: tuple[Path, ...] = ()
    marks: tuple[PlotMark, ...] = ()
    key: tuple[tuple[str, str], ...] = ()  # shape and what it stands for
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = WIDTH - RIGHT
    top: float = TOP
    bottom: float = HEIGHT - BOTTOM
    breadth: float = WIDTH - RIGHT - LEFT
    depth: float = HEIGHT - BOTTOM - TOP


class Scale(NamedTuple):
    """From a value to a place in the drawing."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        return round(self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start), 1)


def nice_steps(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers from `low` to `high`, some `about` of them.

    >>> nice_steps(0.93, 1.28)
    [1.0, 1.1, 1.2]
    """
    if not low < high:
        return [low]
    rough = (high - low) / about
    power = 10.0 ** floor(log10(rough))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough)
    places = max(0, -floor(log10(step)))
    return [round(i * step, places) for i in range(ceil(low / step), floor(high / step) + 1)]


def _vertical(values: Iterable[float], from_nought: bool = False) -> tuple[Scale, tuple[Tick, ...]]:
    found = list(values)
    low, high = min(found), max(found)
    room = 0.06 * (high - low) or 0.05 * abs(high) or 1.0
    low, high = (0.0 if from_nought else low - room), high + room
    scale = Scale(low, high, HEIGHT - BOTTOM, TOP)
    steps = nice_steps(low, high)
    places = decimals(steps)
    return scale, tuple(Tick(scale(step), f"{step:.{places}f}") for step in steps)


def _across(labels: Sequence[str], x: Scale, most: int | None = None) -> tuple[Tick, ...]:
    """Every label, or every so many, so that two never run together."""
    room = max(len(label) for label in labels) * A_CHARACTER + BETWEEN_LABELS
    every = max(1, ceil(room / (x(1) - x(0))), ceil(len(labels) / most) if most else 1)
    return tuple(Tick(x(i), labels[i]) for i in range(0, len(labels), every))


def study_plot(
    valves: Sequence[str],
    operators: Sequence[str],
    readings: Sequence[Sequence[Sequence[float]]],
    quantity: str,
    unit: str,
) -> Plot:
    """`readings[valve][operator]` are the repeats, of any number. Needs one reading at least."""
    y, y_ticks = _vertical(value for row in readings for cell in row for value in cell)
    right = WIDTH - 16.0  # no names of rules to make room for
    x = Scale(-0.5, len(valves) - 0.5, LEFT, right)
    places = decimals(value for row in readings for cell in row for value in cell)
    marks, paths = [], []
    for o, operator in enumerate(operators):
        shape = SHAPES[o % len(SHAPES)]
        aside = 0.16 * (o - (len(operators) - 1) / 2)
        means = []
        for v, valve in enumerate(valves):
            cell = readings[v][o]
            marks += [
                PlotMark(x(v + aside), y(value), shape, f"{valve}, {operator}: {value:.{places}f} {unit}")
                for value in cell
            ]
            if cell:
                means.append(f"{x(v + aside)},{y(sum(cell) / len(cell))}")
        paths.append(Path(" ".join(means), f"series-{o % len(SHAPES)}"))
    return Plot(
        "study",
        f"Every reading of {quantity}, {unit}, by valve",
        f"{len(valves)} valves across, {quantity} upwards. Each mark is one reading, its shape says whose; a line "
        "joins each operator's means. The readings stand in the table below.",
        _across([str(v + 1) for v in range(len(valves))], x),
        y_ticks,
        paths=tuple(paths),
        marks=tuple(marks),
        key=tuple((SHAPES[o % len(SHAPES)], operator) for o, operator in enumerate(operators)),
        right=right,
        breadth=right - LEFT,
    )


class PlotSeries(NamedTuple):
    """Checks of one reference valve in the order made; `signalled` and `baseline` are positions in `values`."""

    values: Sequence[float]
    labels: Sequence[str]
    signalled: frozenset[int]
    baseline: range
    unit: str


def individuals_plot(series: PlotSeries, chart: IndividualsChart | None) -> Plot:
    """The checks one by one, with the centre line, the limits and the zones of one and two sigma."""
    rules: list[tuple[float, str, str]] = []
    if chart:
        centre, sigma = chart.centre, chart.standard_deviation
        rules = [(centre, "mean", "centre"), (centre + 3 * sigma, "+3σ", "limit"), (centre - 3 * sigma, "−3σ", "limit")]
        rules += [(centre + k * sigma, f"{k:+d}σ".replace("-", "−"), "zone") for k in (-2, -1, 1, 2)]
    limits = (
        f"The mean is {chart.centre:.4g} {series.unit}; the limits are {chart.lower_control_limit:.4g} and "
        f"{chart.upper_control_limit:.4g}. "
        if chart
        else "There are no limits yet. "
    )
    return _trace(
        "individuals",
        f"Checks one by one, {series.unit}",
        limits + _outside_in_words(series),
        series,
        series.values,
        rules,
    )


def moving_range_plot(series: PlotSeries, chart: IndividualsChart) -> Plot:
    """How far each check is from the one before."""
    ranges = [None, *moving_ranges(series.values)]
    upper = chart.moving_range_upper_limit
    rules = [(chart.mean_moving_range, "mean", "centre"), (upper, "limit", "limit")]
    beyond = frozenset(i for i, value in enumerate(ranges) if value is not None and value > upper)
    description = (
        f"From check to check the reading moved by {chart.mean_moving_range:.3g} {series.unit} on average in the "
        f"baseline; the limit is {upper:.3g}. {_outside_in_words(series._replace(signalled=beyond))}"
    )
    title = f"Moving range, {series.unit}"
    return _trace(
        "moving-range", title, description, series._replace(signalled=beyond), ranges, rules, from_nought=True
    )


def ewma_plot(series: PlotSeries, chart: IndividualsChart, points: Sequence[EwmaPoint], start: int) -> Plot:
    """The weighted average since position `start`, where the rules begin to judge."""
    values = [*[None] * start, *[point.value for point in points]]
    beyond = frozenset(start + i for i, point in enumerate(points) if point.out)
    widest = points[-1] if points else None
    rules = [(chart.centre, "mean", "centre")]
    if widest:
        rules += [(widest.upper_control_limit, "upper", "limit"), (widest.lower_control_limit, "lower", "limit")]
    description = (
        "The exponentially weighted moving average of the checks since the baseline, or since the last stop was "
        f"cleared; it shows slow drift. {_outside_in_words(series._replace(signalled=beyond))}"
    )
    title = f"Weighted average, {series.unit}"
    return _trace("ewma", title, description, series._replace(signalled=beyond), values, rules)


def counts_plot(name: str, title: str, counts: Sequence[tuple[str, int]]) -> Plot:
    """Counts of one thing after the other, from nothing upwards; at least one."""
    y, y_ticks = _vertical((count for _, count in counts), from_nought=True)
    right = WIDTH - 16.0  # no names of rules to make room for
    x = Scale(-0.5, len(counts) - 0.5, LEFT, right)
    most = max(counts, key=lambda one: one[1])
    return Plot(
        name,
        title,
        f"{sum(count for _, count in counts)} in all; the most in {most[0]}: {most[1]}.",
        _across([label for label, _ in counts], x, most=6),
        y_ticks,
        paths=(Path(" ".join(f"{x(i)},{y(count)}" for i, (_, count) in enumerate(counts)), "trace"),),
        marks=tuple(PlotMark(x(i), y(count), "circle", f"{label}: {count}") for i, (label, count) in enumerate(counts)),
        right=right,
        breadth=right - LEFT,
    )


def _outside_in_words(series: PlotSeries) -> str:
    if not series.signalled:
        return "No check breaks a rule."
    places = decimals(series.values)
    named = ", ".join(
        f"{series.labels[i]} ({series.values[i]:.{places}f} {series.unit})" for i in sorted(series.signalled)
    )
    return f"Crosses mark the checks that break a rule: {named}."


def _trace(
    name: str,
    title: str,
    description: str,
    series: PlotSeries,
    values: Sequence[float | None],
    rules: Sequence[tuple[float, str, str]],
    from_nought: bool = False,
) -> Plot:
    """Values joined by a line, those of `series.signalled` crossed, over the rules."""
    known = [value for value in values if value is not None]
    y, y_ticks = _vertical([*known, *(at for at, _, _ in rules)], from_nought)
    n = len(values)
    x = Scale(-0.5, n - 0.5, LEFT, WIDTH - RIGHT)
    bands: tuple[Band, ...] = ()
    if series.baseline:
        start = x(series.baseline.start - 0.5)
        bands = (Band(start, round(x(series.baseline.stop - 0.5) - start, 1), "baseline"),)
    places = min(decimals(known), decimals(series.values) + 2)  # an average has no more than that to say
    placed = [(i, value) for i, value in enumerate(values) if value is not None]
    return Plot(
        name,
        title,
        description,
        _across(series.labels, x, most=6),
        y_ticks,
        rules=tuple(PlotLine(y(at), label, kind) for at, label, kind in rules),
        bands=bands,
        paths=(Path(" ".join(f"{x(i)},{y(value)}" for i, value in placed), "trace"),),
        marks=tuple(
            PlotMark(
                x(i),
                y(value),
                "cross" if i in series.signalled else "circle",
                f"{series.labels[i]}: {value:.{places}f} {series.unit}",
            )
            for i, value in placed
        ),
    )
