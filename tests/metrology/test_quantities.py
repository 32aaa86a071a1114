"""The register of measured quantities: it is whole, and everything else that lists quantities agrees with it."""

from __future__ import annotations

from dataclasses import fields

import pytest

from catalog.models import TestPoint
from grading.bench.pure.readings_header import QUANTITY_OF, ReadingColumn, read_heading
from grading.metrology.plausible import doubt
from grading.metrology.quantities import (
    CLAIMING,
    FACTS,
    FAULTS,
    NOISE,
    Quantity,
    ReadNumbers,
    in_words,
    numbers_of,
    read_in,
)
from grading.models import Reading
from grading.verdicts.pure.grades import SectionReading
from grading.verdicts.pure.rules import NUMBERS, GradeLevel

EVERY = pytest.mark.parametrize("quantity", Quantity)


def all_read(**changed: object) -> ReadNumbers:
    """A section of which everything was read: 1.5, 2.5, … in the register's order."""
    numbers = {quantity.value: place + 1.5 for place, quantity in enumerate(Quantity)}
    return ReadNumbers(**{**numbers, "noise": "slight", **changed})  # type: ignore[arg-type]


@EVERY
def test_a_quantity_has_its_facts_a_value_of_a_section_and_a_field_of_a_reading(quantity: Quantity) -> None:
    assert quantity in FACTS
    assert quantity.value in {field.name for field in fields(ReadNumbers)}
    assert Reading._meta.get_field(quantity.value).null


def test_no_two_quantities_share_a_name_a_symbol_a_form_field_or_a_heading() -> None:
    for names in (
        [quantity.label for quantity in Quantity],
        [quantity.short for quantity in Quantity],
        [quantity.symbol for quantity in Quantity],
        [quantity.key for quantity in Quantity],
        [name for quantity in Quantity for name in quantity.facts.headings.split()],
    ):
        assert len(names) == len(set(names))


@EVERY
def test_a_quantity_is_a_column_of_a_file_under_every_heading_that_the_register_gives_it(quantity: Quantity) -> None:
    for name in quantity.facts.headings.split():
        heading = read_heading(name)
        assert heading is not None and QUANTITY_OF[heading.field] is quantity
    assert bool(quantity.facts.headings) == (quantity in QUANTITY_OF.values())


def test_a_files_columns_bear_the_registers_names() -> None:
    assert all(column.value == quantity.short for column, quantity in QUANTITY_OF.items())
    assert ReadingColumn.NOISE not in QUANTITY_OF


def test_every_demand_and_nominal_of_the_register_exists_where_it_is_said_to_be() -> None:
    level, point = {field.name for field in fields(GradeLevel)}, {field.name for field in TestPoint._meta.get_fields()}
    assert set(NUMBERS) <= level
    assert all(set(quantity.facts.beside or ()) - {""} <= point for quantity in Quantity)
    numeric = {field.name for field in fields(GradeLevel) if field.type == "float | None"}
    assert numeric == set(NUMBERS), "a demand that is a number belongs to a quantity"
    assert all(quantity.value in {field.name for field in fields(SectionReading)} for quantity in (*CLAIMING, *FAULTS))


@pytest.mark.parametrize("quantity", FAULTS)
def test_what_no_tester_reads_is_refused_and_what_is_a_great_deal_is_asked_about(quantity: Quantity) -> None:
    bounds = quantity.facts.believable
    assert bounds is not None
    assert doubt(quantity, bounds.surprising * 0.99) is None
    asked, refused = doubt(quantity, bounds.surprising), doubt(quantity, bounds.impossible)
    assert asked is not None and not asked.impossible and asked.message.startswith(quantity.short)
    assert refused is not None and refused.impossible
    backwards = doubt(quantity, -1.0)
    assert (backwards is None) == quantity.facts.signed


def test_what_was_read_is_said_with_every_quantity_in_it() -> None:
    assert in_words(all_read(shorted=True, short_between="heater and cathode")) == (
        "1.5 mA, 2.5 mA/V, emission 3.5 divisions, heater-cathode leakage 4.5 µA, grid current 5.5 µA, "
        "6.5 V, shorted heater and cathode, noise slight"
    )
    assert in_words(ReadNumbers()) == ""


def test_nought_was_read_and_nothing_was_not() -> None:
    dead = ReadNumbers(anode_current_ma=0.0)
    assert numbers_of(dead) == {Quantity.ANODE_CURRENT: 0.0} and dead.says_something
    assert not ReadNumbers(heater_cathode_leakage_ua=1.0).says_something
    assert read_in([ReadNumbers(grid_current_ua=-0.1), dead]) == (Quantity.ANODE_CURRENT, Quantity.GRID_CURRENT)


def test_a_value_is_written_in_one_way_to_the_decimals_of_its_quantity() -> None:
    assert Quantity.GRID_CURRENT.shown(-0.25) == "−0.25 µA"
    assert Quantity.ANODE_CURRENT.shown(1.23456789) == "1.2346 mA"
    assert Quantity.EMISSION.amount(72.0) == "72" and Quantity.GM.amount(None) == "–"


def test_noise_is_what_a_reading_may_hold() -> None:
    assert tuple(value for value in Reading.Noise.values if value) == NOISE


def test_an_unknown_name_is_no_quantity() -> None:
    with pytest.raises(KeyError, match="hum"):
        Quantity.named("hum")
