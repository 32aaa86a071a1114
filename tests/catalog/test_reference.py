"""Reading the reference files: what is accepted, what is refused and in which words, and what our own files hold."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from catalog.reference.files import normal, read_reference
from catalog.reference.rows import Electrode, Reference, ReferenceProblem, TestPointRow
from catalog.reference.sheets import sheets_of
from catalog.reference.vocabulary import BASES, ELECTRODES
from tests.reference import the_reference

SOURCES = """
[[source]]
key = "memory"
title = "From memory"
kind = "memory"
"""

BASINGS = """
[[basing]]
name = "6Q"
base = "octal"
pins = ["s", "h", "1:a", "-", "1:g1", "-", "h", "1:k"]
source = "memory"

[[basing]]
name = "7AC"
base = "octal"
pins = ["nc", "h", "1:a", "1:g2", "1:g1", "-", "h", "1:k+1:bp"]
top_cap = "1:a"
source = "memory"
"""

TYPES = """
[[type]]
designation = "6J5"
kind = "triode"
cathode = "indirect"
basing = "6Q"
basing_source = "memory"
heaters = [{ voltage_v = 6.3, current_a = 0.30 }]
heater_source = "memory"
tradition = "western"
aliases = [{ designation = "6J5-GT", source = "memory" }]
related = [{ designation = "6C5", how = "near", note = "lower mutual conductance", source = "memory" }]
[[type.section]]
kind = "triode"
ratings = { system = "design centre", anode_voltage_max_v = 300, source = "memory" }
test_point = [
  { name = "250 V", anode_voltage_v = 250, grid_voltage_v = -8, anode_current_ma = 9.0, gm_ma_per_v = 2.60, \
anode_current_min_ma = 7, source = "memory" },
]

[[type]]
designation = "6C5"
kind = "triode"
cathode = "indirect"
basing = "6Q"
basing_source = "memory"
heaters = [{ wiring = "single", voltage_v = 6.3, current_a = 0.3 }]
heater_source = "memory"
tradition = "western"
[[type.section]]
kind = "triode"
ratings = { system = "unstated", source = "memory" }
test_point = [
  { name = "250 V", anode_voltage_v = 250, cathode_resistor_ohm = 1000, anode_current_ma = 8, gm_ma_per_v = 2, \
source = "memory" },
]
"""

Written = Callable[..., Reference]


@pytest.fixture
def read(tmp_path: Path) -> Written:
    """`read(types=...)` reads a folder with these files in it."""

    def reader(*, sources: str = SOURCES, basings: str = BASINGS, types: str = TYPES) -> Reference:
        (tmp_path / "types").mkdir()
        for name, text in (("sources", sources), ("basings", basings), ("types/triodes", types)):
            (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
        return read_reference(tmp_path)

    return reader


# --- what is read --------------------------------------------------------------------------------------------------


def test_a_type_comes_back_with_everything_its_file_says(read: Written) -> None:
    valve = read().types["6J5"]
    (section,) = valve.sections
    (point,) = section.test_points
    assert (valve.kind, valve.basing, valve.file) == ("triode", "6Q", "types/triodes.toml")
    assert section.index == 1
    assert section.ratings.anode_voltage_max_v == 300
    assert point.grid_voltage_v == -8
    assert point.cathode_resistor_ohm is None
    assert point.anode_current_min_ma == 7


def test_a_number_keeps_the_digits_that_were_printed(read: Written) -> None:
    valve = read().types["6J5"]
    assert str(valve.sections[0].test_points[0].gm_ma_per_v) == "2.60"
    assert str(valve.heaters[0].current_a) == "0.30"


def test_a_heater_without_a_wiring_is_a_single_one(read: Written) -> None:
    assert read().types["6J5"].heaters[0].wiring == "single"


def test_a_pin_carries_its_electrodes_with_their_section(read: Written) -> None:
    basing = read().basings["7AC"]
    assert basing.pins[7].number == 8
    assert basing.pins[7].electrodes == (Electrode(1, "k"), Electrode(1, "bp"))
    assert basing.pins[1].electrodes == (Electrode(None, "h"),)
    assert basing.pins[5].electrodes == ()
    assert basing.top_cap == (Electrode(1, "a"),)


def test_a_block_that_says_two_alike_gives_two_sections(read: Written) -> None:
    double = TYPES.replace('"6Q"', '"two"').replace('kind = "triode"\nratings', 'kind = "triode"\nalike = 2\nratings')
    basing = """
