"""Which pins differ when one valve stands where another was, and whether it matters."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from catalog.physics.findings import Level, Reason, worst
from catalog.physics.pins import Wiring, best_order, check_pin_count, judge_pins
from catalog.physics.sheets import TypeSheet
from tests.catalog.known import PENTODE, TRIODES, named, some_sheets, with_pin


def judged(original: TypeSheet, other: TypeSheet, wiring: Wiring = Wiring()) -> list[Reason]:  # noqa: B008
    swap = best_order(original, other, wiring)
    assert swap is not None
    return list(judge_pins(swap, wiring))


def words(reasons: list[Reason], about: str) -> str:
    return " / ".join(reason.text for reason in reasons if reason.about == about)


part = st.lists(
    st.sampled_from(["1:a", "1:g1", "1:g2", "1:g3", "1:bp", "1:k", "h", "hct", "s", "ic", "nc"]),
    max_size=3,
    unique=True,
).map("+".join)


@settings(max_examples=40)
@given(st.lists(st.tuples(st.integers(1, 7), part), max_size=3))
def test_pins_pass_in_silence_only_where_the_electrodes_that_work_stand_alike(changes: list[tuple[int, str]]) -> None:
    other = PENTODE
    for number, electrodes in changes:
        other = with_pin(other, number, electrodes)

    def at_work(pin: str) -> set[str]:
        return set(pin.split("+")) & {"1:a", "1:g1", "1:g2", "1:k", "h"}

    alike = [at_work(pin) for pin in PENTODE.pins] == [at_work(pin) for pin in other.pins]
    assert alike or judged(PENTODE, other)


@settings(max_examples=40)
@given(st.integers(1, 7), st.sampled_from(["1:a", "1:g1", "1:g2", "1:k", "h", "nc", "ic", ""]))
def test_a_pin_that_differs_is_named(number: int, electrodes: str) -> None:
    assume(electrodes != PENTODE.pins[number - 1])
    text = words(judged(PENTODE, with_pin(PENTODE, number, electrodes)), f"pin {number}")
    assert f"pin {number}: " in text and "in the P1" in text and "in the X" in text


def test_halves_numbered_the_other_way_round_are_the_same_valve() -> None:
    swapped = tuple(p.replace("1:", "x:").replace("2:", "1:").replace("x:", "2:") for p in TRIODES.pins)
    assert judged(TRIODES, replace(TRIODES, name="X", pins=swapped)) == []


def test_unlike_halves_that_change_places_do_not_fit() -> None:
    triode, pentode = TRIODES.sections[0], PENTODE.sections[0]
    pins = ("1:a", "2:g1", "2:g2", "h", "h", "2:a", "2:k+2:g3", "1:k", "1:g1")
    one = replace(TRIODES, name="TP", pins=pins, heaters=PENTODE.heaters, sections=(triode, pentode))
    numbered = tuple(p.replace("1:", "x:").replace("2:", "1:").replace("x:", "2:") for p in pins)
    renumbered = replace(one, name="PT", pins=numbered, sections=(pentode, triode))
    moved = replace(one, name="X", pins=("2:a", *pins[1:5], "1:a", *pins[6:]))
    assert judged(one, renumbered) == []
    assert worst(judged(one, moved)) == Level.NO


def test_a_wrong_number_of_pins_is_refused() -> None:
    with pytest.raises(ValueError, match="P1: a base B7G has 7 pins, not 6"):
        check_pin_count(replace(PENTODE, pins=PENTODE.pins[:6]))


def test_sections_of_other_kinds_have_no_order() -> None:
    assert best_order(PENTODE, TRIODES) is None


def test_an_internal_connection_where_the_socket_may_be_a_tie_point_is_a_thing_to_look_at() -> None:
    reasons = judged(with_pin(PENTODE, 2, "nc"), with_pin(PENTODE, 2, "ic"))
    assert worst(reasons) == Level.NOTE
    assert "nothing may be wired to this contact" in words(reasons, "pin 2")


def test_a_pin_left_free_on_both_asks_for_nothing() -> None:
    for was, now in [("ic", "nc"), ("ic", ""), ("nc", "-"), ("-", "nc")]:
        assert judged(with_pin(PENTODE, 2, was), with_pin(PENTODE, 2, now)) == []


def test_a_second_pin_of_the_same_electrode_that_is_lost_must_be_looked_at() -> None:
    reasons = judged(with_pin(PENTODE, 2, "1:g1"), with_pin(PENTODE, 2, "nc"))
    assert worst(reasons) == Level.NOTE
    assert "the other pin that has it" in words(reasons, "pin 2")


def test_a_grid_on_the_cap_does_not_fit_where_the_grid_is_on_a_pin() -> None:
    capped = replace(with_pin(PENTODE, 1, "nc"), top_cap="1:g1")
    for original, other in [(PENTODE, capped), (capped, PENTODE)]:
        reasons = judged(original, other)
        assert worst(reasons) == Level.NO
        assert words(reasons, "top cap")


def test_beam_plates_joined_to_the_cathode_stand_for_a_grid_three_joined_to_it() -> None:
    pentode = with_pin(with_pin(PENTODE, 2, "nc"), 7, "1:k+1:g3")
    tetrode = with_pin(with_pin(PENTODE, 2, "nc"), 7, "1:k+1:bp")
    assert judged(pentode, tetrode) == []


def test_a_shield_where_a_set_ties_grid_three_to_the_cathode_is_harmless_and_says_so() -> None:
    reasons = judged(named("EL34"), named("KT88"))
    assert worst(reasons) <= Level.NOTE
    assert "harmless where the set joins this contact to the cathode" in words(reasons, "pin 1")


def test_an_el34_in_a_6l6gc_socket_wants_grid_three_joined_to_the_cathode_unless_the_set_has_done_so() -> None:
    swapped = named("6L6GC"), named("EL34")
    reasons = judged(*swapped)
    assert "grid 3 must be joined to the cathode" in words(reasons, "pin 1")
    assert worst(reasons) == Level.CHANGE
    assert not words(judged(*swapped, Wiring(suppressor_tied=True)), "pin 1")


def test_a_7591_is_octal_and_still_does_not_go_where_a_6v6gt_was() -> None:
    reasons = judged(named("6V6GT"), named("7591"))
    assert worst(reasons) == Level.NO
    assert "grid 1" in words(reasons, "pin 6")


def test_an_807_does_not_go_where_a_6l6g_was_though_the_inside_is_alike() -> None:
    original, other = named("6L6G"), named("807")
    assert original.base != other.base or worst(judged(original, other)) == Level.NO


@pytest.mark.parametrize("wired", [None, False, True])
def test_every_type_in_the_files_has_its_own_pins(wired: bool | None) -> None:
    for sheet in some_sheets(300):
        assert judged(sheet, sheet, Wiring(tap_wired=wired)) == [], sheet.name
