"""Ask catalog.physics.socket about the types in the database."""

from __future__ import annotations

from typing import NamedTuple

from catalog.models import Ratings, Section, TestPoint, ValveType
from catalog.physics.socket import SAFETY, Fit, FitLevel, HeaterOption, InSection, InSocket, WorkingPoint, compare


class Answer(NamedTuple):
    """Nearest fit first. `usable` needs no change to the set, though there may be things to check."""

    usable: list[tuple[ValveType, Fit]]
    after_changes: list[tuple[ValveType, Fit]]
    safety: str


def in_socket(type_: ValveType) -> InSocket:
    """Needs the type with all its rows (`ValveType.objects.with_all()`), and a basing."""
    assert type_.basing is not None, f"nobody knows the base of the {type_}"
    return InSocket(
        name=type_.designation,
        base=type_.basing.base,
        pins=tuple(pin.electrodes for pin in type_.basing.pins.all()),
        heaters=tuple(HeaterOption(h.voltage_v, h.current_a, h.wiring) for h in type_.heaters.all()),
        sections=tuple(_section(section) for section in type_.sections.all()),
        top_cap=type_.basing.top_cap,
        cathode=type_.cathode,
        kind=type_.kind,
        cautions=frozenset(type_.cautions),
    )


def _section(section: Section) -> InSection:
    ratings = {field: value for field, _, _ in Ratings.NAMES if (value := getattr(section.ratings, field)) is not None}
    points = tuple(_point(point) for point in section.test_points.all() if point.has_nominal)
    return InSection(section.kind, ratings, section.ratings.system, points)


def _point(point: TestPoint) -> WorkingPoint:
    assert point.anode_current_ma is not None, "only points with a nominal are compared"
    return WorkingPoint(
        anode_voltage_v=point.anode_voltage_v,
        anode_current_ma=point.anode_current_ma,
        screen_voltage_v=point.screen_voltage_v,
        screen_current_ma=point.screen_current_ma,
        grid_voltage_v=point.grid_voltage_v,
        cathode_resistor_ohm=point.cathode_resistor_ohm,
        gm_ma_per_v=point.gm_ma_per_v,
        mu=point.mu,
    )


def others_for_socket(type_: ValveType) -> Answer:
    if type_.basing is None:
        return Answer([], [], SAFETY)
    original = in_socket(type_)
    others = ValveType.objects.with_all().filter(basing__base=type_.basing.base).exclude(pk=type_.pk)
    fits = [(other, compare(original, in_socket(other))) for other in others]
    possible = [(other, fit) for other, fit in fits if fit.worst < FitLevel.STOP]
    possible.sort(key=lambda row: (row[1].worst, len(row[1].reasons), row[0].designation))
    usable = [row for row in possible if row[1].needs_no_change]
    return Answer(usable, possible[len(usable) :], SAFETY)
