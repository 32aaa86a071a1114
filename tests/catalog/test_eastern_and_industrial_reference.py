"""What the files of eastern, transmitting, gas-filled and subminiature types hold.

Outside check: some designations carry their own figures (StR volts/milliamperes, TGI amperes/kilovolts at the peak,
barretters their amperes), as the makers' systems of designation have it (from memory); the rows must say the same.
"""

from __future__ import annotations

import re
from decimal import Decimal
from functools import cache

import pytest

from catalog.reference.rows import Reference, SectionRow, TypeRow
from tests.reference import the_reference

FILES = {
    f"types/{name}.toml"
    for name in (
        "central_european",
        "chinese",
        "eastern",
        "eastern_gas",
        "eastern_grades",
        "eastern_power",
        "eastern_signal",
        "eastern_transmitting",
        "figures_and_counting",
        "rectifiers_industrial",
        "stabilisers",
        "subminiature",
        "thyratrons",
        "transmitting",
    )
}
HANDBOOK = "katsnelson-larionov-1981"


@cache
def reference() -> Reference:
    return the_reference()


@cache
def types() -> list[TypeRow]:
    return [valve for valve in reference().types.values() if valve.file in FILES]


def section(designation: str) -> SectionRow:
    return reference().types[designation].sections[0]


def test_every_triode_row_with_bias_and_gm_has_mu_and_ra_within_five_percent_of_gm_times_ra() -> None:
    """mu = gm ra, van der Bijl 1919; the tolerance is the books' own rounding, common practice."""
    rows = [
        (f"{valve.designation} at {point.name}", point)
        for valve in types()
        for row in valve.sections
        for point in row.test_points
        if row.kind == "triode" and point.gm_ma_per_v and not point.current_is_set
    ]
    assert len(rows) >= 150
    for name, point in rows:
        assert point.mu and point.gm_ma_per_v and point.anode_resistance_kohm, name
        assert abs(point.gm_ma_per_v * point.anode_resistance_kohm / point.mu - 1) <= Decimal("0.05"), name


def test_more_than_eighty_types_cite_a_page_of_the_handbook_for_their_main_test_point() -> None:
    main = [valve.sections[0].test_points[0] for valve in types() if valve.sections[0].test_points]
    cited = [point for point in main if point.source == HANDBOOK]
    assert len(cited) >= 80
    assert all(re.search(r"page \d+", point.at) for point in cited)


def test_a_full_wave_rectifier_gives_the_current_of_both_anodes_and_no_least_current_as_its_usual_one() -> None:
    for designation, both_ma, peak_ma in (("5Ts3S", 250, 750), ("5Ts4S", 124, 375)):
        row = section(designation)
        assert (row.ratings.anode_current_max_ma, row.ratings.peak_anode_current_max_ma) == (both_ma, peak_ma)
        assert row.test_points == ()
        assert "at least" in reference().types[designation].note


def test_a_6n8s_is_expected_to_be_what_its_family_is() -> None:
    (ours, *_), (theirs, *_) = section("6N8S").test_points, section("6SN7GT").test_points
    assert ours.gm_ma_per_v and theirs.gm_ma_per_v
    assert abs(ours.gm_ma_per_v / theirs.gm_ma_per_v - 1) <= Decimal("0.05")


@pytest.mark.parametrize("valve", [v for v in types() if v.designation.startswith("StR ")], ids=lambda v: v.designation)
def test_an_east_german_stabiliser_holds_the_volts_and_bears_the_milliamperes_of_its_name(valve: TypeRow) -> None:
    volts, milliamperes = map(int, valve.designation.removeprefix("StR ").split("/"))
    (row,) = valve.sections
    assert row.test_points[0].anode_voltage_v == volts
    assert row.ratings.anode_current_max_ma == milliamperes


@pytest.mark.parametrize(
    "valve", [v for v in types() if v.designation.startswith("TGI1-")], ids=lambda v: v.designation
)
def test_a_pulse_thyratron_bears_the_amperes_and_kilovolts_of_its_name(valve: TypeRow) -> None:
    amperes, kilovolts = map(int, valve.designation.removeprefix("TGI1-").split("/"))
    ratings = valve.sections[0].ratings
    assert (ratings.peak_anode_current_max_ma, ratings.anode_voltage_max_v) == (amperes * 1000, kilovolts * 1000)


@pytest.mark.parametrize("valve", [v for v in types() if v.kind == "barretter"], ids=lambda v: v.designation)
def test_a_barretter_holds_the_amperes_of_its_name(valve: TypeRow) -> None:
    amperes, _, volts = valve.designation.partition("B")
    assert valve.sections[0].ratings.anode_current_max_ma == Decimal(amperes) * 1000
    assert "from {} to {} V".format(*volts.split("-")) in valve.note


@pytest.mark.parametrize(
    "grade", [v for v in types() if v.file.endswith("eastern_grades.toml")], ids=lambda v: v.designation
)
def test_a_grade_and_its_everyday_type_name_each_other(grade: TypeRow) -> None:
    everyday = reference().types[grade.related[0].designation]
    assert grade.designation in [related.designation for related in everyday.related]
    assert (grade.kind, grade.basing, grade.heaters) == (everyday.kind, everyday.basing, everyday.heaters)


@pytest.mark.parametrize(
    ("name", "designation"),
    [("6С33С-В", "6S33S-V"), ("6Ж52П", "6Zh52P"), ("QQV06-40A", "5894"), ("EN91", "2D21"), ("4D21", "4-125A")],
)
def test_the_names_on_the_glass_find_the_valve(name: str, designation: str) -> None:
    found = reference().find(name)
    assert found is not None
    assert found.designation == designation