[[basing]]
name = "two"
base = "octal"
pins = ["2:g1", "2:a", "2:k", "1:g1", "1:a", "1:k", "h", "h"]
source = "memory"
"""
    one, two = read(types=double, basings=BASINGS + basing).types["6J5"].sections
    assert (one.index, two.index) == (1, 2)
    assert one.test_points == two.test_points


def test_a_type_of_which_only_heater_and_base_are_known_is_read(read: Written) -> None:
    bare = TYPES[: TYPES.index("test_point")] + TYPES[TYPES.index('\n[[type]]\ndesignation = "6C5"') :]
    unknown = BASINGS.replace('["s", "h", "1:a", "-", "1:g1", "-", "h", "1:k"]', str(["unknown"] * 8).replace("'", '"'))
    (section,) = read(types=bare, basings=unknown).types["6J5"].sections
    assert section.test_points == ()


def test_a_base_of_which_no_pin_is_known_need_not_be_listed(read: Written) -> None:
    reference = read(types=TYPES.replace('basing = "6Q"', 'basing = "octal, pins not on file"', 1))
    bare = reference.basings[reference.types["6J5"].basing]
    assert (bare.base, len(bare.pins)) == ("octal", 8)
    assert {str(electrode) for electrode in bare.electrodes()} == {"unknown"}
    assert "B7G, pins not on file" not in reference.basings  # a base that no type has


def test_a_thyratron_is_tested_by_its_drop_and_asks_for_no_mutual_conductance(read: Written) -> None:
    struck = 'test_point = [{ name = "drop", anode_voltage_v = 8, anode_current_ma = 100, source = "memory" }]\n'
    gas = TYPES[: TYPES.index("test_point")] + struck + TYPES[TYPES.index('\n[[type]]\ndesignation = "6C5"') :]
    (section,) = read(types=gas.replace(SECTION, SECTION.replace("triode", "thyratron"), 1)).types["6J5"].sections
    assert section.test_points[0].gm_ma_per_v is None


def test_a_sheet_that_prints_no_mutual_conductance_is_taken_at_its_word(read: Written) -> None:
    row = 'name = "250 V", anode_voltage_v = 250, grid_voltage_v = 0, anode_current_ma = 10, gm_not_printed = true'
    points = f'test_point = [{{ {row}, source = "memory" }}]\n'
    without = TYPES[: TYPES.index("test_point")] + points + TYPES[TYPES.index('\n[[type]]\ndesignation = "6C5"') :]
    (point,) = read(types=without).types["6J5"].sections[0].test_points
    assert (point.anode_current_ma, point.gm_ma_per_v) == (10, None)


def test_a_mixer_is_given_by_its_conversion_conductance_and_tells_no_curve(read: Written) -> None:
    mixing = (
        'test_point = [{ name = "mixing", anode_voltage_v = 250, grid_voltage_v = -2, anode_current_ma = 3, '
        'conversion_conductance_ma_per_v = 0.45, load_note = "oscillator 8 V rms", source = "memory" }]\n'
    )
    mixer = TYPES[: TYPES.index("test_point")] + mixing + TYPES[TYPES.index('\n[[type]]\ndesignation = "6C5"') :]
    reference = read(types=mixer)
    (point,) = reference.types["6J5"].sections[0].test_points
    assert (point.gm_ma_per_v, point.conversion_conductance_ma_per_v) == (None, Decimal("0.45"))
    assert sheets_of(reference)["6J5"].sections[0].points == ()


def test_a_pentode_as_a_triode_has_no_screen_voltage_and_tells_no_curve() -> None:
    """The 6L6G's: a curve through both rows would miss its sheet."""
    point = next(point for point in OURS.types["6L6G"].sections[0].test_points if point.as_triode)
    assert point.screen_voltage_v is None and point.anode_current_ma == 40
    assert len(sheets_of(OURS)["6L6G"].sections[0].points) == len(OURS.types["6L6G"].sections[0].test_points) - 1


def test_a_point_whose_bias_is_set_for_a_current_has_none_and_tells_no_curve(read: Written) -> None:
    row = 'name = "9 mA", anode_voltage_v = 250, current_is_set = true, anode_current_ma = 9, gm_ma_per_v = 2.6'
    points = f'test_point = [{{ {row}, source = "memory" }}]\n'
    set_there = TYPES[: TYPES.index("test_point")] + points + TYPES[TYPES.index('\n[[type]]\ndesignation = "6C5"') :]
    reference = read(types=set_there)
    (point,) = reference.types["6J5"].sections[0].test_points
    assert point.current_is_set and point.grid_voltage_v is None
    assert sheets_of(reference)["6J5"].sections[0].points == ()


