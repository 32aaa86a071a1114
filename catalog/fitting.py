"""Ask the adviser about the types in the database: their sheets, and every candidate of a position."""

from __future__ import annotations

from collections import defaultdict

from catalog.models import Basing, Ratings, Section, TestPoint, ValveType
from catalog.physics.advice import advise
from catalog.physics.answers import Advice
from catalog.physics.curves import SheetPoint
from catalog.physics.positions import Position
from catalog.physics.sheets import HeaterOption, SectionSheet, TypeSheet, similar_kind
from catalog.reference.rows import tells_a_curve
from catalog.reference.vocabulary import BASES


def sheet_of(type_: ValveType) -> TypeSheet:
    """Needs the type with its rows (`ValveType.objects.with_sheets()`)."""
    basing: Basing | None = type_.basing  # a shop's own type may have neither basing nor ratings
    return TypeSheet(
        name=type_.designation,
        base=basing.base if basing else "",
        pins=_pins(basing) if basing else (),
        heaters=tuple(HeaterOption(h.voltage_v, h.current_a, h.wiring) for h in type_.heaters.all()),
        sections=tuple(_section(section) for section in type_.sections.all()),
        top_cap=basing.top_cap if basing else "",
        cathode=type_.cathode,
        kind=type_.kind,
        cautions=frozenset(type_.cautions),
        warm_up_s=type_.warm_up_s,
        series_string_a=type_.series_string_a,
    )


def _pins(basing: Basing) -> tuple[str, ...]:
    """What is on each pin; "unknown" on all of them where only the base is on file."""
    return tuple(pin.electrodes for pin in basing.pins.all()) or ("unknown",) * BASES[basing.base].pins


def _section(section: Section) -> SectionSheet:
    rated = getattr(section, "ratings", None)
    ratings = {field: value for field, _, _ in Ratings.NAMES if rated and (value := getattr(rated, field)) is not None}
    tell = [point for point in section.test_points.all() if point.has_nominal and tells_a_curve(point)]
    return SectionSheet(section.kind, ratings, tuple(sheet_point(point) for point in tell))


def sheet_point(point: TestPoint) -> SheetPoint:
    return SheetPoint.printed(
        anode_voltage_v=point.anode_voltage_v,
        grid_voltage_v=point.grid_voltage_v,
        cathode_resistor_ohm=point.cathode_resistor_ohm,
        anode_current_ma=point.anode_current_ma,
        gm_ma_per_v=point.gm_ma_per_v,
        mu=point.mu,
        screen_voltage_v=point.screen_voltage_v,
        screen_current_ma=point.screen_current_ma,
        anode_resistance_kohm=point.anode_resistance_kohm,
    )


def _of_its_kind(original: TypeSheet) -> list[int]:
    """The types whose sections are of the original's kinds, in any order."""
    kinds: dict[int, list[str]] = defaultdict(list)
    for type_, kind in Section.objects.values_list("type", "kind"):
        kinds[type_].append(similar_kind(kind))
    wanted = sorted(section.similar_kind for section in original.sections)
    return [type_ for type_, found in kinds.items() if sorted(found) == wanted]


def candidates(position: Position, made_for: ValveType) -> list[tuple[ValveType, Advice]]:
    """Every other type of its kind, section by section, with what the adviser says of it, the best first."""
    original = sheet_of(made_for)
    others = ValveType.objects.with_sheets().filter(pk__in=_of_its_kind(original)).exclude(pk=made_for.pk)
    told = [(other, advise(position, original, sheet_of(other), in_full=False)) for other in others]
    return sorted(told, key=lambda row: (row[1].level, len(row[1].reasons), row[0].designation))
