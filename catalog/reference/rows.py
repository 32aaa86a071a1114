"""What the reference files say, row by row, as `files` reads them. Values are Decimal, with the digits of the sheet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, NamedTuple

from catalog.reference.scripts import normal


class ReferenceProblem(ValueError):
    """A row that cannot be trusted. The message says where it stands and what is wrong with it."""


@dataclass(frozen=True)
class SourceRow:
    key: str
    title: str
    edition: str
    kind: str


class Electrode(NamedTuple):
    section: int | None  # None where the electrode belongs to the whole valve, such as a heater end
    code: str

    def __str__(self) -> str:
        return self.code if self.section is None else f"{self.section}:{self.code}"


PINS_NOT_ON_FILE = Electrode(None, "unknown")  # on every pin of a basing of which only the base is known


@dataclass(frozen=True)
class PinRow:
    number: int  # counted from 1, clockwise from the key or the gap, seen from below
    electrodes: tuple[Electrode, ...]  # empty where the pin is missing


@dataclass(frozen=True)
class BasingRow:
    name: str
    base: str
    pins: tuple[PinRow, ...]
    top_cap: tuple[Electrode, ...]  # empty where there is no cap
    source: str
    at: str
    note: str

    def electrodes(self) -> Iterator[Electrode]:
        for pin in self.pins:
            yield from pin.electrodes
        yield from self.top_cap


@dataclass(frozen=True)
class HeaterRow:
    wiring: str
    voltage_v: Decimal
    current_a: Decimal


@dataclass(frozen=True)
class AliasRow:
    designation: str
    source: str
    at: str


@dataclass(frozen=True)
class KinRow:
    designation: str
    how: str
    note: str
    source: str
    at: str


@dataclass(frozen=True)
class RatingsRow:
    """Maxima, some least values, and a rectifier's drop; what the sheet does not give is None."""

    system: str
    anode_voltage_max_v: Decimal | None
    anode_dissipation_max_w: Decimal | None
    anode_current_max_ma: Decimal | None
    screen_voltage_max_v: Decimal | None
    screen_dissipation_max_w: Decimal | None
    cathode_current_max_ma: Decimal | None
    heater_cathode_voltage_max_v: Decimal | None
    peak_inverse_voltage_max_v: Decimal | None
    heater_positive_voltage_max_v: Decimal | None
    heater_negative_voltage_max_v: Decimal | None
    all_anodes_dissipation_max_w: Decimal | None
    anode_voltage_cold_max_v: Decimal | None
    grid_circuit_fixed_bias_max_kohm: Decimal | None
    grid_circuit_self_bias_max_kohm: Decimal | None
    peak_anode_current_max_ma: Decimal | None
    first_capacitor_max_uf: Decimal | None
    source_resistance_min_ohm: Decimal | None
    supply_rms_max_v: Decimal | None
    drop_v: Decimal | None
    drop_at_ma: Decimal | None
    striking_voltage_v: Decimal | None
    least_current_ma: Decimal | None
    source: str
    at: str


@dataclass(frozen=True)
class TestPointRow:
    """Conditions, and what a nominal valve shows there. Bias is fixed or by a cathode resistor, not both."""

    __test__ = False  # so that pytest does not take the name for a test

    name: str
    anode_voltage_v: Decimal
    screen_voltage_v: Decimal | None
    grid_voltage_v: Decimal | None
    cathode_resistor_ohm: Decimal | None
    current_is_set: bool  # the bias is whatever lets the current flow, which then is no nominal
    as_triode: bool  # the screen joined to the anode: current and gm are of both
    anode_current_ma: Decimal | None  # None where a shop only knows how it sets its tester
    screen_current_ma: Decimal | None
    gm_ma_per_v: Decimal | None
    mu: Decimal | None
    anode_resistance_kohm: Decimal | None
    anode_current_min_ma: Decimal | None
    anode_current_max_ma: Decimal | None
    gm_min_ma_per_v: Decimal | None
    gm_max_ma_per_v: Decimal | None
    conversion_conductance_ma_per_v: Decimal | None  # a mixer's, at the oscillator drive that load_note says
    load_note: str
    source: str
    at: str


def tells_a_curve(point: Any) -> bool:
    """Whether the figures of a point, as a row or as the database has it, are of the section as it is, at a bias that
    is known, without signal: not those of a pentode as a triode, nor a mixer's mean current under its oscillator."""
    return point.conversion_conductance_ma_per_v is None and not (point.current_is_set or point.as_triode)


@dataclass(frozen=True)
class ApplicationRow:
    """A circuit that the sheet works out: a row of a resistance-coupled table, or of typical operation."""

    name: str
    section: int
    role: str
    screen: str  # a word of SCREENS, or none
    supply_voltage_v: Decimal | None
    anode_voltage_v: Decimal | None
    anode_load_kohm: Decimal | None
    next_grid_kohm: Decimal | None
    cathode_resistor_ohm: Decimal | None
    grid_voltage_v: Decimal | None
    screen_voltage_v: Decimal | None
    screen_resistor_kohm: Decimal | None
    anode_current_ma: Decimal | None
    screen_current_ma: Decimal | None
    gain: Decimal | None
    output_voltage_v: Decimal | None
    output_power_w: Decimal | None
    distortion_percent: Decimal | None
    note: str
    source: str
    at: str


@dataclass(frozen=True)
class SectionRow:
    index: int  # counted from 1
    kind: str
    ratings: RatingsRow
    test_points: tuple[TestPointRow, ...]


@dataclass(frozen=True)
class TypeRow:
    designation: str
    kind: str
    cathode: str
    basing: str
    basing_source: str
    basing_at: str
    heaters: tuple[HeaterRow, ...]
    heater_source: str
    heater_at: str
    tradition: str
    special_quality: bool
    first_registered: int | None
    first_registered_source: str | None
    cautions: tuple[str, ...]
    aliases: tuple[AliasRow, ...]
    related: tuple[KinRow, ...]
    sections: tuple[SectionRow, ...]
    warm_up_s: Decimal | None
    series_string_a: Decimal | None
    applications: tuple[ApplicationRow, ...]
    note: str
    file: str
    table: Mapping[str, object] = field(default_factory=dict, compare=False, repr=False)  # as it was written


@dataclass(frozen=True)
class Reference:
    sources: Mapping[str, SourceRow]
    basings: Mapping[str, BasingRow]
    types: Mapping[str, TypeRow]  # by designation, as written
    by_name: Mapping[str, TypeRow]  # by normal() of every designation and alias

    def find(self, name: str) -> TypeRow | None:
        return self.by_name.get(normal(name))
