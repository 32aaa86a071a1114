"""What the adviser says of swaps that kill, swaps that are harmless, and swaps that nobody can judge.

The facts of the trade named here are common practice, no source; ratings written in the tests are from memory.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from catalog.physics.advice import advise, assumed_position
from catalog.physics.answers import Advice
from catalog.physics.findings import SAFETY, Level
from catalog.physics.limits import DECISIVE, heated_cathode_ma
from catalog.physics.positions import HeaterSupply, Position, RectifierDuty, StabiliserDuty, details_of, from_details
from catalog.physics.sheets import HeaterOption, TypeSheet
from tests.catalog.known import PENTODE, STAGE, TRIODES, examples, named, put, rated, said, sheets, some_sheets, without

# Largest first capacitor and peak current of one anode (from memory); what the files give comes first.
PULSES = {
    "5Y3GT": (20.0, 400.0),
    "5U4G": (40.0, 675.0),
    "5U4GB": (40.0, 1000.0),
    "5R4GY": (4.0, 650.0),
    "5V4G": (40.0, 525.0),
    "GZ34": (60.0, 750.0),
    "EZ80": (50.0, 270.0),
    "EZ81": (50.0, 450.0),
}


def rectifier(designation: str) -> TypeSheet:
    sheet = named(designation)
    capacitor, peak = PULSES[sheet.name]
    given = sheet.sections[0].ratings
    return rated(sheet, **{"first_capacitor_max_uf": capacitor, "peak_anode_current_max_ma": peak, **given})


def swapped(other: str, position: Position) -> Advice:
    return advise(position, rectifier(position.made_for), rectifier(other))


def rectifying(
    made_for: str, rms_v: float, source_ohm: float, load_ma: float, uf: float | None, **more: object
) -> Position:
    duty = RectifierDuty(rms_v, source_ohm, load_ma, uf, capacitor_rating_v=600)
    return Position(made_for, "rectifier", rectifier=duty, heater=HeaterSupply(**more))  # type: ignore[arg-type]


LINE_STAGE = examples()["Line stage with a 12AU7, 300 V, 47 kΩ"]
FIXED_BIAS = examples()["Fixed-bias pair of 6L6GCs, 450 V"]
EL84_OUTPUT = examples()["Small single-ended output with an EL84"]
V6_OUTPUT = examples()["Small single-ended output with a 6V6GT"]
BIG_GZ34 = rectifying("GZ34", 350, 75, 200, 50, spare_a=1.2)


# --- swaps that kill -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("other", ["6L6G", "6P3S-E", "5881", "6V6GT"])
def test_a_lesser_power_valve_at_450_volts_is_refused_with_its_watts_or_volts(other: str) -> None:
    advice = put(other, FIXED_BIAS)
    assert advice.level == Level.NO
    assert "over" in said(advice, "limits")


def test_a_6550_with_440_volts_on_its_screen_is_refused() -> None:
    position = Position(
        "KT88",
        "push-pull class AB",
        supply_v=500,
        load="transformer",
        load_kohm=5,
        grid_v=-55,
        screen="pentode",
        screen_supply_v=440,
        heater=HeaterSupply(spare_a=0.5),
    )
    assert put("6550", position).level == Level.NO
    assert "screen voltage 440 V" in said(put("6550", position), "limits")


@pytest.mark.parametrize(
    ("other", "reason"),
    [("5Y3GT", "direct current 200 mA of 125 mA"), ("5R4GY", "first capacitor 50 µF of 4 µF")],
)
def test_what_dies_in_a_gz34s_place_is_refused(other: str, reason: str) -> None:
    advice = swapped(other, BIG_GZ34)
    assert advice.level == Level.NO
    assert reason in said(advice, "limits")


def test_an_ez80_dies_in_an_ez81s_place() -> None:
    advice = swapped("EZ80", rectifying("EZ81", 280, 200, 130, 50, spare_a=0.0))
    assert advice.level == Level.NO
    assert "direct current 130 mA of 90 mA" in said(advice, "limits")


@pytest.mark.parametrize("other", ["5U4G", "5U4GB"])
def test_a_second_ampere_on_a_winding_without_one_is_refused(other: str) -> None:
    advice = swapped(other, rectifying("5Y3GT", 350, 150, 100, 20, spare_a=0.0))
    assert advice.level == Level.NO
    assert "1 A more, and the supply has 0 A to spare" in said(advice, "heater")


@pytest.mark.parametrize(
    ("other", "position"),
    [
        ("EL86", EL84_OUTPUT),
        ("6L6GC", replace(V6_OUTPUT, heater=HeaterSupply(spare_a=0.2))),
        ("6K6GT", replace(V6_OUTPUT, supply_v=350, screen_supply_v=350)),
    ],
)
def test_valves_that_a_small_sets_voltages_would_burn_are_refused(other: str, position: Position) -> None:
    assert put(other, position).level == Level.NO


def test_twelve_volts_on_a_six_volt_heater_is_refused_where_nothing_can_be_switched() -> None:
    fixed = replace(LINE_STAGE, heater=HeaterSupply(12.6, spare_a=1.0))
    for other in ("6DJ8", "6CG7", "6N2P"):
        assert put(other, fixed).level == Level.NO
        assert "burns out" in said(put(other, fixed), "heater")


def test_seven_volts_wanted_where_there_are_six_runs_cool_and_the_other_way_round_is_refused() -> None:
    six, seven = (replace(TRIODES, name=f"{v}", heaters=(HeaterOption(v, 0.3),)) for v in (6.3, 7.0))
    cool = put(seven, replace(STAGE, made_for="6.3", heater=HeaterSupply(spare_a=0.1)), six)
    assert cool.level == Level.CHANGE
    assert "runs cool" in said(cool, "heater")
    assert put(six, replace(STAGE, made_for="7.0", heater=HeaterSupply(spare_a=0.1)), seven).level == Level.NO


def test_a_cathode_far_above_its_heater_needs_a_valve_that_stands_it() -> None:
    high = replace(
        examples()["Cathode follower with a 12AU7, grid at 100 V"],
        grid_v=150,
        heater=HeaterSupply(6.3, "parallel", 0.5, elevation_v=0.0),
    )
    other = rated(named("12AT7"), heater_negative_voltage_max_v=90.0)
    advice = put(other, high)
    assert advice.level == Level.NO
    assert "heater negative to cathode" in said(advice, "limits")


# --- swaps that are harmless -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("other", "position"),
    [
        ("6P14P", EL84_OUTPUT),
        ("7189", EL84_OUTPUT),
        ("5692", examples()["Driver with a 6SN7GT, 350 V, 47 kΩ"]),
        ("6SN7GTB", examples()["Driver with a 6SN7GT, 350 V, 47 kΩ"]),
        ("12BH7A", LINE_STAGE),
        ("7025", examples()["First stage with a 12AX7, 300 V, 100 kΩ"]),
        ("12AY7", examples()["First stage with a 12AX7, 300 V, 100 kΩ"]),
    ],
)
def test_the_harmless_classics_drop_in(other: str, position: Position) -> None:
    advice = put(other, position)
    assert advice.level == Level.NOTE, said(advice)


def test_an_ez81_goes_where_an_ez80_was_once_the_winding_has_the_amperes() -> None:
    enough = rectifying("EZ80", 280, 215, 90, 32, spare_a=0.5)
    assert swapped("EZ81", enough).usable, said(swapped("EZ81", enough))
    none = rectifying("EZ80", 280, 215, 90, 32, spare_a=0.0)
    assert swapped("EZ81", none).level == Level.NO


@pytest.mark.parametrize("other", ["6CG7", "12BH7A", "6DJ8", "6N1P", "6N6P"])
def test_a_switchable_driver_position_runs_its_kin_and_says_what_the_heater_needs(other: str) -> None:
    advice = put(other, LINE_STAGE)
    assert advice.usable, said(advice)
    heater = said(advice, "heater")
    if other == "12BH7A":
        assert "takes 0.3 A at 12.6 V" in heater
    else:
        assert "switched from 12.6 V to 6.3 V between pins 4 and 5" in heater


def test_a_kt88_in_an_el34s_socket_is_asked_for_its_bias_and_its_amperes_not_for_pin_one() -> None:
    position = Position(
        "EL34",
        "push-pull class AB",
        supply_v=400,
        load="transformer",
        load_kohm=3.4,
        grid_v=-33,
        screen="pentode",
        screen_supply_v=390,
        heater=HeaterSupply(spare_a=0.5),
    )
    advice = put("KT88", position)
    assert advice.level == Level.CHANGE
    assert "fixed bias from −33 V to −" in said(advice, "bias")
    assert all(reason.level <= Level.NOTE for reason in advice.reasons if reason.about == "pin 1")


def test_a_5692_is_worked_within_its_watts() -> None:
    """0.61 W and a gain of 16.4 by the plain three-halves-power law through its test point; here within a tenth."""
    advice = put("5692", examples()["Driver with a 6SN7GT, 350 V, 47 kΩ"])
    assert advice.after is not None
    assert advice.after.rest.anode_w == pytest.approx(0.61, rel=0.1)
    assert advice.after.gain == pytest.approx(16.4, rel=0.1)


def test_a_6cg7_is_a_6sn7gt_by_an_adapter() -> None:
    advice = put("6CG7", examples()["Driver with a 6SN7GT, 350 V, 47 kΩ"])
    assert advice.level == Level.CHANGE
    assert [reason.about for reason in advice.reasons if reason.level == Level.CHANGE] == ["base"]
    assert "adapter" in said(advice, "base")


# --- pairs of the trade, each on its socket (common practice, no source) ---------------------------------------------

ON_275_V_SCREENS = Position(
    "6L6G",
    "push-pull class AB",
    supply_v=360,
    load="transformer",
    load_kohm=6.6,
    winding_kohm=0.1,
    grid_v=-22.5,
    screen="pentode",
    screen_supply_v=270,
    heater=HeaterSupply(spare_a=1.0),
)
SPLITTER_12AT7 = Position(
    "12AT7",
    "common cathode",
    supply_v=300,
    load_kohm=47,
    cathode_resistor_ohm=470,
    next_grid_kohm=470,
    sections_at_work=2,
    heater=HeaterSupply(6.3, "parallel", 0.5),
)
STRAPPED_EL34 = Position(
    "EL34",
    "single-ended class A",
    supply_v=375,
    load="transformer",
    load_kohm=3,
    winding_kohm=0.1,
    cathode_resistor_ohm=370,
    screen="triode",
    heater=HeaterSupply(spare_a=1.0),
)
LOW_5687 = Position(
    "5687",
    "common cathode",
    supply_v=300,
    load_kohm=15,
    cathode_resistor_ohm=560,
    sections_at_work=2,
    heater=HeaterSupply(6.3, "parallel", 1.0),
)
STRING_50C5 = Position(
    "50C5",
    "single-ended class A",
    supply_v=120,
    load="transformer",
    load_kohm=2.5,
    cathode_resistor_ohm=120,
    screen="pentode",
    screen_supply_v=110,
    heater=HeaterSupply(None, "string"),
)
LOW_VOLTAGE_6DJ8 = examples()["Low-voltage stage with a 6DJ8, 90 V at the anode"]
CHOKE_5U4GB = rectifying("5U4GB", 450, 100, 200, None, spare_a=1.0)


@pytest.mark.parametrize(
    ("other", "position", "level", "reason"),
    [
        ("5881", ON_275_V_SCREENS, Level.NOTE, ""),
        ("6V6GT", ON_275_V_SCREENS, Level.NO, "anode voltage 358 V of 315 V"),
        ("EL34", ON_275_V_SCREENS, Level.CHANGE, "grid 3 must be joined to the cathode"),
        ("6V6GT", STRAPPED_EL34, Level.NO, "screen voltage 347 V of 285 V"),
        ("KT88", STRAPPED_EL34, Level.CHANGE, "cathode resistor from 370 Ω to"),
        ("12AX7", SPLITTER_12AT7, Level.NOTE, "output resistance"),
        ("6DJ8", SPLITTER_12AT7, Level.CHANGE, "no heater lead may stay on the shield"),
        ("6N23P", LOW_VOLTAGE_6DJ8, Level.NOTE, ""),
        ("12AU7", LOW_VOLTAGE_6DJ8, Level.CHANGE, "6.3 V between pins 4+5 and 9, not between pins 4 and 5"),
        ("7044", LOW_5687, Level.NOTE, ""),
        ("12AU7", LOW_5687, Level.NO, "pin 6: cathode of section 1 in the 5687, anode"),
        ("35C5", STRING_50C5, Level.CHANGE, "in the string, not 50 V"),
        ("5R4GY", CHOKE_5U4GB, Level.NOTE, "reckoned for a choke of"),
        ("5Y3GT", CHOKE_5U4GB, Level.NO, "direct current 200 mA of 125 mA"),
    ],
)
def test_a_pair_of_the_trade_stands_in_its_table(other: str, position: Position, level: Level, reason: str) -> None:
    advice = put(other, position)
    assert advice.level == level, said(advice)
    assert reason in said(advice)


def test_no_sheet_on_file_allows_a_cathode_less_than_is_trusted_by_its_heater() -> None:
    allowed = [
        (sheet.name, sheet.sections[0].ratings["cathode_current_max_ma"], heated_cathode_ma(sheet))
        for sheet in sheets().values()
        if heated_cathode_ma(sheet) and "cathode_current_max_ma" in sheet.sections[0].ratings
    ]
    assert len(allowed) > 200
    assert [row for row in allowed if row[1] < 1.4 * row[2]] == []


def test_a_rectifier_whose_drop_nobody_knows_is_still_refused_for_its_current() -> None:
    bare = replace(without(rectifier("5Y3GT"), ["drop_v", "drop_at_ma"]), name="X")
    bare = replace(bare, sections=tuple(replace(section, points=()) for section in bare.sections))
    advice = advise(BIG_GZ34, rectifier("GZ34"), bare)
    assert advice.level == Level.NO
    assert "direct current 200 mA of 125 mA" in said(advice, "limits")
    assert "loses is not at hand" in said(advice, "supply")


def test_source_resistance_that_the_original_misses_too_is_no_change() -> None:
    """The duty has 75 Ω, and both ask 125 Ω at the highest voltage of their sheet."""
    advice = put("5AR4", examples()["Rectifier of a power amplifier, GZ34, 200 mA"])
    assert advice.level == Level.NOTE
    assert "the original asks 125 Ω" in said(advice, "supply")


# --- what changes is said in numbers ---------------------------------------------------------------------------------


def test_a_rise_of_the_supply_is_solved_and_a_cure_named() -> None:
    """The pulses lose more than the steady current: 71 V at 100 mA, 20 µF, 150 ohm, where the drops differ by 49 V."""
    advice = swapped("GZ34", rectifying("5Y3GT", 355, 150, 100, 20, spare_a=0.0))
    assert advice.level == Level.CHANGE
    assert advice.supply_before and advice.supply_after
    assert advice.supply_after.output_v - advice.supply_before.output_v == pytest.approx(71, abs=4)
    assert "every capacitor and valve must stand" in said(advice, "supply")
    assert "a dropper of" in said(advice, "supply")


def test_a_rise_above_what_the_capacitors_stand_is_refused() -> None:
    position = rectifying("5Y3GT", 355, 150, 100, 20, spare_a=0.0)
    assert position.rectifier
    weak = replace(position, rectifier=replace(position.rectifier, capacitor_rating_v=400))
    assert swapped("GZ34", weak).level == Level.NO
    unknown = replace(position, rectifier=replace(position.rectifier, capacitor_rating_v=None))
    assert swapped("GZ34", unknown).level == Level.CHANGE


def test_a_filament_before_slow_loads_says_what_the_capacitors_see_when_switched_on() -> None:
    advice = swapped("5U4GB", BIG_GZ34)
    assert "the capacitors see 495 V at switch-on" in said(advice, "supply")
    assert BIG_GZ34.rectifier
    unknown = replace(BIG_GZ34, rectifier=replace(BIG_GZ34.rectifier, capacitor_rating_v=None))
    assert "nobody said what they stand" in said(swapped("5U4GB", unknown), "supply")
    assert swapped("5U4GB", unknown).level >= Level.UNKNOWN
    quick = replace(BIG_GZ34, rectifier=replace(BIG_GZ34.rectifier, loads_warm_slowly=False))
    assert "switch-on" not in said(swapped("5U4GB", quick), "supply")


def test_a_rectifier_that_asks_more_source_resistance_is_given_it() -> None:
    position = rectifying("GZ34", 300, 50, 120, 32, spare_a=0.0)
    easier = rated(rectifier("GZ34"), source_resistance_min_ohm=50.0)
    advice = advise(position, easier, replace(rated(easier, source_resistance_min_ohm=125.0), name="X"))
    assert advice.level == Level.CHANGE
    assert "75 Ω more in each anode's lead" in said(advice, "supply")


@pytest.mark.parametrize(("other", "position"), [("6L6GC", V6_OUTPUT), ("45", examples()["Single-ended 2A3, 2.5 kΩ"])])
def test_a_power_valve_that_would_be_overrun_is_given_the_resistor_that_saves_it(
    other: str, position: Position
) -> None:
    advice = put(other, position)
    assert advice.level == Level.CHANGE
    assert f"cathode resistor from {position.cathode_resistor_ohm:g} Ω to" in said(advice, "bias")
    assert not any(margin.over for margin in advice.margins)


def test_a_triode_strapped_6v6gt_gives_one_to_two_watts() -> None:
    position = examples()["Triode-strapped 6V6GT, single-ended"]
    advice = put("6V6GT", position)
    assert advice.before is not None
    power = advice.before.signal.power_w
    assert power is not None and 1 <= power <= 2


def test_a_grid_resistor_too_large_for_the_valve_is_named() -> None:
    other = rated(named("6P14P"), grid_circuit_self_bias_max_kohm=330.0)
    assert "grid resistor of at most 330 kΩ, from 470 kΩ" in said(put(other, EL84_OUTPUT), "limits")


def test_both_anodes_together_are_weighed_where_both_work() -> None:
    other = rated(named("12BH7A"), anode_dissipation_max_w=0.6, all_anodes_dissipation_max_w=0.7)
    assert put(other, LINE_STAGE).level == Level.NO
    assert "dissipation of both anodes" in said(put(other, LINE_STAGE), "limits")
    alone = replace(LINE_STAGE, sections_at_work=1)
    assert "both anodes" not in said(put(other, alone), "limits")


def test_a_series_string_asks_the_same_current() -> None:
    string = replace(STAGE, heater=HeaterSupply(None, "string"))
    other = replace(TRIODES, name="X", heaters=(HeaterOption(7.0, 0.3),))
    assert put(other, string, TRIODES).level == Level.NO
    same = replace(TRIODES, name="X", heaters=(HeaterOption(17.0, 0.15),))
    advice = put(same, string, TRIODES)
    assert advice.level == Level.CHANGE
    assert "in the string, not 12.6 V" in said(advice, "heater")


def test_a_stage_that_must_give_its_volts_refuses_what_cannot() -> None:
    asked = replace(LINE_STAGE, output_v_rms=40.0)
    assert put("12AX7", asked).level == Level.NO
    assert "V rms asked" in said(put("12AX7", asked), "gain")
    assert put("12BH7A", asked).usable


# --- what nobody can say ---------------------------------------------------------------------------------------------


def test_a_type_without_data_cannot_be_judged_on_either_side() -> None:
    blank = replace(TRIODES, name="X", sections=tuple(replace(s, ratings={}, points=()) for s in TRIODES.sections))
    assert put(blank, STAGE, TRIODES).level == Level.UNKNOWN
    assert put(TRIODES, replace(STAGE, made_for="X"), blank).level == Level.UNKNOWN
    assert put(blank, STAGE, TRIODES).in_one_sentence.startswith("Nobody can say")


def test_a_type_of_which_only_the_name_is_on_file_is_cannot_say() -> None:
    named_only = TypeSheet(name="X", base="", pins=(), heaters=(), sections=(), cathode="")
    for original, other in [(TRIODES, named_only), (named_only, TRIODES)]:
        for position in (replace(STAGE, made_for=original.name), assumed_position(original)):
            advice = advise(position, original, other)
            assert advice.level == Level.UNKNOWN
            assert "nothing but its name is on file of the X" in said(advice)
    no_base = replace(TRIODES, name="X", base="", pins=(), heaters=(), cathode="")
    advice = put(no_base, STAGE, TRIODES)
    assert advice.level == Level.UNKNOWN
    for words in ("the base of the X", "the heater of the X", "how the cathode"):
        assert words in said(advice)


def test_a_limit_that_no_sheet_gives_is_trusted_as_far_as_the_sheets_own_points_and_no_further() -> None:
    unrated = replace(without(TRIODES, ["anode_dissipation_max_w"]), name="X")
    assert put(unrated, STAGE, TRIODES).level == Level.NOTE  # 0.5 W here; its own point runs 2.25 W
    hot = replace(STAGE, load_kohm=1.0, cathode_resistor_ohm=150)
    advice = put(unrated, hot, rated(TRIODES, anode_dissipation_max_w=9.0))
    assert advice.level == Level.UNKNOWN
    assert "no limit is at hand" in said(advice, "limits")


def test_a_heater_that_takes_much_more_from_a_supply_nobody_measured_cannot_be_judged() -> None:
    unknown = replace(STAGE, heater=HeaterSupply(12.6))
    hungry = replace(TRIODES, name="X", heaters=(HeaterOption(12.6, 0.3),))
    assert put(hungry, unknown, TRIODES).level == Level.UNKNOWN
    assert put(hungry, STAGE, TRIODES).level == Level.NOTE


def test_neither_capacitor_nor_peak_known_is_cannot_say() -> None:
    bare = without(rectifier("5U4GB"), ["first_capacitor_max_uf", "peak_anode_current_max_ma"])
    advice = advise(BIG_GZ34, rectifier("GZ34"), bare)
    assert advice.level == Level.UNKNOWN
    assert "neither its largest first capacitor nor its peak current" in said(advice, "supply")


# --- without a position ----------------------------------------------------------------------------------------------


def test_a_choke_that_comes_first_is_said_to_need_its_inductance() -> None:
    duty = RectifierDuty(400, 100, 150, None, capacitor_rating_v=600)
    advice = swapped("5U4G", Position("5U4GB", "rectifier", rectifier=duty))
    after = advice.supply_after
    assert after is not None
    # R / 942 at 50 Hz, as the handbooks have it (from memory)
    assert f"a choke of {1000 * after.output_v / 150 / 942:.3g} H at least" in said(advice, "supply")
    assert "choke of" not in said(swapped("5U4G", rectifying("5U4GB", 350, 75, 150, 40)), "supply")


HELD_150 = Position("0A2", "stabiliser", stabiliser=StabiliserDuty(supply_v=250, series_resistor_kohm=5, load_ma=8))


def test_a_stabiliser_that_the_resistor_starves_is_refused_with_what_it_needs() -> None:
    assert put("SG1P", HELD_150).level == Level.NOTE, "12 mA are left of 5 to 30"
    starved = replace(HELD_150, stabiliser=replace(HELD_150.stabiliser, load_ma=17.0))
    advice = put("SG1P", starved)
    assert advice.level == Level.NO and "3 mA are left for it, and it needs 5" in said(advice, "supply")


def test_a_stabiliser_must_be_offered_what_it_strikes_at() -> None:
    low = replace(HELD_150, stabiliser=StabiliserDuty(supply_v=178, series_resistor_kohm=1, load_ma=10))
    advice = put("0D3", low)
    assert advice.level == Level.NO and "it strikes at 185 V, and the supply is 178 V" in said(advice, "supply")
    pulled_down = replace(HELD_150, stabiliser=StabiliserDuty(supply_v=240, series_resistor_kohm=5, load_ma=12))
    assert "must strike before" in said(put("0D3", pulled_down), "supply")
    assert "not at hand" in said(put("150C1", pulled_down), "supply")
    assert "not at hand" not in said(put("150C1", replace(HELD_150, stabiliser=StabiliserDuty(300, 10, 5))), "supply")


def test_a_stabiliser_that_takes_the_whole_current_until_the_set_is_warm_says_so() -> None:
    strong = replace(
        HELD_150, made_for="0D3", stabiliser=StabiliserDuty(supply_v=300, series_resistor_kohm=4, load_ma=20)
    )
    advice = put("0A2", strong)
    assert advice.level >= Level.CHANGE and "until the set draws its current" in said(advice, "limits")


def test_without_a_position_a_rating_far_below_is_no_unless_the_set_asks_less() -> None:
    position = assumed_position(named("GZ34"))
    advice = advise(position, rectifier("GZ34"), rectifier("5Y3GT"))
    assert advice.level == Level.UNLESS
    assert "not unless your set asks less than 125 mA" in said(advice, "limits")
    assert advice.in_one_sentence.startswith("Only if your set asks less")


@pytest.mark.parametrize(
    ("made_for", "lacking"),
    [
        ("GZ34", "first_capacitor_max_uf"),
        ("EZ81", "heater_cathode_voltage_max_v"),
        ("6X4", "heater_cathode_voltage_max_v"),
    ],
)
def test_without_a_position_a_limit_that_only_the_original_gives_is_cannot_say(made_for: str, lacking: str) -> None:
    original = named(made_for)
    assert advise(assumed_position(original), original, original).level == Level.NOTE
    bare = replace(without(original, [lacking]), name="X")
    assert advise(assumed_position(original), original, bare).level == Level.UNKNOWN
    assert advise(assumed_position(original), bare, original).level == Level.NOTE


def test_without_a_position_a_rectifiers_reverse_voltage_must_be_comparable() -> None:
    original = named("5Y3GT")
    half = replace(without(original, ["peak_inverse_voltage_max_v"]), name="X")
    assert advise(assumed_position(original), original, half).level == Level.NOTE, "its supply is known on both sides"
    bare = replace(without(half, ["supply_rms_max_v"]), name="X")
    assert advise(assumed_position(original), original, bare).level == Level.UNKNOWN


def test_a_5t4_without_a_position_is_not_called_fit_for_a_gz34s_place() -> None:
    original = named("GZ34")
    advice = advise(assumed_position(original), original, named("5T4"))
    assert not advice.usable
    assert "first capacitor: the original has 60 µF, this one's is not known" in said(advice, "limits")


@pytest.mark.parametrize("made_for", ["5V4G", "5T4", "5Z4"])
def test_without_a_position_a_5r4gy_is_held_to_its_small_first_capacitor(made_for: str) -> None:
    original = named(made_for)
    assert "first_capacitor_max_uf" not in original.sections[0].ratings, "the original's sheet on file leaves it open"
    advice = advise(assumed_position(original), original, named("5R4GY"))
    assert advice.level == Level.UNLESS
    assert "first capacitor: at most 4 µF" in said(advice)


def test_without_a_position_a_filament_before_slow_valves_asks_what_the_capacitors_stand() -> None:
    advice = advise(assumed_position(named("5V4G")), named("5V4G"), named("80"))
    assert advice.level == Level.UNLESS
    assert "the set's capacitors stand the supply's full peak" in said(advice)


def test_two_unrated_sheets_are_compared_by_what_their_points_run_at() -> None:
    """A small double triode in the place of a series regulator valve, of neither of which the watts are on file."""
    regulator, small = named("6N13S"), named("6N8S")
    for name in ("anode_voltage_max_v", "anode_dissipation_max_w"):
        regulator, small = without(regulator, [name]), without(small, [name])
    advice = advise(assumed_position(regulator), regulator, small)
    assert not advice.usable
    assert "anode dissipation: the original runs at" in said(advice, "limits")


@pytest.mark.parametrize(("made_for", "other"), [("6N5S", "6AS7G"), ("6BK6", "6AV6")])
def test_a_direct_current_that_only_the_other_sheet_bounds_is_weighed_by_what_the_original_runs_at(
    made_for: str, other: str
) -> None:
    """An amplifying section by its own point; the diode beside one by nothing, since its load bounds it."""
    advice = advise(assumed_position(named(made_for)), named(made_for), named(other))
    assert advice.usable, said(advice)


def test_a_rectifiers_drop_is_no_voltage_that_it_stands() -> None:
    for made_for, other in (("5V4G", "GZ34"), ("5U4G", "5AS4A")):
        advice = advise(assumed_position(named(made_for)), named(made_for), named(other))
        assert advice.usable, said(advice)
        assert "anode voltage" not in said(advice)


def test_a_bottle_of_two_unlike_halves_does_not_drop_in_for_two_alike() -> None:
    original = named("12AX7")
    advice = advise(assumed_position(original), original, named("12DW7"))
    assert advice.level == Level.CHANGE
    assert "has a mu of 17, not 100" in said(advice, "gain") or "has a mu of 19" in said(advice, "gain")


def test_without_a_position_no_pair_far_below_is_ever_usable() -> None:
    tried = 0
    for original in some_sheets(150):
        name, position = original.name, assumed_position(original)
        for other in some_sheets(150):
            kinds = [[section.similar_kind for section in sheet.sections] for sheet in (original, other)]
            if other.base != original.base or kinds[0] != kinds[1]:
                continue
            mine, its = original.sections[0].ratings, other.sections[0].ratings
            far = [key for key in DECISIVE if key in mine and key in its and its[key] < 0.79 * mine[key]]
            if far:
                tried += 1
                assert not advise(position, original, other, in_full=False).usable, (name, other.name, far)
    assert tried > 50


def test_without_a_position_the_lesser_load_is_not_judged_harder() -> None:
    assert advise(assumed_position(named("EL84")), named("EL84"), named("6P14P")).level == Level.NOTE
    assert advise(assumed_position(named("12AU7")), named("12AU7"), named("12BH7A")).level == Level.UNLESS


def test_every_type_goes_where_it_was() -> None:
    for sheet in some_sheets(200):
        advice = advise(assumed_position(sheet), sheet, sheet)
        assert advice.level in (Level.NOTE, Level.UNKNOWN), (sheet.name, said(advice))


@pytest.mark.parametrize("name", ["Line stage with a 12AU7, 300 V, 47 kΩ", "Fixed-bias pair of 6L6GCs, 450 V"])
def test_the_quick_answer_of_a_table_is_the_one_in_full(name: str) -> None:
    position = examples()[name]
    original = named(position.made_for)
    for other in some_sheets(150):
        if len(other.sections) == len(original.sections):
            quick, full = (advise(position, original, other, in_full=whole) for whole in (False, True))
            assert quick.level == full.level, other.name


# --- how it is told --------------------------------------------------------------------------------------------------


def test_every_answer_has_its_caution_its_worst_reason_first_and_a_sentence() -> None:
    for other in ("12BH7A", "6CG7", "12AX7", "5687", "EL84"):
        advice = put(other, LINE_STAGE)
        levels = [reason.level for reason in advice.reasons]
        assert levels == sorted(levels, reverse=True)
        assert advice.safety == SAFETY
        assert advice.in_one_sentence.endswith(".")
    for word in ("Lethal", "hot", "capacitors", "maker of the set", "local rules", "qualified"):
        assert word in SAFETY


def test_margins_are_numbers() -> None:
    advice = put("6P14P", EL84_OUTPUT)
    heat = next(margin for margin in advice.margins if margin.name == "anode dissipation")
    assert heat.spare_percent is not None and 0 < heat.spare_percent < 25
    assert advice.tightest is not None and advice.tightest.share == max(m.share or 0 for m in advice.margins)


def test_sections_of_other_kinds_do_not_go_in() -> None:
    advice = put(PENTODE, STAGE, TRIODES)
    assert advice.level == Level.NO
    assert "pentode in the P1" in said(advice, "sections")


def test_a_position_is_kept_and_read_again_as_it_was() -> None:
    for position in examples().values():
        assert from_details(position.made_for, position.role, details_of(position)) == position
    with pytest.raises(ValueError, match="colour"):
        from_details("12AU7", "common cathode", {"colour": "red"})
    with pytest.raises(ValueError, match="“amplifier” is not one of"):
        from_details("12AU7", "amplifier", {})
    with pytest.raises(ValueError, match="lacks something"):
        from_details("GZ34", "rectifier", {"rectifier": {"rms_v": 300}})
