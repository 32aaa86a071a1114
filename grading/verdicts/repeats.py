"""Which readings speak for a section of a valve, and what they say together.

The rule: the latest reading of a section speaks for it, and with it those that were taken on the same day in the same
shift (so by the same operator on the same tester) at the same test point. A later shift or day starts afresh.

A series that has not settled says nothing of the value that the valve goes to: it is kept, and its value is neither
used nor averaged with another. While the last series of a section has not settled nothing is claimed of the section
in figures, whatever single readings came after it, for a single reading does not show that the valve is steady. A
short, a leak or noise found meanwhile still counts.

Repeats that contradict each other have no mean that means anything: `grading.verdicts.values` takes the worse of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from django.utils import timezone

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
        """What was read of it, but nothing that had not settled."""
        if self.unsettled:
            return []
        found = (getattr(reading, quantity) for reading in self.readings if reading.has_settled)
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


def by_section(readings: Iterable[Reading]) -> dict[int, Repeats]:
    """The repeats that speak for each section, by its number, in order."""
    of_section: dict[int, list[Reading]] = {}
    for reading in sorted(readings, key=lambda reading: (reading.taken_at, reading.pk)):
        of_section.setdefault(reading.section, []).append(reading)
    return {section: _with_latest(found) for section, found in sorted(of_section.items())}


def _with_latest(readings: list[Reading]) -> Repeats:
    latest = _occasion(readings[-1])
    last_series = next((reading for reading in reversed(readings) if reading.stability), None)
    return Repeats(
        tuple(reading for reading in readings if _occasion(reading) == latest),
        last_series.stability if last_series and not last_series.has_settled else "",
    )


def _occasion(reading: Reading) -> tuple[object, ...]:
    return reading.shift_id, reading.test_point_id, timezone.localdate(reading.taken_at)
