"""Types of the reference files and invented ones, as the adviser reads them; positions to try."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from random import Random

from catalog.physics.advice import advise
from catalog.physics.answers import Advice
from catalog.physics.curves import SheetPoint
from catalog.physics.positions import HeaterSupply, Position
from catalog.physics.sheets import HeaterOption, SectionSheet, TypeSheet
from catalog.reference.positions import read_positions
from catalog.reference.sheets import sheets_of
from tests.reference import FIXTURES, the_reference


@cache
def sheets() -> dict[str, TypeSheet]:
    return sheets_of(the_reference())


@cache
def some_sheets(count: int) -> tuple[TypeSheet, ...]:
    """So many of the types whose pins are on file, drawn once: there are too many to try each time."""
    known = [sheet for sheet in sheets().values() if "unknown" not in sheet.pins]
    return tuple(Random(14).sample(known, min(count, len(known))))


def named(designation: str) -> TypeSheet:
    valve = the_reference().find(designation)
    assert valve is not None, designation
    return sheets()[valve.designation]


@cache
def examples() -> dict[str, Position]:
    return {example.name: example.position for example in read_positions(FIXTURES, the_reference())}


def put(other: str | TypeSheet, position: Position, original: TypeSheet | None = None) -> Advice:
    valve = named(other) if isinstance(other, str) else other
    return advise(position, original or named(position.made_for), valve)


def said(advice: Advice, *about: str) -> str:
    wanted = set(about)
    return " / ".join(reason.text for reason in advice.reasons if not wanted or reason.about in wanted)


def rated(sheet: TypeSheet, **ratings: float) -> TypeSheet:
    """The type with these ratings in every section, whatever the files say."""
    sections = tuple(replace(section, ratings={**section.ratings, **ratings}) for section in sheet.sections)
    return replace(sheet, sections=sections)


def without(sheet: TypeSheet, names: Iterable[str]) -> TypeSheet:
    sections = tuple(
        replace(section, ratings={key: value for key, value in section.ratings.items() if key not in set(names)})
        for section in sheet.sections
    )
    return replace(sheet, sections=sections)


# Invented: a pentode and a double triode, with nothing of a real type's but the look.
PENTODE = TypeSheet(
    name="P1",
    base="B7G",
    pins=("1:g1", "1:g3", "h", "h", "1:a", "1:g2", "1:k"),
    heaters=(HeaterOption(6.3, 0.3),),
    sections=(
        SectionSheet(
            "pentode",
            {"anode_voltage_max_v": 300.0, "anode_dissipation_max_w": 2.0, "screen_voltage_max_v": 150.0},
            (SheetPoint(250, -3, 3.0, 2.0, screen_voltage_v=100, screen_current_ma=0.8),),
        ),
    ),
)
TRIODES = TypeSheet(
    name="T1",
    base="B9A",
    pins=("2:a", "2:g1", "2:k", "h", "h", "1:a", "1:g1", "1:k", "hct"),
    heaters=(HeaterOption(12.6, 0.15, "series"), HeaterOption(6.3, 0.3, "parallel")),
    sections=(
        SectionSheet(
            "triode",
            {"anode_voltage_max_v": 300.0, "anode_dissipation_max_w": 2.0},
            (SheetPoint(250, -8, 9, 2.6, mu=20),),
        ),
    )
    * 2,
)
STAGE = Position(
    "T1",
    "common cathode",
    supply_v=300,
    load_kohm=47,
    cathode_resistor_ohm=1200,
    next_grid_kohm=470,
    heater=HeaterSupply(12.6, spare_a=0.3),
)


def with_pin(valve: TypeSheet, number: int, electrodes: str) -> TypeSheet:
    pins = [*valve.pins]
    pins[number - 1] = electrodes
    return replace(valve, name="X", pins=tuple(pins))