@pytest.mark.parametrize("name", ["6J5", "6j5", "6 J5", "6J5GT", "6j5-gt", " 6J5 GT "])
def test_a_type_is_found_by_any_spelling_of_its_names(read: Written, name: str) -> None:
    found = read().find(name)
    assert found is not None
    assert found.designation == "6J5"


def test_an_unknown_name_finds_nothing(read: Written) -> None:
    assert read().find("6J6") is None


# --- what is refused -----------------------------------------------------------------------------------------------


def swapped(old: str, new: str, text: str = TYPES) -> str:
    assert old in text, f"{old} is not in the good file, so nothing would be tested"
    return text.replace(old, new, 1)


SECTION = '[[type.section]]\nkind = "triode"'
POINT = TYPES[TYPES.index("  { name") : TYPES.index(" },\n") + 4]
WESTERN = 'tradition = "western"'
FAULTS = [  # what is wrong, the good text, what stands there instead, and words the message must have
    ("an unknown key of a type", WESTERN, WESTERN + '\ncolour = "red"', ["6J5", "colour"]),
    (
        "an unknown key of a test point",
        "gm_ma_per_v = 2.60",
        "gm_ma_per_v = 2.60, gm = 3",
        ["section 1", "250 V", "gm"],
    ),
    (
        "an unknown key of ratings",
        "anode_voltage_max_v",
        "plate_voltage_max_v",
        ["6J5", "ratings", "plate_voltage_max_v"],
    ),
    (
        "a source nobody listed",
        'basing_source = "memory"',
        'basing_source = "hearsay"',
        ["6J5", "basing_source", "hearsay"],
    ),
    (
        "a test point without a source",
        'anode_current_min_ma = 7, source = "memory"',
        "anode_current_min_ma = 7",
        ["250 V", "source", "missing"],
    ),
    ("a basing nobody listed", 'basing = "6Q"', 'basing = "9Z"', ["6J5", "basing", "9Z"]),
    ("a related type in no file", 'designation = "6C5", how', 'designation = "6C6", how', ["6J5", "related", "6C6"]),
    (
        "a related type that is the type itself",
        'designation = "6C5", how',
        'designation = "6J5GT", how',
        ["related", "the type itself"],
    ),
    ("near related type without a note", 'note = "lower mutual conductance", ', "", ["6J5", "related 1", "note"]),
    ("a kind nobody knows", 'kind = "triode"', 'kind = "magnetron"', ["6J5", "kind", "magnetron"]),
    ("a section kind nobody knows", SECTION, SECTION.replace("triode", "x"), ["section 1", "kind"]),
    ("a caution nobody knows", WESTERN, WESTERN + '\ncautions = ["sharp"]', ["cautions", "sharp"]),
    (
        "a maximum of nothing",
        "anode_voltage_max_v = 300",
        "anode_voltage_max_v = 0",
        ["anode_voltage_max_v", "greater than zero"],
    ),
    (
        "a maximum below nothing",
        "anode_voltage_max_v = 300",
        "anode_voltage_max_v = -300",
        ["anode_voltage_max_v", "-300"],
    ),
    (
        "a negative current",
        "anode_current_ma = 9.0",
        "anode_current_ma = -9.0",
        ["250 V", "anode_current_ma", "greater than zero"],
    ),
    (
        "a minimum above the nominal",
        "anode_current_min_ma = 7",
        "anode_current_min_ma = 11",
        ["anode_current", "11", "9.0"],
    ),
    (
        "a minimum above the maximum",
        "anode_current_min_ma = 7",
        "anode_current_min_ma = 9, anode_current_max_ma = 8",
        ["minimum 9", "maximum 8"],
    ),
    (
        "a maximum below the nominal",
        "anode_current_min_ma = 7",
        "anode_current_max_ma = 8",
        ["anode_current", "8", "9.0"],
    ),
    ("a missing anode voltage", "anode_voltage_v = 250, grid", "grid", ["250 V", "anode_voltage_v", "missing"]),
    ("a missing mutual conductance", "gm_ma_per_v = 2.60, ", "", ["250 V", "gm_ma_per_v", "missing"]),
    ("no bias at all", "grid_voltage_v = -8, ", "", ["250 V", "grid_voltage_v", "cathode_resistor_ohm"]),
    (
        "two kinds of bias",
        "grid_voltage_v = -8",
        "grid_voltage_v = -8, cathode_resistor_ohm = 900",
        ["cathode_resistor_ohm"],
    ),
    (
        "a screen on a triode",
        "grid_voltage_v = -8",
        "grid_voltage_v = -8, screen_voltage_v = 250",
        ["screen_voltage_v"],
    ),
    (
        "a number in words",
        "anode_current_ma = 9.0",
        'anode_current_ma = "9,0"',
        ["anode_current_ma", "a number is wanted"],
    ),
    ("a number that is not one", "anode_current_ma = 9.0", "anode_current_ma = nan", ["anode_current_ma", "finite"]),
    ("a missing designation", 'designation = "6J5"\n', "", ["types/triodes.toml", "designation", "missing"]),
    ("a missing heater", "heaters = [{ voltage_v = 6.3, current_a = 0.30 }]", "", ["6J5", "heaters"]),
    ("a half alike", SECTION, SECTION + "\nalike = 1.5", ["alike", "1.5"]),
    ("more sections than the basing has", SECTION, SECTION + "\nalike = 2", ["6Q", "section 2"]),
    ("a pentode on a triode's basing", SECTION, SECTION.replace("triode", "indicator"), ["6Q", "target"]),
    ("a top cap kept quiet", 'basing = "6Q"', 'basing = "7AC"', ["6J5", "cautions", "top cap"]),
    (
        "a filament where the basing has a heater",
        'cathode = "indirect"',
        'cathode = "direct"',
        ["6J5", "6Q", "filament"],
    ),
    ("the same designation twice", 'designation = "6C5"\n', 'designation = "6J5"\n', ["6J5", "twice"]),
    (
        "the same designation, spelt otherwise",
        'designation = "6C5"\n',
        'designation = "6j-5"\n',
        ["6j-5", "already means 6J5"],
    ),
    ("an alias that is another type", 'designation = "6J5-GT"', 'designation = "6c 5"', ["6C5", "already means 6J5"]),
    (
        "an alias that is its own type",
        'designation = "6J5-GT"',
        'designation = "6 j 5"',
        ["6 j 5", "already means 6J5"],
    ),
    ("two test points of one name", POINT, POINT + POINT, ["section 1", "250 V", "twice"]),
    ("no test point for a triode", "test_point = [\n  { name", "spare = [\n  { name", ["section 1", "spare"]),
    ("text that is no TOML", "[[type]]", "[[type", ["types/triodes.toml", "TOML"]),
]


