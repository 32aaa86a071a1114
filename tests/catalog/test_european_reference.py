"""What the files of European types hold: enough types, triode rows that agree with themselves, cited sheets."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from functools import cache

import pytest

from catalog.models import Basing, Ratings, TestPoint, ValveType
from catalog.reference.rows import PINS_NOT_ON_FILE, Reference, TestPointRow, TypeRow
from tests.reference import the_reference

EUROPEAN = (
    "battery_european",
    "european_power",
    "european_rectifiers",
    "european_signal",
    "indicators",
    "prewar_series",
    "radio_european",
    "series_string",
    "special_quality_european",
)


@cache
def reference() -> Reference:
    return the_reference()


def european() -> list[TypeRow]:
    files = {f"types/{name}.toml" for name in EUROPEAN}
    return [valve for valve in reference().types.values() if valve.file in files]


def points(valves: list[TypeRow]) -> Iterator[tuple[str, str, TestPointRow]]:
    for valve in valves:
        for section in valve.sections:
            for point in section.test_points:
                yield f"{valve.designation} at {point.name}", section.kind, point


def test_there_are_as_many_european_types_as_the_trade_asks_for() -> None:
    assert len(european()) >= 350
    assert all(valve.heaters for valve in european())


def test_every_triode_row_with_bias_and_gm_has_mu_and_ra_within_five_percent_of_gm_times_ra() -> None:
    """mu = gm ra, van der Bijl 1919; the tolerance is the sheets' own rounding, common practice."""
    also = [reference().types[name] for name in ("6DJ8", "6922", "7308", "12AX7", "12AU7", "12AT7", "6CG7", "6U8A")]
    triodes = [row for row in points(european() + also) if row[1] == "triode"]
    rows = [row for row in triodes if row[2].gm_ma_per_v and not row[2].current_is_set]
    assert len(rows) >= 100
    for name, _, point in rows:
        assert point.mu and point.gm_ma_per_v and point.anode_resistance_kohm, name
        assert abs(point.gm_ma_per_v * point.anode_resistance_kohm / point.mu - 1) <= Decimal("0.05"), name


@pytest.mark.parametrize(
    ("carton", "volts", "amperes"),
    [
        ("PCC88", 7, 0.3),
        ("PL84", 15, 0.3),
        ("UCL82", 50, 0.1),
        ("PCL86", 13.3, 0.3),
        ("EL509", 6.3, 2),
        ("AZ1", 4, 1.1),
    ],
)
def test_a_carton_of_a_common_type_is_found_with_its_heater(carton: str, volts: float, amperes: float) -> None:
    found = reference().find(carton)
    assert found is not None
    assert [(float(heater.voltage_v), float(heater.current_a)) for heater in found.heaters] == [(volts, amperes)]


def test_a_heater_of_a_series_string_takes_the_current_of_its_string() -> None:
    strings = [valve for valve in european() if valve.series_string_a]
    assert len(strings) >= 90
    assert all(heater.current_a == valve.series_string_a for valve in strings for heater in valve.heaters)


@pytest.mark.parametrize(
    ("designation", "title"),
    [
        ("EL84", "EL84"),
        ("EF86", "EF86"),
        ("6922", "E88CC"),
        ("E83F", "E83F"),
        ("EF804S", "EF804S"),
        ("12AX7", "ECC83"),
        ("12AT7", "12AT7"),
    ],
)
def test_the_main_test_point_cites_the_makers_sheet_where_its_numbers_were_seen(designation: str, title: str) -> None:
    (point, *_) = reference().types[designation].sections[0].test_points
    source = reference().sources[point.source]
    assert source.kind == "data sheet" and title in source.title and source.edition


def test_what_was_missing_for_the_doubled_triodes_and_the_power_valves_is_there() -> None:
    for name in ("5751", "5814A", "6189", "6201", "6072", "5687"):
        ratings = reference().types[name].sections[0].ratings
        assert ratings.anode_dissipation_max_w and ratings.heater_cathode_voltage_max_v, name
    for name in ("6DJ8", "6922", "7308"):
        ratings = reference().types[name].sections[0].ratings
        assert ratings.heater_negative_voltage_max_v and ratings.heater_positive_voltage_max_v, name
    assert reference().types["EL84"].sections[0].ratings.heater_cathode_voltage_max_v == 100
    assert reference().types["GZ32"].sections[0].ratings.anode_current_max_ma == 300
    kt88 = reference().types["KT88"].sections[0].ratings
    assert (kt88.system, kt88.anode_dissipation_max_w, kt88.screen_dissipation_max_w) == ("design maximum", 42, 8)


def test_a_register_is_cited_for_nothing_that_an_encyclopaedia_says() -> None:
    assert not [key for key, source in reference().sources.items() if source.kind == "register" and "wikipedia" in key]


def test_every_text_of_the_files_fits_its_column() -> None:
    """PostgreSQL refuses what is longer; SQLite would store it."""
    for basing in reference().basings.values():
        assert len(basing.name) <= longest(Basing, "name") and len(basing.note) <= longest(Basing, "note"), basing.name
    for valve in reference().types.values():
        assert len(valve.designation) <= longest(ValveType, "designation"), valve.designation
        assert len(valve.note) <= longest(ValveType, "note"), valve.designation
        assert all(len(section.ratings.at) <= longest(Ratings, "source_place") for section in valve.sections)
    for name, _, point in points(list(reference().types.values())):
        assert len(point.load_note) <= longest(TestPoint, "load_note"), name
        assert len(point.at) <= longest(TestPoint, "source_place") and len(point.name) <= longest(TestPoint, "name"), (
            name
        )


def longest(model: type[Basing | Ratings | TestPoint | ValveType], column: str) -> int:
    length = model._meta.get_field(column).max_length  # type: ignore[union-attr]
    assert isinstance(length, int)
    return length


def test_a_basing_is_wholly_on_file_or_wholly_not() -> None:
    for basing in reference().basings.values():
        pins = [pin.electrodes for pin in basing.pins]
        assert not any(PINS_NOT_ON_FILE in electrodes for electrodes in pins) or set(pins) == {(PINS_NOT_ON_FILE,)}
