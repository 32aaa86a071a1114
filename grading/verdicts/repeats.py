"""Which readings speak for a section of a valve, and what they say together.

The rule: the latest reading of a section speaks for it, and with it those that were taken on the same day in the same
shift (so by the same operator on the same tester) at the same test point. A later shift or day starts afresh, and so
does a change of the tester, a stop or another calibration: readings on either side of it share no error.

A series that has not settled says nothing of the value that the valve goes to: it is kept, and its value is neither
used nor averaged with another. While the last series of a section has not settled nothing is claimed of the section
in figures, whatever single readings came after it, for a single reading does not show that the valve is steady. A
short, a leak or noise found meanwhile still counts.

Repeats that contradict each other have no mean that means anything: `grading.verdicts.values` takes the worse of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from django.utils import timezone

from grading.metrology.quantities import FAULTS
from grading.models import Quantity, Reading


class Repeats(NamedTuple):
    """Readings of one section, oldest first, at least one.

    `unsettled` says of the section's last series why it has not settled; empty where it has, or there was none.
    """

    readings: tuple[Reading, ...]
    unsettled: str = ""

    @property
    def latest(self) -> Reading:
        return self.readings[-1]

    def values(self, quantity: Quantity) -> list[float]:
        """What was read of it, but nothing that had not settled, save that a leak counts whenever it shows."""
        readings: Iterable[Reading] = self.readings
        if quantity not in FAULTS:
            readings = () if self.unsettled else [reading for reading in self.readings if reading.has_settled]
        found = (getattr(reading, quantity) for reading in readings)
        return [value for value in found if value is not None]

    def worst(self, quantity: Quantity) -> float | None:
        """The largest magnitude: a leak that shows once is there."""
        return max((abs(value) for value in self.values(quantity)), default=None)

    @property
    def short(self) -> Reading | None:
        """The latest of them that found a short."""
        return next((reading for reading in reversed(self.readings) if reading.shorted), None)

    @property
    def noise(self) -> str:
        """The worst that was heard."""
        heard = [Reading.Noise.values.index(reading.noise) for reading in self.readings]
        return str(Reading.Noise.values[max(heard)])


def as_it_stayed(reading: Reading) -> str:
    """For readings between which the tester is known not to have changed, such as those of one grade."""
    return ""


def by_section(readings: Iterable[Reading], session: Callable[[Reading], str] = as_it_stayed) -> dict[int, Repeats]:
    """The repeats that speak for each section, by its number, in order. `session` names the stretch between two changes
    of the tester in which something was read."""
    of_section: dict[int, list[Reading]] = {}
    for reading in sorted(readings, key=lambda reading: (reading.taken_at, reading.pk)):
        of_section.setdefault(reading.section, []).append(reading)
    return {section: _with_latest(found, session) for section, found in sorted(of_section.items())}


def _with_latest(readings: list[Reading], session: Callable[[Reading], str]) -> Repeats:
    def occasion(reading: Reading) -> tuple[object, ...]:
        return (
            reading.shift_id,
            reading.test_point_id,
            timezone.localdate(reading.taken_at),
            session(reading),
        )

    latest = occasion(readings[-1])
    last_series = next((reading for reading in reversed(readings) if reading.stability), None)
    return Repeats(
        tuple(reading for reading in readings if occasion(reading) == latest),
        last_series.stability if last_series and not last_series.has_settled else "",
    )