@pytest.mark.parametrize(("old", "new", "words"), [pytest.param(*fault[1:], id=fault[0]) for fault in FAULTS])
def test_a_fault_in_a_type_is_refused_in_words_that_say_where(
    read: Written, old: str, new: str, words: list[str]
) -> None:
    with pytest.raises(ReferenceProblem) as problem:
        read(types=swapped(old, new))
    for word in ["triodes.toml", *words]:
        assert word in str(problem.value), str(problem.value)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"-", "h", "1:k"]', '"h", "1:k"]', ["6Q", "pins", "8 pins, 7 are listed"]),
        ('"1:a", "-"', '"1:plate", "-"', ["6Q", "pin 3", "plate"]),
        ('"1:a", "-"', '"a", "-"', ["6Q", "pin 3", "write the section first, as in 1:a"]),
        ('"h", "1:a"', '"1:h", "1:a"', ["6Q", "pin 2", "heater belongs to no section"]),
        ('"s", "h"', '3, "h"', ["6Q", "pin 1", "electrodes in quotes"]),
        ('base = "octal"', 'base = "nonal"', ["6Q", "base", "nonal"]),
        ('name = "7AC"', 'name = "6Q"', ["name", "twice"]),
        ('source = "memory"', 'source = "x"', ["6Q", "source", "x"]),
    ],
)
def test_a_fault_in_a_basing_is_refused_in_words_that_say_where(
    read: Written, old: str, new: str, words: list[str]
) -> None:
    with pytest.raises(ReferenceProblem) as problem:
        read(basings=swapped(old, new, BASINGS))
    for word in ["basings.toml", *words]:
        assert word in str(problem.value), str(problem.value)


@pytest.mark.parametrize(
    ("sources", "words"),
    [
        (SOURCES + SOURCES, ["key", "memory", "twice"]),
        (SOURCES.replace('kind = "memory"', 'kind = "gossip"'), ["kind", "gossip"]),
        (SOURCES.replace('title = "From memory"', ""), ["title", "missing"]),
        (SOURCES + "\n[[sauce]]\n", ["sauce", "not a key known here"]),
    ],
)
def test_a_fault_in_a_source_is_refused_in_words_that_say_where(read: Written, sources: str, words: list[str]) -> None:
    with pytest.raises(ReferenceProblem) as problem:
        read(sources=sources)
    for word in ["sources.toml", *words]:
        assert word in str(problem.value), str(problem.value)


