"""What a sheet says for circuits: signed heater limits, a rectifier's drop and capacitor, worked applications."""

from __future__ import annotations

from pathlib import Path

import pytest

from catalog.loading import load
from catalog.models import Application, Ratings, ValveType
from catalog.reference.files import read_reference
from catalog.reference.rows import Reference, ReferenceProblem
from tests.catalog.test_reference import BASINGS, SOURCES, TYPES

RATED = 'ratings = { system = "design centre", anode_voltage_max_v = 300,'
MORE = (
    f"{RATED} heater_positive_voltage_max_v = 90, heater_negative_voltage_max_v = 180, drop_v = 18, drop_at_ma = 125,"
)
TRADITION = 'tradition = "western"\naliases'
APPLICATION = """warm_up_s = 11
series_string_a = 0.6
tradition = "western"
application = [
  { name = "250 V, 100 kohm", role = "common cathode", supply_voltage_v = 250, anode_load_kohm = 100, \
cathode_resistor_ohm = 2200, gain = 14, source = "memory" },
]
aliases"""


def read(folder: Path, types: str) -> Reference:
    (folder / "types").mkdir(exist_ok=True)
    for name, text in (("sources", SOURCES), ("basings", BASINGS), ("types/triodes", types)):
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return read_reference(folder)


@pytest.mark.django_db
def test_what_a_sheet_says_for_circuits_comes_into_the_database_and_what_it_takes_back_leaves(tmp_path: Path) -> None:
    load(read(tmp_path, TYPES.replace(RATED, MORE).replace(TRADITION, APPLICATION)))
    valve = ValveType.objects.get(designation="6J5")
    ratings = Ratings.objects.get(section__type=valve)
    assert (valve.warm_up_s, valve.series_string_a) == (11, 0.6)
    assert (ratings.heater_positive_voltage_max_v, ratings.heater_negative_voltage_max_v) == (90, 180)
    assert ("Drop of one anode", 18.0, "V") in ratings.rows
    (application,) = valve.applications.all()
    assert (application.role, application.gain, application.anode_load_kohm) == ("common cathode", 14, 100)
    load(read(tmp_path, TYPES))
    assert not Application.objects.exists()


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ((MORE, MORE.replace("drop_at_ma = 125,", "")), "a drop needs its current"),
        (('role = "common cathode"', 'role = "amplifier"'), "not one of"),
        (("supply_voltage_v = 250", "supply_voltage_v = 250, anode_voltage_v = 200"), "either this or anode_voltage_v"),
        (("supply_voltage_v = 250", "section = 2, supply_voltage_v = 250"), "has no section 2"),
        (("supply_voltage_v = 250", "section = 1.5, supply_voltage_v = 250"), "whole number"),
    ],
)
def test_a_row_for_circuits_that_cannot_be_right_is_refused(tmp_path: Path, wrong: tuple[str, str], words: str) -> None:
    good = TYPES.replace(RATED, MORE).replace(TRADITION, APPLICATION)
    assert wrong[0] in good
    with pytest.raises(ReferenceProblem, match=words):
        read(tmp_path, good.replace(*wrong))
