"""The reference files as the adviser reads them, for proofs that need no database."""

from __future__ import annotations

from dataclasses import fields
from decimal import Decimal

from catalog.physics.curves import SheetPoint
from catalog.physics.sheets import HeaterOption, SectionSheet, TypeSheet
from catalog.reference.rows import RatingsRow, Reference, SectionRow, TestPointRow, tells_a_curve

RATINGS = [field.name for field in fields(RatingsRow) if field.name not in ("system", "source", "at")]


def sheets_of(reference: Reference) -> dict[str, TypeSheet]:
    """Every type by its designation."""
    return {name: _sheet(reference, name) for name in reference.types}


def _sheet(reference: Reference, designation: str) -> TypeSheet:
    valve = reference.types[designation]
    basing = reference.basings[valve.basing]
    return TypeSheet(
        name=valve.designation,
        base=basing.base,
        pins=tuple("+".join(map(str, pin.electrodes)) for pin in basing.pins),
        heaters=tuple(HeaterOption(float(h.voltage_v), float(h.current_a), h.wiring) for h in valve.heaters),
        sections=tuple(_section(section) for section in valve.sections),
        top_cap="+".join(map(str, basing.top_cap)),
        cathode=valve.cathode,
        kind=valve.kind,
        cautions=frozenset(valve.cautions),
        warm_up_s=_number(valve.warm_up_s),
        series_string_a=_number(valve.series_string_a),
    )


def _section(section: SectionRow) -> SectionSheet:
    ratings = {key: float(value) for key in RATINGS if (value := getattr(section.ratings, key)) is not None}
    tell = [point for point in section.test_points if point.anode_current_ma is not None and tells_a_curve(point)]
    points = tuple(map(point_of, tell))
    return SectionSheet(section.kind, ratings, points)


def point_of(row: TestPointRow) -> SheetPoint:
    assert row.anode_current_ma is not None, "only points with a nominal tell of curves"
    return SheetPoint.printed(
        anode_voltage_v=float(row.anode_voltage_v),
        grid_voltage_v=_number(row.grid_voltage_v),
        cathode_resistor_ohm=_number(row.cathode_resistor_ohm),
        anode_current_ma=float(row.anode_current_ma),
        gm_ma_per_v=_number(row.gm_ma_per_v),
        mu=_number(row.mu),
        screen_voltage_v=_number(row.screen_voltage_v),
        screen_current_ma=_number(row.screen_current_ma),
        anode_resistance_kohm=_number(row.anode_resistance_kohm),
    )


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
