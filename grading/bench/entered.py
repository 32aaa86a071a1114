"""What was read of one section, before it is kept as a reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from catalog.models import TestPoint
from grading.metrology.quantities import ReadNumbers
from grading.models import Reading


@dataclass(frozen=True)
class EnteredReading(ReadNumbers):
    """One section as it was read at the bench.

    `anode_voltage_v` is the voltage that a stabiliser holds.

    `series` holds values read while the valve warmed up, by the name of their quantity, and `interval_s` between
    them; `grading.bench.series.with_settled_values` puts the settled value and the stability in their place.
    """

    test_point: TestPoint
    series: Mapping[str, Any] = field(default_factory=dict, kw_only=True)
    stability: str = field(default="", kw_only=True)

    def row(self) -> dict[str, object]:
        """As the fields of a `Reading`."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @classmethod
    def of(cls, reading: Reading) -> EnteredReading:
        return cls(**{field.name: getattr(reading, field.name) for field in fields(cls)})
