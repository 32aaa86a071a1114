"""The pool of a run as geometry: mutual conductance across, anode current upwards, each set as a star.

A set is drawn as lines from the middle of its members to each of them, so that sets that overlap stay apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from grading.plots.charts import Scale, Tick, nice_steps
from stockroom.pure.written import plural

WIDTH, HEIGHT = 760.0, 460.0
LEFT, RIGHT, TOP, BOTTOM = 62.0, 16.0, 12.0, 44.0
MOST_POINTS, MOST_SETS = 2000, 400


class Star(NamedTuple):
    """The lines of one set, with its place among the run's sets."""

    place: int
    lines: tuple[tuple[float, float, float, float], ...]
    tier: int
    says: str


class PoolPlot(NamedTuple):
    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    points: tuple[tuple[float, float], ...]
    stars: tuple[Star, ...]
    x_name: str
    y_name: str
    description: str


def pool_plot(
    points: Mapping[int, tuple[float, float]],
    sets: Sequence[tuple[Sequence[int], int, str]],
    x_name: str,
    y_name: str,
) -> PoolPlot | None:
    """`points` are (x, y) by valve; `sets` are members, tier's position and words. None for an empty pool."""
    if not points:
        return None
    to_x, x_ticks = _scale([x for x, _ in points.values()], LEFT, WIDTH - RIGHT)
    to_y, y_ticks = _scale([y for _, y in points.values()], HEIGHT - BOTTOM, TOP)
    at = {key: (to_x(x), to_y(y)) for key, (x, y) in points.items()}
    every = -(-len(at) // MOST_POINTS)
    stars = []
    for place, (members, tier, says) in enumerate(sets[:MOST_SETS]):
        ends = [at[key] for key in members if key in at]
        if not ends:
            continue
        x, y = sum(end[0] for end in ends) / len(ends), sum(end[1] for end in ends) / len(ends)
        stars.append(Star(place, tuple((round(x, 1), round(y, 1), *end) for end in ends), tier, says))
    shown = f"; every {every}th valve is drawn" if every > 1 else ""
    unshown = f"; the first {MOST_SETS} sets are drawn" if len(sets) > MOST_SETS else ""
    return PoolPlot(
        WIDTH,
        HEIGHT,
        LEFT,
        WIDTH - RIGHT,
        TOP,
        HEIGHT - BOTTOM,
        x_ticks,
        y_ticks,
        tuple(list(at.values())[::every]),
        tuple(stars),
        x_name,
        y_name,
        f"{plural(len(points), 'valve')}, {plural(len(sets), 'set')}: {y_name} against {x_name}. A set's valves are "
        f"joined to their middle{shown}{unshown}.",
    )


def _scale(values: Sequence[float], start: float, end: float) -> tuple[Scale, tuple[Tick, ...]]:
    low, high = min(values), max(values)
    margin = (high - low) * 0.05 or abs(high) * 0.05 or 1.0
    scale = Scale(low - margin, high + margin, start, end)
    return scale, tuple(Tick(scale(step), f"{step:g}") for step in nice_steps(scale.low, scale.high, 6))
