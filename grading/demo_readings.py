"""Readings for the demonstration shop, drawn at random.

- `strengths(rng, sections, average, wear)`: what the sections of one valve give of their nominals
- `read_meters(rng, point, strength, fault)`: what the meters then show
- `mistype(reading)`: a slip of the hand

New valves spread about 10 % in anode current and 8 % in mutual conductance, log-normally; a section strong in one
is strong in the other, and the sections of one bottle are alike. Made up to look like the trade, no source.
"""

from __future__ import annotations

from math import exp, sqrt
from random import Random
from typing import Any, NamedTuple

from catalog.models import TestPoint
from grading.models import Reading

IA_SPREAD = 0.10  # standard deviation of the logarithm
GM_SPREAD = 0.08
IA_WITH_GM = 0.6  # correlation
SECTIONS_ALIKE = 0.7  # correlation


class Strength(NamedTuple):
    """A section's departure from its nominals, as factors."""

    anode_current: float
    gm: float


def strengths(rng: Random, sections: int, average: float, wear: float) -> list[Strength]:
    """The sections of one valve of a line that gives `average` of nominal and is worn unequally by `wear`."""
    strength = average * exp(rng.gauss(0, wear))
    own, shared = sqrt(1 - SECTIONS_ALIKE), sqrt(SECTIONS_ALIKE)
    bottle = (rng.gauss(0, 1), rng.gauss(0, 1))
    found = []
    for _ in range(sections):
        first, second = (shared * whole + own * rng.gauss(0, 1) for whole in bottle)
        both = IA_WITH_GM * first + sqrt(1 - IA_WITH_GM**2) * second
        found.append(Strength(strength * exp(IA_SPREAD * first), strength * exp(GM_SPREAD * both)))
    return found


def read_meters(rng: Random, point: TestPoint, strength: Strength, fault: dict[str, Any], *, leaks: bool) -> Reading:
    """What the meters show. The fault, if any, is this section's. The same numbers are drawn for every fault."""
    leakage, grid_current, hiss = rng.expovariate(1 / 1.2), abs(rng.gauss(0, 0.15)), rng.random()
    reading = Reading(section=point.section.number, test_point=point)
    if leaks:
        reading.heater_cathode_leakage_ua = fault.get("leakage", round(leakage, 1))
    if "short" in fault:
        reading.shorted, reading.short_between = True, fault["short"]
        reading.remark = "not measured"
        return reading
    weak = fault.get("weak", 1)
    reading.anode_current_ma = _shown(point.anode_current_ma * strength.anode_current * weak)
    if point.gm_ma_per_v is None:
        return reading
    reading.gm_ma_per_v = _shown(point.gm_ma_per_v * strength.gm * weak)
    reading.grid_current_ua = fault.get("grid_current", round(grid_current, 2))
    if point.anode_current_ma < 20:  # small-signal: somebody listens
        noise = Reading.Noise.SLIGHT if hiss > 0.95 else Reading.Noise.QUIET
        reading.noise = fault.get("noise", noise)
    return reading


def _shown(value: float) -> float:
    """As the meter's scale lets it be read."""
    return round(value, 2 if value < 20 else 1)


def mistype(reading: Reading) -> float:
    """Put a 3 for the 1 of the reading's gm, by a slip of the hand; returns what the meter showed."""
    right = reading.gm_ma_per_v
    assert right is not None
    reading.gm_ma_per_v = round(right + 2, 2)
    return right
