"""How long the bench takes for a valve, from the shop's own shifts.

The minutes of a shift for each valve are lognormal about a middle; what is said of shifts to come is normal on the
logarithms. (Student's t, the usual prediction from a few, has no mean once it is taken off the logarithms.) The scatter
from shift to shift begins at a usual one, so that two alike shifts are not believed to be all that there is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt
from typing import NamedTuple

import numpy as np

from grading.buying.pure.pooling import Floats

USUAL_SCATTER, USUAL_WEIGHT = 0.3, 2  # of a shift about the middle, counted as two shifts: common practice, no source


class ShiftPace(NamedTuple):
    """So many valves read in so many minutes."""

    valves: int
    minutes: float


@dataclass(frozen=True)
class BenchPace:
    middle: float  # of the logarithm of minutes for a valve
    scatter: float  # from shift to shift
    shifts: int
    valves_a_shift: float

    def draw_hours(self, rng: np.random.Generator, draws: int, pieces: int) -> Floats:
        """For so many pieces, over as many shifts as they take."""
        needed = max(pieces / self.valves_a_shift, 1.0)
        spread = self.scatter * sqrt(1 / self.shifts + 1 / needed)
        logs = self.middle + spread * rng.standard_normal(draws)
        return np.asarray(pieces * np.exp(logs) / 60, dtype=np.float64)

    @property
    def minutes_each(self) -> float:
        return exp(self.middle)


def learn_pace(shifts: Sequence[ShiftPace]) -> BenchPace | None:
    """None where no shift says anything."""
    told = [one for one in shifts if one.valves > 0 and one.minutes > 0]
    if not told:
        return None
    logs = np.array([log(one.minutes / one.valves) for one in told])
    squares = float(((logs - logs.mean()) ** 2).sum()) + USUAL_WEIGHT * USUAL_SCATTER**2
    scatter = sqrt(squares / (len(told) - 1 + USUAL_WEIGHT))
    return BenchPace(float(logs.mean()), scatter, len(told), float(np.mean([one.valves for one in told])))
