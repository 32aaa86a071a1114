"""The loader refuses numbers that no valve can have, and leaves nothing stale behind where a name changes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from catalog import loading
from catalog.fitting import sheet_of
from catalog.models import TestPoint, ValveType
from catalog.reference import files
from catalog.reference.possible import impossible
from catalog.reference.rows import Reference, ReferenceProblem
from tests.factories import make_valve, read
from tests.reference import the_reference

EDITED = """
[[source]]
key = "memory"
title = "From memory"
kind = "memory"
"""
TYPE = """
[[type]]
designation = "6J5"
kind = "triode"
cathode = "indirect"
basing = "octal, pins not on file"
basing_source = "memory"
heaters = [{ voltage_v = 6.3, current_a = 0.3 }]
heater_source = "memory"
tradition = "western"
first_registered = 1937
first_registered_source = "memory"
aliases = [{ designation = "L63", source = "memory" }]
note = "a note"

[[type.section]]
kind = "triode"
ratings = { system = "design centre", anode_voltage_max_v = 300, source = "memory" }
[[type.section.test_point]]
name = "250 V"
anode_voltage_v = 250
grid_voltage_v = -8
anode_current_ma = 9
gm_ma_per_v = 2.6
mu = 20
anode_resistance_kohm = 7.7
source = "memory"
"""
BASING = """
[[basing]]
name = "6Q"
base = "octal"
pins = ["-", "1:h", "1:a", "-", "1:g1", "-", "1:h", "1:k"]
source = "memory"
"""


@pytest.fixture
def read_edited(tmp_path: Path) -> Callable[[str, str], Reference]:
    def made(old: str = "", new: str = "") -> Reference:
        assert old in TYPE
        (tmp_path / "types").mkdir(exist_ok=True)
        (tmp_path / "sources.toml").write_text(EDITED)
        (tmp_path / "basings.toml").write_text(BASING.replace("1:h", "h"))
        (tmp_path / "types" / "some.toml").write_text(TYPE.replace(old, new, 1))
        return files.read_reference(tmp_path)

    return made


def test_what_can_be_is_read(read_edited: Any) -> None:
    assert set(read_edited().types) == {"6J5"}


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("gm_ma_per_v = 2.6", "gm_ma_per_v = 2600", "is it in micromhos"),
        ("gm_ma_per_v = 2.6\nmu = 20", "gm_ma_per_v = 180", "steeper than 9 mA can be"),
        ("gm_ma_per_v = 2.6\nmu = 20", "conversion_conductance_ma_per_v = 450", "is it in micromhos"),
        (
            "grid_voltage_v = -8",
            "grid_voltage_v = -8\ncurrent_is_set = true",
            "no bias: it is set until the current flows",
        ),
        ("gm_ma_per_v = 2.6", "", "gm_ma_per_v: missing"),
        ("grid_voltage_v = -8", "", "give either this or cathode_resistor_ohm"),
        ("anode_current_ma = 9", "anode_current_ma = 0.0012", "is it in A"),
        ("anode_current_ma = 9", "anode_current_ma = 0.009", "steeper than 0.009 mA"),
        ("anode_resistance_kohm = 7.7", "anode_resistance_kohm = 62500", "is it in ohms"),
        ("anode_resistance_kohm = 7.7", "anode_resistance_kohm = 7700", "gm times ra"),
        ("mu = 20", "mu = 40", "gm times ra, which is 20.02, not 40"),
        ("grid_voltage_v = -8", "grid_voltage_v = 2", "nought or negative, not 2"),
        ("current_a = 0.3", "current_a = 150", "is it in mA"),
        ("voltage_v = 6.3", "voltage_v = 0.15", "from 0.4 to 240 V"),
        (
            "heaters = [{ voltage_v = 6.3, current_a = 0.3 }]",
            'heaters = [{ wiring = "series", voltage_v = 12.6, current_a = 0.15 }, '
            '{ wiring = "parallel", voltage_v = 6.3, current_a = 3 }]',
            "the same power however it is wired",
        ),
        ("anode_voltage_max_v = 300", "anode_voltage_max_v = 30", "the section may have 30 V at most"),
        ('"L63"', '"-"', "no letter or figure to know it by"),
        ("first_registered = 1937", "first_registered = 19470", "a year from 1880"),
        ("first_registered = 1937", "first_registered = 1947.6", "a year from 1880"),
    ],
)
def test_a_number_that_no_valve_has_is_refused_with_where_and_what_it_may_be(
    read_edited: Any, old: str, new: str, told: str
) -> None:
    with pytest.raises(ReferenceProblem, match="6J5") as problem:
        read_edited(old, new)
    assert told in str(problem.value)


def test_nothing_on_file_is_impossible() -> None:
    ours = the_reference()
    assert [(name, *said) for name, valve in ours.types.items() for said in impossible(valve)] == []


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('note = "a note"', f'note = "{"n" * 900}"', "note: 900 signs"),
        ('"L63"', f'"{"L" * 90}"', "designation: 90 signs"),
    ],
)
def test_a_text_longer_than_its_column_is_refused_on_either_database(
    read_edited: Any, old: str, new: str, told: str
) -> None:
    with pytest.raises(ReferenceProblem, match=told):
        loading.load(read_edited(old, new))


@pytest.mark.django_db
def test_a_renamed_test_point_leaves_no_old_nominal_behind(read_edited: Any) -> None:
    loading.load(read_edited())
    loading.load(read_edited('name = "250 V"', 'name = "250 V, corrected"'))
    assert [point.name for point in TestPoint.objects.all()] == ["250 V, corrected"]


@pytest.mark.django_db
def test_a_renamed_test_point_that_readings_hang_on_stays_and_is_not_the_sections_first(read_edited: Any) -> None:
    loading.load(read_edited())
    type_ = ValveType.objects.get()
    read(make_valve(type_), 9, 2.6)
    for _ in range(2):
        loading.load(read_edited('name = "250 V"', 'name = "250 V, corrected"'))
    names = list(TestPoint.objects.order_by("position").values_list("name", flat=True))
    assert names == ["250 V, corrected", "250 V"]
    first = ValveType.objects.get().test_sections[0].test_point
    assert first is not None and first.name == "250 V, corrected"


@pytest.mark.django_db
def test_a_type_whose_name_became_an_alias_takes_its_new_name_with_its_stock(read_edited: Any) -> None:
    loading.load(read_edited())
    valve = make_valve(ValveType.objects.get())
    renamed = TYPE.replace('"6J5"', '"6J5GT"').replace('"L63"', '"6J5"')
    loading.load(read_edited(TYPE, renamed))
    assert [type_.designation for type_ in ValveType.objects.all()] == ["6J5GT"]
    valve.refresh_from_db()
    assert valve.type.designation == "6J5GT" and ValveType.objects.named("6J5").get() == valve.type


@pytest.mark.django_db
def test_a_cathode_bias_points_voltage_is_said_to_be_the_supplys_with_what_is_left_across_the_valve(
    read_edited: Any,
) -> None:
    loading.load(read_edited("grid_voltage_v = -8", "cathode_resistor_ohm = 1000"))
    point = TestPoint.objects.get()
    assert point.conditions == "Va supply 250 V, 241 V across the valve, Rk 1000 Ω"
    (section,) = sheet_of(ValveType.objects.with_sheets().get()).sections
    assert (section.points[0].anode_voltage_v, section.points[0].grid_voltage_v) == (241, -9)


def test_a_heater_in_series_and_parallel_takes_the_same_power_on_every_type_on_file() -> None:
    ours = the_reference()
    (name, valve) = next((name, valve) for name, valve in ours.types.items() if len(valve.heaters) > 1)
    wrong = replace(valve.heaters[0], current_a=valve.heaters[0].current_a * Decimal(10))
    assert list(impossible(replace(valve, heaters=(wrong, *valve.heaters[1:])))), name
