"""What the demonstration's valves are and what its testers then show, drawn at random.

New valves spread about 10 % in anode current and 8 % in mutual conductance, log-normally; a section strong in one
is strong in the other, and the sections of one bottle are alike. Made up to look like the trade, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, sqrt
from random import Random
from typing import Any, NamedTuple

from catalog.models import TestPoint
from grading.models import Quantity, Reading

IA_SPREAD = 0.10  # standard deviation of the logarithm
GM_SPREAD = 0.08
IA_WITH_GM = 0.6  # correlation
SECTIONS_ALIKE = 0.7  # correlation

A_GOOD_SCALE = 80  # divisions that a valve of nominal strength gives


class Strength(NamedTuple):
    """A section's departure from its nominals, as factors."""

    anode_current: float
    gm: float


class Meter(NamedTuple):
    """`steps` are those of the display, by the name of the quantity; what is not among them is not measured.

    `gain` multiplies what is there, and every reading scatters by `scatter` of itself. `elsewhere` holds what a
    nominal valve gives at the tester's own test conditions, by quantity, where they are not the data sheet's.
    """

    steps: Mapping[str, float]
    gain: float
    scatter: float
    elsewhere: Mapping[int, Mapping[str, float]]  # by test point

    def nominal(self, point: TestPoint, quantity: Quantity) -> float | None:
        at: float | None = self.elsewhere.get(point.pk, {}).get(quantity, getattr(point, quantity))
        return at

    def show(self, rng: Random, quantity: Quantity, value: float) -> float:
        """The value as it is read once, a multiple of the display's step."""
        step = self.steps[quantity]
        return round(round(value * self.gain * (1 + rng.gauss(0, self.scatter)) / step) * step, 6)


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


def read_meters(
    rng: Random, meter: Meter, point: TestPoint, strength: Strength, fault: dict[str, Any], *, leaks: bool
) -> Reading:
    """What the tester shows. The fault, if any, is this section's."""
    reading = Reading(section=point.section.number, test_point=point)
    if Quantity.EMISSION in meter.steps:
        good = A_GOOD_SCALE * strength.anode_current * fault.get("weak", 1)
        reading.emission_scale = meter.show(rng, Quantity.EMISSION, good)
        return reading
    if leaks:
        leakage = fault.get("leakage", rng.expovariate(1 / 1.2))
        reading.heater_cathode_leakage_ua = meter.show(rng, Quantity.LEAKAGE, leakage)
    if "short" in fault:
        reading.shorted, reading.short_between = True, fault["short"]
        reading.remark = "not measured"
        return reading
    weak = fault.get("weak", 1)
    for quantity, factor in ((Quantity.ANODE_CURRENT, strength.anode_current), (Quantity.GM, strength.gm)):
        nominal = meter.nominal(point, quantity)
        if nominal is not None:
            setattr(reading, quantity, meter.show(rng, quantity, nominal * factor * weak))
    if point.gm_ma_per_v is None:  # a rectifier has no grid
        return reading
    grid_current = fault.get("grid_current", abs(rng.gauss(0, 0.15)))
    reading.grid_current_ua = meter.show(rng, Quantity.GRID_CURRENT, grid_current)
    if point.anode_current_ma and point.anode_current_ma < 20:  # small-signal: somebody listens
        noise = Reading.Noise.SLIGHT if rng.random() > 0.95 else Reading.Noise.QUIET
        reading.noise = fault.get("noise", noise)
    return reading


def mistype(reading: Reading) -> float:
    """Put a 3 for the 1 of the reading's gm, by a slip of the hand; returns what the meter showed."""
    right = reading.gm_ma_per_v
    assert right is not None
    reading.gm_ma_per_v = round(right + 2, 2)
    return right
