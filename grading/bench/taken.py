"""What was read of one section, before it is kept as a reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from catalog.models import TestPoint
from grading.models import Reading


@dataclass(frozen=True)
class Taken:
    """One section as it was read. Currents in mA and µA, gm in mA/V; None where nothing was measured.

    `anode_voltage_v` is the voltage that a stabiliser holds.

    `series` holds values read while the valve warmed up, by the name of their quantity, and `interval_s` between
    them; `grading.bench.series.settled` puts the settled value and the stability in their place.
    """

    test_point: TestPoint
    anode_current_ma: float | None = None
    gm_ma_per_v: float | None = None
    emission_scale: float | None = None
    anode_voltage_v: float | None = None
    series: Mapping[str, Any] = field(default_factory=dict)
    stability: str = ""
    shorted: bool = False
    short_between: str = ""
    heater_cathode_leakage_ua: float | None = None
    grid_current_ua: float | None = None
    noise: str = ""
    remark: str = ""

    @property
    def says_something(self) -> bool:
        """Enough to judge by: a current, a mutual conductance, a voltage held, a scale's reading or a short."""
        read = (self.anode_current_ma, self.gm_ma_per_v, self.anode_voltage_v, self.emission_scale)
        return self.shorted or any(value is not None for value in read)

    def row(self) -> dict[str, object]:
        """As the fields of a `Reading`."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @classmethod
    def of(cls, reading: Reading) -> Taken:
        return cls(**{field.name: getattr(reading, field.name) for field in fields(cls)})
