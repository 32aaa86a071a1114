"""What fits a socket and why not. The facts of the trade named here are common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import cache
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from catalog.physics.socket import (
    RATINGS,
    SAFETY,
    VERDICTS,
    Fit,
    FitLevel,
    HeaterOption,
    InSection,
    InSocket,
    WorkingPoint,
    compare,
)
from catalog.reference.files import BASES, PINS_NOT_ON_FILE, BasingRow, Reference, TypeRow, read_reference


@cache
def reference() -> Reference:
    return read_reference(Path(__file__).parents[2] / "fixtures")


def in_socket(valve: TypeRow, basing: BasingRow) -> InSocket:
    def number(value: Decimal | None) -> float | None:
        return None if value is None else float(value)

    return InSocket(
        name=valve.designation,
        base=basing.base,
        pins=tuple("+".join(map(str, pin.electrodes)) for pin in basing.pins),
        heaters=tuple(HeaterOption(float(h.voltage_v), float(h.current_a), h.wiring) for h in valve.heaters),
        sections=tuple(
            InSection(
                kind=section.kind,
                ratings={key: float(v) for key in RATINGS if (v := getattr(section.ratings, key)) is not None},
                rating_system=section.ratings.system,
                points=tuple(
                    WorkingPoint(
                        anode_voltage_v=float(point.anode_voltage_v),
                        anode_current_ma=float(point.anode_current_ma),
                        screen_voltage_v=number(point.screen_voltage_v),
                        screen_current_ma=number(point.screen_current_ma),
                        grid_voltage_v=number(point.grid_voltage_v),
                        cathode_resistor_ohm=number(point.cathode_resistor_ohm),
                        gm_ma_per_v=number(point.gm_ma_per_v),
                        mu=number(point.mu),
                        anode_resistance_kohm=number(point.anode_resistance_kohm),
                    )
                    for point in section.test_points
                ),
            )
            for section in valve.sections
        ),
        top_cap="+".join(map(str, basing.top_cap)),
        cathode=valve.cathode,
        kind=valve.kind,
        cautions=frozenset(valve.cautions),
    )


def named(designation: str) -> InSocket:
    valve = reference().find(designation)
    assert valve is not None, designation
    return in_socket(valve, reference().basings[valve.basing])


def put(other: str, *, in_place_of: str) -> Fit:
    return compare(named(in_place_of), named(other))


def said(fit: Fit, about: str) -> str:
    return " / ".join(reason.text for reason in fit.reasons if reason.about == about)


# --- valves made up for a test ---------------------------------------------------------------------------------------

POINT = WorkingPoint(250, 3.0, 100, 0.8, grid_voltage_v=-3, gm_ma_per_v=2.0)
PENTODE = InSocket(
    name="P1",
    base="B7G",
    pins=("1:g1", "1:g3", "h", "h", "1:a", "1:g2", "1:k"),
    heaters=(HeaterOption(6.3, 0.3),),
    sections=(InSection("pentode", {"anode_voltage_max_v": 300.0}, "design centre", (POINT,)),),
)
TRIODES = InSocket(
    name="T1",
    base="B9A",
    pins=("2:a", "2:g1", "2:k", "h", "h", "1:a", "1:g1", "1:k", "hct"),
    heaters=(HeaterOption(12.6, 0.15, "series"), HeaterOption(6.3, 0.3, "parallel")),
    sections=(InSection("triode", points=(WorkingPoint(250, 1.2, grid_voltage_v=-2, mu=100),)),) * 2,
)


def with_pin(valve: InSocket, number: int, electrodes: str) -> InSocket:
    pins = [*valve.pins]
    pins[number - 1] = electrodes
    return replace(valve, name="X", pins=tuple(pins))


def with_point(valve: InSocket, **changes: float) -> InSocket:
    sections = tuple(
        replace(section, points=tuple(replace(point, **changes) for point in section.points))
        for section in valve.sections
    )
    return replace(valve, name="X", sections=sections)


positive = st.floats(0.01, 5000, allow_nan=False)
maybe = st.one_of(st.none(), positive)
points = st.builds(
    WorkingPoint,
    anode_voltage_v=positive,
    anode_current_ma=positive,
    screen_voltage_v=maybe,
    screen_current_ma=maybe,
    grid_voltage_v=st.one_of(st.none(), st.floats(-100, 0)),
    cathode_resistor_ohm=maybe,
    gm_ma_per_v=maybe,
    mu=maybe,
    anode_resistance_kohm=maybe,
)
sections = st.builds(
    InSection,
    kind=st.sampled_from(["triode", "pentode", "beam tetrode", "diode", "stabiliser", "heptode"]),
    ratings=st.dictionaries(st.sampled_from(sorted(RATINGS)), positive),
    rating_system=st.sampled_from(["design centre", "absolute", "unstated"]),
    points=st.lists(points, max_size=2).map(tuple),
)


part_of_one_section = st.lists(
    st.sampled_from(["1:a", "1:g1", "1:g2", "1:g3", "1:bp", "1:k", "h", "hct", "s", "ic", "nc"]),
    max_size=3,
    unique=True,
).map("+".join)


@st.composite
def valves(draw: st.DrawFn) -> InSocket:
    base = draw(st.sampled_from(["B7G", "B9A", "octal"]))
    inside = tuple(draw(st.lists(sections, min_size=1, max_size=3)))
    codes = [f"{n}:{code}" for n in range(1, len(inside) + 1) for code in ("a", "g1", "g2", "g3", "bp", "k")]
    part = st.lists(st.sampled_from([*codes, "h", "hct", "f", "s", "ic", "nc"]), max_size=3, unique=True).map("+".join)
    size = BASES[base].pins
    return InSocket(
        name=draw(st.sampled_from(["X1", "X2", "X3"])),
        base=base,
        pins=tuple(draw(st.lists(part, min_size=size, max_size=size))),
        heaters=tuple(
            draw(
                st.lists(
                    st.builds(HeaterOption, positive, positive, st.sampled_from(["single", "series", "parallel"])),
                    max_size=2,
                )
            )
        ),
        sections=inside,
        top_cap=draw(part),
        cathode=draw(st.sampled_from(["direct", "indirect", "cold"])),
        kind=draw(st.sampled_from(["rectifier", "power pentode", "signal pentode", ""])),
        cautions=draw(st.frozensets(st.sampled_from(["mercury", "radioactive", "high voltage"]))),
    )


# --- rules that hold for any valve -----------------------------------------------------------------------------------


@given(valves())
def test_a_valve_fits_its_own_socket_without_a_word(valve: InSocket) -> None:
    fit = compare(valve, replace(valve, name="the same"))
    assert fit.reasons == ()
    assert fit.verdict == "fits as it is"
    assert fit.same_characteristics


@given(valves(), valves())
def test_another_base_never_fits(one: InSocket, other: InSocket) -> None:
    assume(one.base != other.base)
    fit = compare(one, other)
    assert fit.verdict == "does not fit"
    assert any(reason.about == "base" for reason in fit.reasons)


@given(valves(), valves())
def test_every_answer_has_the_safety_note_and_its_worst_reason_first(one: InSocket, other: InSocket) -> None:
    fit = compare(one, other)
    assert fit.safety == SAFETY
    levels = [reason.level for reason in fit.reasons]
    assert levels == sorted(levels, reverse=True)
    assert fit.verdict == VERDICTS[levels[0] if levels else 0]
    assert all(reason.text.strip() for reason in fit.reasons)


@given(st.lists(st.tuples(st.integers(1, 7), part_of_one_section), max_size=3))
def test_pins_pass_in_silence_only_where_the_electrodes_that_work_stand_alike(changes: list[tuple[int, str]]) -> None:
    other = PENTODE
    for number, electrodes in changes:
        other = with_pin(other, number, electrodes)

    def at_work(pin: str) -> set[str]:
        return set(pin.split("+")) & {"1:a", "1:g1", "1:g2", "1:k", "h"}

    silent = not any(reason.about.startswith("pin") for reason in compare(PENTODE, other).reasons)
    alike = [at_work(pin) for pin in PENTODE.pins] == [at_work(pin) for pin in other.pins]
    assert alike or not silent


@given(st.integers(1, 7), st.sampled_from(["1:a", "1:g1", "1:g2", "1:k", "h", "nc", "ic", ""]))
def test_a_pin_that_differs_is_named(number: int, electrodes: str) -> None:
    assume(electrodes != PENTODE.pins[number - 1])
    changed = with_pin(PENTODE, number, electrodes)
    fit = compare(PENTODE, changed)
    assert fit.verdict != "fits as it is"
    assert f"pin {number}: " in said(fit, f"pin {number}")
    assert "in the P1" in said(fit, f"pin {number}")
    assert "in the X" in said(fit, f"pin {number}")


@given(st.floats(0.1, 10))
def test_a_different_heater_current_is_told_with_its_percentage(factor: float) -> None:
    assume(abs(factor - 1) > 0.03)
    other = replace(PENTODE, name="X", heaters=(HeaterOption(6.3, 0.3 * factor),))
    text = said(compare(PENTODE, other), "heater")
    assert f"{abs(factor - 1) * 100:.0f} % {'more' if factor > 1 else 'less'}" in text
    assert "series string" in text
    assert "transformer" in text


@given(st.floats(1.11, 20))
def test_more_difference_in_gain_is_never_judged_milder(ratio: float) -> None:
    worst = [compare(PENTODE, with_point(PENTODE, gm_ma_per_v=2.0 * r)).worst for r in (ratio, ratio * 1.5)]
    assert worst[0] <= worst[1]
    assert worst[0] >= FitLevel.NOTE


def test_halves_numbered_the_other_way_round_are_the_same_valve() -> None:
    swapped = tuple(p.replace("1:", "x:").replace("2:", "1:").replace("x:", "2:") for p in TRIODES.pins)
    assert compare(TRIODES, replace(TRIODES, name="X", pins=swapped)).reasons == ()


def test_unlike_halves_that_change_places_do_not_fit() -> None:
    triode, pentode = TRIODES.sections[0], PENTODE.sections[0]
    pins = ("1:a", "2:g1", "2:g2", "h", "h", "2:a", "2:k+2:g3", "1:k", "1:g1")
    one = replace(TRIODES, name="TP", pins=pins, heaters=PENTODE.heaters, sections=(triode, pentode))
    numbered = tuple(p.replace("1:", "x:").replace("2:", "1:").replace("x:", "2:") for p in pins)
    renumbered = replace(one, name="PT", pins=numbered, sections=(pentode, triode))
    moved = replace(one, name="X", pins=("2:a", *pins[1:5], "1:a", *pins[6:]))
    assert compare(one, renumbered).reasons == ()
    assert compare(one, moved).verdict == "does not fit"


def test_a_wrong_number_of_pins_is_refused() -> None:
    with pytest.raises(ValueError, match="P1: a base B7G has 7 pins, not 6"):
        compare(replace(PENTODE, pins=PENTODE.pins[:6]), PENTODE)


# --- pins ------------------------------------------------------------------------------------------------------------


def test_an_internal_connection_where_the_socket_may_be_a_tie_point_is_a_thing_to_check() -> None:
    fit = compare(with_pin(PENTODE, 2, "nc"), with_pin(PENTODE, 2, "ic"))
    assert fit.verdict == "may fit: check first"
    assert "nothing may be wired to this contact" in said(fit, "pin 2")


def test_a_pin_left_free_on_both_asks_for_nothing() -> None:
    for was, now in [("ic", "nc"), ("ic", ""), ("nc", "-"), ("-", "nc")]:
        assert compare(with_pin(PENTODE, 2, was), with_pin(PENTODE, 2, now)).reasons == ()


def test_a_second_pin_of_the_same_electrode_that_is_lost_must_be_looked_at() -> None:
    twice = with_pin(PENTODE, 2, "1:g1")
    fit = compare(twice, with_pin(PENTODE, 2, "nc"))
    assert fit.verdict == "may fit: check first"
    assert "the other pin that has it" in said(fit, "pin 2")


def test_a_grid_on_the_cap_does_not_fit_where_the_grid_is_on_a_pin() -> None:
    capped = replace(with_pin(PENTODE, 1, "nc"), top_cap="1:g1")
    for original, other in [(PENTODE, capped), (capped, PENTODE)]:
        fit = compare(original, other)
        assert fit.verdict == "does not fit"
        assert said(fit, "top cap")


def test_beam_plates_joined_to_the_cathode_stand_for_a_grid_three_joined_to_it() -> None:
    pentode = with_pin(with_pin(PENTODE, 2, "nc"), 7, "1:k+1:g3")
    tetrode = with_pin(with_pin(PENTODE, 2, "nc"), 7, "1:k+1:bp")
    assert compare(pentode, tetrode).reasons == ()


# --- heater ----------------------------------------------------------------------------------------------------------


def test_a_heater_of_another_voltage_needs_a_changed_set() -> None:
    fit = put("12AU6", in_place_of="6AU6")
    assert fit.verdict == "fits only after changes"
    assert "12.6 V between pins 3 and 4" in said(fit, "heater")
    assert "burns out" in said(fit, "heater")
    assert not any(reason.about.startswith("pin") for reason in fit.reasons)


def test_a_valve_without_the_tap_is_right_only_where_the_set_feeds_both_ends() -> None:
    untapped = replace(with_pin(TRIODES, 9, "nc"), heaters=(HeaterOption(12.6, 0.15),))
    fit = compare(TRIODES, untapped)
    assert fit.verdict == "may fit: check first"
    assert said(fit, "heater") == "heater: right only where the set feeds 12.6 V between pins 4 and 5"


def test_a_cold_valve_does_not_fit_where_one_is_heated() -> None:
    assert put("0A2", in_place_of="6X4").verdict == "does not fit"
    assert put("6X4", in_place_of="0A2").verdict == "does not fit"


def test_a_heater_that_takes_half_as_much_again_and_more_needs_another_supply() -> None:
    def taking(amperes: float) -> InSocket:
        return replace(PENTODE, name="X", heaters=(HeaterOption(6.3, amperes),))

    levels = [compare(PENTODE, taking(a)).worst for a in (0.303, 0.32, 0.4, 0.5, 0.2, 0.1)]
    assert levels == [0, FitLevel.NOTE, FitLevel.CHECK, FitLevel.CHANGE, FitLevel.CHECK, FitLevel.CHECK]


# --- ratings, bias and gain ------------------------------------------------------------------------------------------


def test_a_lower_rating_is_checked_and_one_below_the_usual_test_point_is_a_change() -> None:
    def rated(volts: float) -> InSocket:
        section = replace(PENTODE.sections[0], ratings={"anode_voltage_max_v": volts})
        return replace(PENTODE, name="X", sections=(section,))

    assert compare(PENTODE, rated(330)).reasons == ()
    assert compare(PENTODE, rated(275)).worst == FitLevel.CHECK
    fit = compare(PENTODE, rated(180))
    assert fit.worst == FitLevel.CHANGE
    assert said(fit, "ratings") == (
        "anode voltage: at most 180 V in the X, 300 V in the P1; the P1's usual test point has 250 V"
    )


def test_a_rating_that_nobody_knows_is_a_thing_to_check() -> None:
    unknown = replace(PENTODE, name="X", sections=(replace(PENTODE.sections[0], ratings={}),))
    assert "no rating is at hand for the X: anode voltage" in said(compare(PENTODE, unknown), "ratings")


def test_bias_from_a_cathode_resistor_is_the_whole_cathode_current_through_it() -> None:
    # Ohm's law: (10.6 + 4.3) mA through 68 ohm is 1.0132 V.
    assert WorkingPoint(250, 10.6, 150, 4.3, cathode_resistor_ohm=68).bias_v == pytest.approx(-1.0132)


def test_a_fixed_bias_and_a_cathode_resistor_that_amount_to_the_same_are_the_same() -> None:
    by_resistor = replace(POINT, grid_voltage_v=None, cathode_resistor_ohm=790)  # 3.8 mA through 790 ohm: 3.0 V
    other = replace(PENTODE, name="X", sections=(replace(PENTODE.sections[0], points=(by_resistor,)),))
    assert compare(PENTODE, other).reasons == ()


def test_another_bias_in_a_power_valve_is_a_change_and_in_a_small_one_a_check() -> None:
    other = with_point(PENTODE, grid_voltage_v=-5)
    assert compare(PENTODE, other).worst == FitLevel.CHECK
    power = replace(other, kind="power pentode")
    fit = compare(replace(PENTODE, kind="power pentode"), power)
    assert fit.worst == FitLevel.CHANGE
    assert "\N{MINUS SIGN}5 V for 3 mA in the X" in said(fit, "bias")


def test_without_a_test_point_in_common_the_sheets_must_be_compared() -> None:
    assert "no test point in common" in said(compare(PENTODE, with_point(PENTODE, anode_voltage_v=100)), "bias")
    without = replace(PENTODE, name="X", sections=(replace(PENTODE.sections[0], points=()),))
    assert "no test point is at hand for the X" in said(compare(PENTODE, without), "bias")


def test_without_a_test_point_in_common_a_power_valve_waits_for_its_bias_to_be_worked_out() -> None:
    assert put("EL84", in_place_of="EL86").verdict == "fits only after changes"


def test_mu_is_gm_times_ra_where_the_sheet_gives_only_those() -> None:
    # van der Bijl's relation: 1.6 mA/V times 62.5 kilohm is 100.
    assert WorkingPoint(250, 1.2, gm_ma_per_v=1.6, anode_resistance_kohm=62.5).amplification == pytest.approx(100)
    assert WorkingPoint(250, 1.2, gm_ma_per_v=1.6, anode_resistance_kohm=62.5, mu=98).amplification == 98
    assert WorkingPoint(250, 1.2, gm_ma_per_v=1.6).amplification is None


# --- facts of the trade: common practice, no source ------------------------------------------------------------------


def with_pins_on_file() -> list[str]:
    types, basings = reference().types, reference().basings
    return sorted(name for name, valve in types.items() if PINS_NOT_ON_FILE not in basings[valve.basing].electrodes())


@pytest.mark.parametrize("designation", with_pins_on_file())
def test_every_type_in_the_files_fits_its_own_socket(designation: str) -> None:
    assert put(designation, in_place_of=designation).reasons == ()


def test_a_5751_goes_where_a_12ax7_was_with_less_gain_and_more_heater_current() -> None:
    fit = put("5751", in_place_of="12AX7")
    assert fit.needs_no_change
    assert not any(reason.about.startswith("pin") for reason in fit.reasons)
    assert "mu: 70 in the 5751, 100 in the 12AX7, 30 % less" in said(fit, "gain")
    assert "17 % more" in said(fit, "heater")


def test_a_6n2p_in_an_ecc83_socket_needs_the_heater_rewired() -> None:
    fit = put("6N2P", in_place_of="ECC83")
    assert fit.verdict == "fits only after changes"
    assert said(fit, "pin 9") == "pin 9: heater centre tap in the 12AX7, internal shield in the 6N2P"
    assert "the 6N2P wants 6.3 V between pins 4 and 5" in said(fit, "heater")
    assert {reason.about for reason in fit.reasons if reason.level == FitLevel.CHANGE} == {"pin 9", "heater"}


@pytest.mark.parametrize(("original", "other"), [("6SN7GT", "6CG7"), ("6CG7", "6SN7GT")])
def test_a_6cg7_is_a_6sn7gt_on_another_base(original: str, other: str) -> None:
    fit = put(other, in_place_of=original)
    assert fit.verdict == "does not fit"
    assert fit.same_characteristics
    assert [reason.about for reason in fit.reasons if reason.level == FitLevel.STOP] == ["base"]


def test_a_6fq7_goes_where_a_6cg7_was_and_only_the_shield_is_lost() -> None:
    fit = put("6FQ7", in_place_of="6CG7")
    assert fit.verdict == "fits as it is"
    assert [reason.about for reason in fit.reasons] == ["pin 9"]


def test_a_gz34_for_a_5y3gt_raises_the_supply_and_takes_a_little_less_heater_current() -> None:
    fit = put("GZ34", in_place_of="5Y3GT")
    assert fit.needs_no_change
    # 17 V at 225 mA is 17 (125/225)^(2/3) = 11.5 V at 125 mA, where the other loses 60 V.
    assert "at 125 mA the GZ34 loses about 11 V, the 5Y3GT 60 V; the supply rises by about 49 V" in said(fit, "drop")
    assert "1.9 A in the GZ34, 2 A in the 5Y3GT, 5 % less" in said(fit, "heater")
    assert "see which pin the set takes it from" in said(fit, "cathode")


def test_a_5y3gt_for_a_gz34_gives_less_current_and_comes_up_at_once() -> None:
    fit = put("5Y3GT", in_place_of="GZ34")
    assert "anode current: at most 125 mA in the 5Y3GT" in said(fit, "ratings")
    assert "before other valves are warm" in said(fit, "cathode")


def test_an_el34_in_a_6l6gc_socket_wants_grid_three_joined_to_the_cathode_and_a_new_bias() -> None:
    fit = put("EL34", in_place_of="6L6GC")
    assert fit.verdict == "fits only after changes"
    assert "grid 3 must be joined to the cathode" in said(fit, "pin 1")
    assert "set the bias" in said(fit, "bias")
    assert "1.5 A in the EL34, 0.9 A in the 6L6GC, 67 % more" in said(fit, "heater")
    assert {reason.about for reason in fit.reasons if reason.level == FitLevel.CHANGE} == {"pin 1", "bias", "heater"}


def test_a_6l6gc_in_an_el34_socket_leaves_pin_1_to_look_at() -> None:
    fit = put("6L6GC", in_place_of="EL34")
    assert not any(reason.level >= FitLevel.CHANGE and reason.about.startswith("pin") for reason in fit.reasons)
    assert "right only where the set joins grid 3 to the cathode" in said(fit, "pin 1")


def test_a_7591_is_octal_and_still_does_not_go_where_a_6v6gt_was() -> None:
    fit = put("7591", in_place_of="6V6GT")
    assert fit.verdict == "does not fit"
    assert "grid 1" in said(fit, "pin 6")


def test_an_807_does_not_go_where_a_6l6g_was_though_the_inside_is_alike() -> None:
    fit = put("807", in_place_of="6L6G")
    assert fit.verdict == "does not fit"
    assert not said(fit, "bias")
    assert not said(fit, "gain")


def test_a_mercury_rectifier_for_a_vacuum_one_is_told_to_be_so() -> None:
    fit = put("83", in_place_of="80")
    assert fit.verdict == "fits only after changes"
    assert "holds mercury" in said(fit, "hazard")
    assert "hazardous waste" in said(fit, "hazard")


def test_a_stabiliser_for_another_voltage_does_not_fit() -> None:
    assert said(put("0B2", in_place_of="0A2"), "drop") == "the 0B2 holds 108 V, the 0A2 150 V"
    assert put("0B2", in_place_of="0A2").verdict == "does not fit"


def test_the_safety_note_says_what_it_must() -> None:
    for words in ("Lethal voltages remain", "switched off", "licensed or qualified", "local codes", "mercury"):
        assert words in SAFETY


def test_pins_that_are_not_on_file_are_never_said_to_fit() -> None:
    blank = replace(PENTODE, name="X", pins=("unknown",) * 7)
    assert compare(blank, replace(blank, name="Y")).worst == FitLevel.STOP
    assert "not on file" in said(compare(PENTODE, blank), "base")