def test_a_folder_without_the_files_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReferenceProblem, match=r"no file sources\*\.toml"):
        read_reference(tmp_path)


# --- names ---------------------------------------------------------------------------------------------------------


@given(st.text())
def test_the_normal_form_of_a_normal_form_is_itself(name: str) -> None:
    assert normal(normal(name)) == normal(name)


@given(st.text(alphabet="0123456789ABCEGHJKLNPSTXZabcx"), st.text(alphabet=" -‑\t"), st.integers(0, 20))
def test_case_spaces_and_hyphens_make_no_difference(name: str, filling: str, place: int) -> None:
    assert normal(name[:place] + filling + name[place:].lower()) == normal(name)


@pytest.mark.parametrize(
    ("cyrillic", "latin"),
    [("6Н2П", "6N2P"), ("6п3с-е", "6P3S-E"), ("5Ц4С", "5Ts4S"), ("6Ж32П", "6Zh32P"), ("6Н23П-ЕВ", "6N23P-EV")],
)
def test_a_designation_in_cyrillic_letters_is_the_same_name(cyrillic: str, latin: str) -> None:
    assert normal(cyrillic) == normal(latin)


# --- our own files -------------------------------------------------------------------------------------------------

OURS = the_reference()


def test_our_files_hold_the_types_that_matter_to_the_trade() -> None:
    triodes = [valve for valve in OURS.types.values() if valve.sections[0].kind == "triode"]
    assert len(OURS.types) >= 120
    assert len(triodes) >= 60
    assert {valve.kind for valve in OURS.types.values()} >= {
        "double triode",
        "triode",
        "double diode-triode",
        "power pentode",
        "beam tetrode",
        "signal pentode",
        "rectifier",
        "voltage stabiliser",
    }
    assert sum(valve.tradition == "eastern" for valve in OURS.types.values()) >= 15
    assert sum(valve.special_quality for valve in OURS.types.values()) >= 10
    assert sum(valve.cathode == "direct" for valve in OURS.types.values()) >= 10


@pytest.mark.parametrize(
    ("name", "designation"),
    [
        ("ECC83", "12AX7"),
        ("ecc 82", "12AU7"),
        ("6h8c", "6N8S"),
        ("6Н8С", "6N8S"),
        ("VT-231", "6SN7GT"),
        ("e88cc", "6922"),
    ],
)
def test_the_names_a_dealer_types_find_the_valve(name: str, designation: str) -> None:
    found = OURS.find(name)
    assert found is not None
    assert found.designation == designation


def test_every_basing_of_our_files_is_used() -> None:
    assert set(OURS.basings) == {valve.basing for valve in OURS.types.values()}


def test_every_base_and_electrode_of_our_files_has_words() -> None:
    for basing in OURS.basings.values():
        assert BASES[basing.base].label
        assert all(ELECTRODES[electrode.code] for electrode in basing.electrodes())


# Sheets do print points hotter than the section may stay. Who takes the reading must be told, in these words.
BRIEFLY = "brief reading"


def heat_w(point: TestPointRow) -> Decimal:
    """What the anode dissipates there; the drop over a cathode resistor is not across the valve."""
    lost_v = (point.cathode_resistor_ohm or Decimal(0)) * point.anode_current_ma / 1000
    return (point.anode_voltage_v - lost_v) * point.anode_current_ma / 1000


def test_a_test_point_hotter_than_its_section_may_be_says_that_the_reading_is_to_be_brief() -> None:
    hot = [
        (valve.designation, point.name, point.load_note)
        for valve in OURS.types.values()
        for section in valve.sections
        for point in section.test_points
        if section.ratings.anode_dissipation_max_w and heat_w(point) > section.ratings.anode_dissipation_max_w
    ]
    assert len(hot) >= 4
    assert [(name, point) for name, point, note in hot if BRIEFLY not in note] == []


def test_no_test_point_asks_for_more_than_the_highest_anode_voltage() -> None:
    for valve in OURS.types.values():
        for section in valve.sections:
            most = section.ratings.anode_voltage_max_v
            assert not most or all(point.anode_voltage_v <= most for point in section.test_points), valve.designation
