"""At the bench: a shift, a scan, the readings, the verdict, the next."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from django.utils.html import escape

from catalog.models import TestPoint
from grading.bench import readings
from grading.bench.entered import EnteredReading
from grading.models import Grade, Reading, Shift
from grading.sets import making
from stockroom.models import Customer, Entry, Order, Return, Valve
from stockroom.pure.serials import serial
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import (
    graded,
    make_line,
    make_policy,
    make_shift,
    make_tester,
    make_type,
    make_user,
    make_valve,
    make_valves,
    read,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def bo() -> User:
    return make_user("bo", Role.BENCH)


@pytest.fixture
def at_work(client: Client, bo: User) -> Client:
    """Logged in, on a shift, with a policy in force."""
    make_policy()
    make_shift(bo)
    client.force_login(bo)
    return client


def page(client: Client, address: str) -> str:
    return client.get(address).content.decode()


def send(client: Client, valve: Valve, follow: bool = True, **typed: Any) -> Any:
    """Post the bench's form; `ia1="1.2"` is section 1's anode current."""
    names = {
        "ia": "anode_current",
        "gm": "gm",
        "sh": "shorts",
        "lk": "leakage",
        "ig": "grid_current",
        "no": "noise",
        "re": "remark",
    }
    fields = {f"s{name[2:]}-{names[name[:2]]}": text for name, text in typed.items() if name[:2] in names}
    others = {name: text for name, text in typed.items() if name[:2] not in names}
    return client.post("/bench/", {"serial": valve.serial, **fields, **others}, follow=follow)


GOOD: dict[str, Any] = {"ia1": "1.2", "gm1": "1.6", "ia2": "1.15", "gm2": "1.55"}


# The shift.


def test_a_person_starts_a_shift_at_a_tester(client: Client, bo: User) -> None:
    client.force_login(bo)
    tester = make_tester("Bench tester 2")
    assert "Bench tester 2" in page(client, "/bench/")
    client.post("/bench/start/", {"tester": tester.pk, "gm_unit": "µmho", "ask": ["leakage", "noise"]})
    shift = Shift.objects.running_for(bo)
    assert shift is not None and shift.tester == tester
    assert 'id="scan"' in page(client, "/bench/")
    assert Entry.objects.filter(action="shift-started", by=bo).exists()


def test_without_a_tester_the_page_says_how_to_write_one_down(client: Client, bo: User) -> None:
    client.force_login(bo)
    assert "The owner writes the first one down" in page(client, "/bench/")
    client.force_login(make_user("olive", Role.OWNER))
    assert "/testers/new/" in page(client, "/bench/")


def test_a_tester_out_of_use_is_not_offered(client: Client, bo: User) -> None:
    client.force_login(bo)
    make_tester()
    gone = make_tester("The old one", in_use=False)
    assert "The old one" not in page(client, "/bench/")
    assert (
        "Select a valid choice" in client.post("/bench/start/", {"tester": gone.pk, "gm_unit": "mA/V"}).content.decode()
    )
    assert not Shift.objects.exists()


def test_a_second_shift_is_refused_by_the_database_and_said_plainly(at_work: Client, bo: User) -> None:
    with pytest.raises(readings.ShiftRunning, match="End it before"):
        readings.start_shift(make_tester("Another"), bo)
    reply = at_work.post("/bench/start/", {"tester": make_tester("Another").pk, "gm_unit": "mA/V"}, follow=True)
    assert "End it before" in reply.content.decode()


def test_a_shift_ends_and_says_how_many_it_tested(at_work: Client, bo: User) -> None:
    send(at_work, make_valve(), **GOOD)
    at_work.post("/bench/end/")
    assert Shift.objects.running_for(bo) is None
    assert "valves tested: 1" in Entry.objects.get(action="shift-ended").text


def test_a_valve_asked_for_before_the_shift_is_loaded_after_its_start(client: Client, bo: User) -> None:
    client.force_login(bo)
    make_tester()
    valve = make_valve()
    assert f'value="{valve}"' in page(client, f"/bench/?serial={valve}")
    reply = client.post("/bench/start/", {"tester": make_tester().pk, "gm_unit": "mA/V", "serial": valve.serial})
    assert reply["Location"] == f"/bench/?serial={valve}"


def test_only_the_bench_may_test(client: Client) -> None:
    client.force_login(make_user("vi", Role.SALES))
    valve = make_valve()
    for reply in (client.get("/bench/"), send(client, valve, **GOOD), client.post("/bench/start/")):
        assert reply.status_code == 403
    assert not Reading.objects.exists()


# The scan.


def test_a_scan_shows_what_a_good_valve_reads(at_work: Client) -> None:
    type = make_type(anode_current_min_ma=0.8, anode_current_max_ma=1.7)
    shown = page(at_work, f"/bench/?serial={make_valve(type)}")
    for words in ("Va 250 V, Vg1 −2 V", "nominal 1.2 (least 0.8, most 1.7)", "nominal 1.6", "6.3 V 0.3 A", "lethal"):
        assert words in shown


def test_the_cursor_is_in_the_first_anode_current(at_work: Client) -> None:
    shown = page(at_work, f"/bench/?serial={make_valve()}")
    assert shown.count("autofocus") == 1
    assert "autofocus" in shown[shown.index('name="s1-anode_current"') :].split(">")[0]


def test_the_cursor_waits_in_the_scan_field_when_nothing_is_loaded(at_work: Client) -> None:
    shown = page(at_work, "/bench/")
    assert shown.count("autofocus") == 1
    assert "autofocus" in shown[shown.index('id="scan"') :].split(">")[0]


def test_a_scanned_page_address_is_as_good_as_a_serial(at_work: Client) -> None:
    valve = make_valve()
    assert "s1-anode_current" in page(at_work, f"/bench/?serial=https://shop.example/valves/{valve}/")


@pytest.mark.parametrize(
    ("scanned", "says"),
    [
        ("", "Nothing was scanned"),
        ("10000013", "check digit does not agree"),
        ("12AX7", "is not a serial"),
        ("1234", "has 4 digits"),
        (serial(700), "No valve has the serial"),
        ("L0099/1", "no pieces in bulk"),
    ],
)
def test_a_bad_scan_is_explained_and_kept_in_the_field(at_work: Client, scanned: str, says: str) -> None:
    shown = page(at_work, f"/bench/?serial={scanned}")
    assert says in shown
    assert f'value="{scanned}"' in shown


@pytest.mark.parametrize("caution", ["mercury", "radioactive", "top cap", "very hot"])
def test_a_dangerous_type_brings_its_own_caution(at_work: Client, caution: str) -> None:
    type = make_type("83", kind="rectifier", cautions=[caution])
    assert escape(type.caution_sentences[0]) in page(at_work, f"/bench/?serial={make_valve(type)}")


def test_a_rectifier_has_no_field_for_gm(at_work: Client) -> None:
    valve = make_valve(make_type("5Y3GT", kind="rectifier"))
    shown = page(at_work, f"/bench/?serial={valve}")
    assert "s1-anode_current" in shown and "s2-anode_current" in shown and "-gm" not in shown
    send(at_work, valve, ia1="120", ia2="118")
    assert Grade.objects.get(valve=valve, current=True).saleable


def test_a_type_without_a_test_point_is_explained(at_work: Client) -> None:
    valve = make_valve(make_type("6E5", points=[]))
    assert "no test point" in page(at_work, f"/bench/?serial={valve}")
    assert "no test point" in send(at_work, valve, **GOOD).content.decode()


def test_a_written_off_valve_is_not_tested(at_work: Client) -> None:
    valve = make_valve(state=State.WRITTEN_OFF, written_off="dropped")
    assert "was written off: dropped" in page(at_work, f"/bench/?serial={valve}")
    assert "was written off" in send(at_work, valve, **GOOD).content.decode()
    assert not Reading.objects.exists()


def test_a_despatched_valve_is_sent_to_returns(at_work: Client) -> None:
    valve = make_valve(state=State.DESPATCHED)
    assert "book its return" in page(at_work, f"/bench/?serial={valve}")


def test_earlier_readings_are_shown(at_work: Client) -> None:
    valve = make_valve()
    graded(valve, 1.17, 1.53)
    shown = page(at_work, f"/bench/?serial={valve}")
    assert "1.17" in shown and "1.53" in shown and "Excellent" in shown


# The readings and the verdict.


def test_saving_gives_the_verdict_at_once_and_waits_for_the_next(at_work: Client, bo: User) -> None:
    valve = make_valve()
    reply = send(at_work, valve, **GOOD)
    shown = reply.content.decode()
    assert reply.redirect_chain == [(f"/bench/?read={valve.serial}&once=", 302)]
    assert '<p class="grade">Excellent</p>' in shown and "section 1: anode current 1.2 mA is 100 % of 1.2" in shown
    assert "autofocus" in shown[shown.index('id="scan"') :].split(">")[0]
    valve.refresh_from_db()
    assert valve.state == State.GRADED
    kept = Reading.objects.filter(valve=valve).order_by("section")
    assert [(r.section, r.anode_current_ma, r.gm_ma_per_v) for r in kept] == [(1, 1.2, 1.6), (2, 1.15, 1.55)]
    assert {r.shift.operator for r in kept} == {bo}
    entry = Entry.objects.get(action="tested")
    assert (entry.by, entry.valve) == (bo, valve)
    assert "section 1 1.2 mA, 1.6 mA/V" in entry.text and "Excellent" in entry.text


def test_a_bad_valve_is_told_with_its_reason(at_work: Client) -> None:
    shown = send(at_work, make_valve(), **{**GOOD, "gm2": "0.4"}).content.decode()
    assert '<p class="grade">Unfit</p>' in shown and "verdict unfit" in shown
    assert "section 2: gm 0.4 mA/V is 25 % of 1.6" in shown


def test_everything_that_was_typed_is_kept(at_work: Client) -> None:
    valve = make_valve()
    send(at_work, valve, **GOOD, sh2="h-k", lk1="3,5", ig1="-0.2", no1="quiet", re2="foot loose")
    one, two = Reading.objects.filter(valve=valve).order_by("section")
    assert (one.heater_cathode_leakage_ua, one.grid_current_ua, one.noise, one.shorted) == (3.5, -0.2, "quiet", False)
    assert (two.shorted, two.short_between, two.remark) == (True, "heater and cathode", "foot loose")


def test_a_shorted_section_needs_no_current(at_work: Client) -> None:
    valve = make_valve()
    send(at_work, valve, ia1="1.2", gm1="1.6", sh2="g-k")
    assert "section 2: shorted between grid and cathode" in Grade.objects.get(valve=valve).reasons


def test_a_dead_section_is_nought(at_work: Client) -> None:
    valve = make_valve()
    send(at_work, valve, **{**GOOD, "ia2": "0", "gm2": "0"})
    assert Grade.objects.get(valve=valve).name == "Unfit"


def test_a_stabiliser_is_read_in_volts(at_work: Client) -> None:
    valve = make_valve(make_type("0A2", kind="voltage stabiliser", sections=1))
    page = at_work.get(f"/bench/?serial={valve.serial}").content.decode()
    assert "Voltage held, V" in page and "nominal 150, at 30 mA" in page
    assert not any(f"s1-{name}" in page for name in ("anode_current", "gm", "leakage", "grid_current", "noise"))
    at_work.post("/bench/", {"serial": valve.serial, "s1-voltage": "151"})
    grade = Grade.objects.get(valve=valve, current=True)
    assert grade.reasons == ["section 1: voltage held 151 V is 101 % of 150"] and grade.not_tested == []
    assert "151 V" in Entry.objects.get(action="tested").text
    assert "151 V" in at_work.get(f"/bench/?read={valve.serial}").content.decode()
    assert "151 V" in at_work.get(valve.get_absolute_url()).content.decode()


def test_a_mixer_is_read_at_the_point_where_it_is_at_rest_unless_another_is_asked_for(at_work: Client) -> None:
    mixing = {"name": "mixing", "anode_voltage_v": 250, "grid_voltage_v": -2, "anode_current_ma": 3}
    rest = {"name": "at rest", "anode_voltage_v": 100, "grid_voltage_v": 0, "anode_current_ma": 9, "gm_ma_per_v": 4}
    points = [{**mixing, "conversion_conductance_ma_per_v": 0.475}, rest]
    valve = make_valve(make_type("6BE6", kind="heptode", sections=1, points=points))
    at_work.post("/bench/", {"serial": valve.serial, "s1-anode_current": "9", "s1-gm": "4"})
    assert Reading.objects.get(valve=valve).test_point.name == "at rest"
    assert Grade.objects.filter(valve=valve, current=True).exists()


def test_where_the_bias_is_set_for_a_current_only_gm_is_read_and_graded(at_work: Client) -> None:
    point = {
        "name": "100 mA",
        "anode_voltage_v": 200,
        "current_is_set": True,
        "anode_current_ma": 100,
        "gm_ma_per_v": 7,
    }
    valve = make_valve(make_type("6146", kind="beam tetrode", sections=1, points=[point]))
    page = at_work.get(f"/bench/?serial={valve.serial}").content.decode()
    assert "Vg1 set for Ia 100 mA" in page and "s1-gm" in page and "s1-anode_current" not in page
    at_work.post("/bench/", {"serial": valve.serial, "s1-gm": "6.9"})
    grade = Grade.objects.get(valve=valve, current=True)
    assert grade.reasons == ["section 1: gm 6.9 mA/V is 99 % of 7"]
    entered = EnteredReading(valve.type.sections.get().test_points.get(), anode_current_ma=101, gm_ma_per_v=6.9)
    shift = Shift.objects.get()
    with pytest.raises(readings.NotReadSo, match="at “100 mA” the anode current is set, not read"):
        readings.record_readings(shift, valve, {1: entered}, shift.operator)


def test_the_set_current_typed_as_the_voltage_held_is_asked_about(at_work: Client) -> None:
    valve = make_valve(make_type("0A2", kind="voltage stabiliser", sections=1))
    page = at_work.post("/bench/", {"serial": valve.serial, "s1-voltage": "30"}).content.decode()
    assert "30 V is far from the nominal 150. Is it the voltage across the valve, and has it struck?" in page
    assert not Reading.objects.exists()


def test_a_current_is_refused_for_a_stabiliser_and_a_voltage_for_a_triode(at_work: Client) -> None:
    shift = Shift.objects.get()
    stabiliser = make_valve(make_type("0A2", kind="voltage stabiliser", sections=1))
    point = stabiliser.type.test_sections[0].test_point
    assert point
    with pytest.raises(readings.NotReadSo, match="is a stabiliser: it is read in voltage held, not anode current"):
        readings.record_readings(shift, stabiliser, {1: EnteredReading(point, anode_current_ma=30)}, shift.operator)
    triode = make_type().test_sections[0].test_point
    assert triode
    with pytest.raises(readings.NotReadSo, match="is a triode: it is read in anode current and mutual conductance"):
        readings.record_readings(shift, make_valve(), {1: EnteredReading(triode, anode_voltage_v=250)}, shift.operator)
    assert not Reading.objects.exists()


def test_a_rectifier_is_not_asked_for_what_it_cannot_have(at_work: Client) -> None:
    valve = make_valve(make_type("5AR4", kind="rectifier"))
    page = at_work.get(f"/bench/?serial={valve.serial}").content.decode()
    assert "s1-anode_current" in page and "s1-leakage" in page
    assert not any(f"s1-{name}" in page for name in ("gm", "grid_current", "noise"))


def test_testing_again_adds_readings_and_corrects_none(at_work: Client) -> None:
    valve = make_valve()
    send(at_work, valve, **GOOD)
    send(at_work, valve, **{**GOOD, "gm1": "1.5"})
    assert Reading.objects.filter(valve=valve).count() == 4
    assert not Reading.objects.filter(supersedes__isnull=False).exists()
    grade = Grade.objects.get(valve=valve, current=True)
    assert grade.readings.count() == 4, "readings of one shift are repeats, and their mean is used"
    assert any("gm 1.55 mA/V" in reason for reason in grade.reasons)


def test_repeats_that_contradict_each_other_are_kept_and_the_worse_counts(at_work: Client) -> None:
    valve = make_valve(make_type("EL84", kind="power pentode", sections=1, anode_current_ma=48, gm_ma_per_v=11.3))
    send(at_work, valve, ia1="46", gm1="10.8")
    send(at_work, valve, ia1="20", gm1="5.0")
    grade = Grade.objects.get(valve=valve, current=True)
    assert grade.name == "Unfit" and grade.readings.count() == 2
    assert {row["quantity"]: row["value"] for row in grade.measured} == {"anode_current_ma": 20, "gm_ma_per_v": 5}
    page = at_work.get(f"/bench/?read={valve.serial}").content.decode()
    assert "mutual conductance was read as 10.8 and 5 mA/V, and 2 repeats may differ by 0.79 mA/V" in page
    assert "the worse, 5 mA/V, counts until they agree. Read it again, or correct the wrong one" in page


def test_of_anode_currents_that_contradict_each_other_the_one_further_from_nominal_is_the_worse(
    at_work: Client,
) -> None:
    valve = make_valve()
    send(at_work, valve, **GOOD)
    send(at_work, valve, **{**GOOD, "ia1": "1.8"})
    assert next(row["value"] for row in Grade.objects.get(valve=valve, current=True).measured) == 1.8
    with pytest.raises(making.CannotMatch, match="readings that contradict each other"):
        other = make_valve()
        send(at_work, other, **GOOD)
        making.make_set([valve, other], 90, Shift.objects.get().operator)


def test_a_reading_that_was_wrong_is_corrected_and_the_repeats_agree_again(at_work: Client) -> None:
    valve = make_valve()
    send(at_work, valve, **GOOD)
    send(at_work, valve, **{**GOOD, "ia1": "0.12"})
    wrong = Reading.objects.get(valve=valve, anode_current_ma=0.12)
    assert Grade.objects.get(valve=valve, current=True).name == "Unfit"
    readings.correct(wrong, replace(EnteredReading.of(wrong), anode_current_ma=1.21), "misread", wrong.shift.operator)
    grade = Grade.objects.get(valve=valve, current=True)
    assert grade.name == "Excellent" and not any("contradict" in reason for reason in grade.reasons)


def test_the_bench_says_at_once_that_the_valves_set_no_longer_holds(at_work: Client) -> None:
    pair = [make_valve(), make_valve()]
    for valve in pair:
        send(at_work, valve, **GOOD)
    making.make_set(pair, 5, Shift.objects.get().operator)
    send(at_work, pair[1], **{**GOOD, "gm1": "1.5", "gm2": "1.46"})
    assert "no longer holds" not in at_work.get(f"/bench/?read={pair[1].serial}").content.decode(), (
        "the mean is still within 5 %"
    )
    send(at_work, pair[1], **{**GOOD, "gm1": "1.25"})
    page = at_work.get(f"/bench/?read={pair[1].serial}").content.decode()
    assert "S00001</a> no longer holds:" in page and "Break it up and match its valves again." in page


def test_a_retest_may_leave_a_section_as_it_was_read(at_work: Client) -> None:
    valve = make_valve()
    send(at_work, valve, **GOOD)
    send(at_work, valve, ia2="0.2", gm2="0.3")
    assert Reading.objects.filter(valve=valve, section=1).count() == 1
    assert Grade.objects.get(valve=valve, current=True).name == "Unfit"


def test_the_first_test_reads_every_section(at_work: Client) -> None:
    shown = send(at_work, make_valve(), ia1="1.2", gm1="1.6").content.decode()
    assert "Type the anode current" in shown and 'value="1.6"' in shown
    assert not Reading.objects.exists()


def test_an_empty_form_saves_nothing(at_work: Client) -> None:
    valve = make_valve()
    read(valve, 1.2, 1.6)
    assert "Nothing was typed" in send(at_work, valve).content.decode()
    assert Reading.objects.count() == 2


def test_a_returned_valve_is_read_afresh(at_work: Client) -> None:
    valve = make_valve()
    graded(valve, taken_at=timezone.now() - timedelta(days=30))
    Return.objects.create(valve=valve, order=_order(), reason="hum", at=timezone.now() - timedelta(days=1))
    shown = send(at_work, valve, ia2="1.2", gm2="1.6").content.decode()
    assert "Type the anode current" in shown, "the reading from before the return no longer speaks for section 1"


def _order() -> Order:
    return Order.objects.create(number="O0001", customer=Customer.objects.create(name="Ada Finch"))


def test_without_a_policy_readings_are_kept_and_the_valve_is_tested(client: Client, bo: User) -> None:
    make_shift(bo)
    client.force_login(bo)
    valve = make_valve()
    assert "No grade yet" in send(client, valve, **GOOD).content.decode()
    valve.refresh_from_db()
    assert valve.state == State.TESTED


# The unit of gm.


def test_gm_is_typed_in_the_unit_of_the_shift_and_kept_in_milliamperes_per_volt(client: Client, bo: User) -> None:
    make_policy()
    client.force_login(bo)
    client.post("/bench/start/", {"tester": make_tester().pk, "gm_unit": "µmho"})
    valve = make_valve()
    shown = page(client, f"/bench/?serial={valve}")
    assert "gm, µmho" in shown and "nominal 1600" in shown
    send(client, valve, **{**GOOD, "gm1": "1600", "gm2": "1550"})
    assert [r.gm_ma_per_v for r in Reading.objects.order_by("section")] == [1.6, 1.55]


def test_a_typed_unit_overrides_it(at_work: Client) -> None:
    send(at_work, make_valve(), **{**GOOD, "gm1": "1600 µmho", "ia2": "1150 µA"})
    one, two = Reading.objects.order_by("section")
    assert (one.gm_ma_per_v, two.anode_current_ma) == (1.6, 1.15)


def test_the_choices_change_in_the_middle_of_a_shift(at_work: Client) -> None:
    valve = make_valve()
    at_work.post("/bench/choices/", {"gm_unit": "µmho", "ask": ["noise"]})
    shown = page(at_work, f"/bench/?serial={valve}")
    assert "gm, µmho" in shown
    asked = shown[: shown.index('class="more"')]
    assert "s1-noise" in asked and "s1-shorts" not in asked and "s1-shorts" in shown


def test_enter_in_the_last_asked_field_sends(at_work: Client) -> None:
    at_work.post("/bench/choices/", {"gm_unit": "mA/V", "ask": []})
    shown = page(at_work, f"/bench/?serial={make_valve()}")
    assert shown.count('data-enter="send"') == 1
    assert 'data-enter="send"' in shown[shown.index('name="s2-gm"') :].split(">")[0]


# The test point.


@pytest.fixture
def two_points() -> Valve:
    points = [
        {"name": "250 V", "anode_voltage_v": 250, "anode_current_ma": 1.2, "gm_ma_per_v": 1.6},
        {"name": "100 V", "anode_voltage_v": 100, "anode_current_ma": 0.5, "gm_ma_per_v": 1.25},
    ]
    return make_valve(make_type(points=points))


def test_the_first_test_point_is_used_unless_another_is_chosen(at_work: Client, two_points: Valve) -> None:
    assert "nominal 1.2" in page(at_work, f"/bench/?serial={two_points}")
    assert "nominal 0.5" in page(at_work, f"/bench/?serial={two_points}&point=100%20V")
    send(at_work, two_points, ia1="0.5", gm1="1.2", ia2="0.5", gm2="1.2", point="100 V")
    assert {r.test_point.name for r in Reading.objects.all()} == {"100 V"}
    assert Grade.objects.get(valve=two_points).name == "Excellent"


def test_a_chosen_test_point_stays_for_the_type_through_the_shift(at_work: Client, two_points: Valve) -> None:
    send(at_work, two_points, ia1="0.5", gm1="1.2", ia2="0.5", gm2="1.2", point="100 V")
    assert "nominal 0.5" in page(at_work, f"/bench/?serial={make_valve(two_points.type)}")


def test_an_unknown_test_point_falls_back_to_the_first(at_work: Client, two_points: Valve) -> None:
    assert "nominal 1.2" in page(at_work, f"/bench/?serial={two_points}&point=nowhere")
    assert TestPoint.objects.filter(name="nowhere").count() == 0


# What cannot be, and what can hardly be.


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"ia1": "-1.2"}, "Anode current −1.2 mA is negative"),
        ({"gm1": "1600"}, "gm 1600 mA/V is 1000 times the nominal 1.6: did you mean micromhos?"),
        ({"ia2": "1150"}, "did you mean microamperes?"),
        ({"ia1": "one"}, "“one” is not a number."),
        ({"gm2": "1,550"}, "could be 1.55 or 1550"),
        ({"gm1": "1.6 V"}, "not a unit of mutual conductance"),
        ({"lk1": "-3"}, "Heater-cathode leakage −3 µA is negative"),
        ({"no1": "hum"}, "Select a valid choice"),
        ({"sh1": "1.6"}, "is a number"),
        ({"re1": "x" * 201}, "at most 200"),
    ],
)
def test_an_impossible_reading_is_refused_and_the_rest_kept(at_work: Client, wrong: dict[str, Any], says: str) -> None:
    typed = {**GOOD, "re2": "keep me", **wrong}
    shown = send(at_work, make_valve(), **typed).content.decode()
    assert says in shown.replace("&#x27;", "'")
    for text in typed.values():
        assert f'value="{text}"' in shown or text == "hum"
    assert 'name="sure"' not in shown, "nobody may insist on the impossible"
    assert not Reading.objects.exists()


def test_the_cursor_goes_to_the_field_that_is_wrong(at_work: Client) -> None:
    shown = send(at_work, make_valve(), **{**GOOD, "gm2": "1600"}).content.decode()
    assert shown.count("autofocus") == 1
    assert "autofocus" in shown[shown.index('name="s2-gm"') :].split(">")[0]


@pytest.mark.parametrize("field", ["ia1", "gm1", "ia2", "sh1", "lk1"])
@pytest.mark.parametrize("before", ["", "1.2"])
def test_a_scan_in_a_reading_field_is_caught_and_nothing_lost(at_work: Client, field: str, before: str) -> None:
    valve, following = make_valves(count=2)
    shown = send(at_work, valve, **{**GOOD, field: before + following.serial}).content.decode()
    assert f"“{following}” is a serial" in shown and 'value="1.55"' in shown
    assert not Reading.objects.exists()


def test_a_surprising_reading_is_asked_about_once(at_work: Client) -> None:
    valve = make_valve()
    shown = send(at_work, valve, **{**GOOD, "ia2": "3.9"}).content.decode()
    assert "3.2 times the nominal 1.2" in shown and 'value="3.9"' in shown
    assert not Reading.objects.exists()
    asked = shown[shown.index('name="sure"') :].split(">")[0]
    assert "autofocus" in asked and shown.count("autofocus") == 1
    sure = asked.split('value="')[1].split('"')[0]
    send(at_work, valve, **{**GOOD, "ia2": "3.9"}, sure=sure)
    assert Reading.objects.get(section=2).anode_current_ma == 3.9


def test_being_sure_of_one_reading_is_not_being_sure_of_another(at_work: Client) -> None:
    shown = send(at_work, make_valve(), **{**GOOD, "ia2": "4.1"}, sure="s2 anode_current 3.9").content.decode()
    assert "Is that what it read?" in shown
    assert not Reading.objects.exists()


def test_readings_typed_after_the_shift_ended_are_not_lost(at_work: Client, bo: User) -> None:
    valve = make_valve()
    at_work.post("/bench/end/")
    shown = send(at_work, valve, **GOOD).content.decode()
    assert "Your shift has ended" in shown and 'value="1.55"' in shown
    assert not Reading.objects.exists()


def test_a_shift_that_ends_between_is_noticed_by_the_rule_itself(bo: User) -> None:
    shift = make_shift(bo)
    readings.end_shift(shift, bo)
    valve = make_valve()
    with pytest.raises(readings.ShiftEnded):
        point = TestPoint.objects.filter(section__number=1)[0]
        readings.record_readings(shift, valve, {1: readings.EnteredReading(point, anode_current_ma=1.2)}, bo)


# Bulk.


def test_a_piece_is_taken_up_from_bulk_and_loaded(at_work: Client, bo: User) -> None:
    line = make_line(make_type(), 3)
    assert f"Give the next piece of {line} a serial (12AX7, 3 in bulk)" in page(at_work, "/bench/")
    reply = at_work.post(f"/bench/take-up/{line.pk}/", follow=True)
    valve = Valve.objects.get(line=line)
    shown = reply.content.decode()
    assert "s1-anode_current" in shown and f"/labels/?serial={valve}" in shown and "New serial" in shown


def test_a_line_typed_in_place_of_a_serial_offers_its_bulk(at_work: Client) -> None:
    line = make_line(make_type(), 3)
    shown = page(at_work, f"/bench/?serial={line}")
    assert f"Give the next piece of {line} a serial" in shown and shown.count("autofocus") == 1


def test_the_line_just_tested_is_offered_first(at_work: Client) -> None:
    line = make_line(make_type(), 3)
    make_line(make_type(), 5)
    at_work.post(f"/bench/take-up/{line.pk}/")
    shown = send(at_work, Valve.objects.get(), **GOOD).content.decode()
    assert shown.index(f"Give the next piece of {line} a serial") < shown.index("This shift")


def test_an_empty_line_gives_nothing(at_work: Client) -> None:
    line = make_valve().line
    shown = at_work.post(f"/bench/take-up/{line.pk}/", follow=True).content.decode()
    assert "no pieces in bulk" in shown


# The running list.


def test_the_last_ten_are_listed_the_latest_first_with_a_count(at_work: Client) -> None:
    valves = make_valves(count=12)
    for valve in valves:
        send(at_work, valve, follow=False, **GOOD)
    shown = page(at_work, "/bench/")
    listed = [tested.valve for tested in readings.latest(Shift.objects.get())]
    assert listed == valves[:1:-1]
    assert "<strong>12</strong> tested" in shown and "12 Excellent" in shown
    assert shown.count("/correct/?from=bench") == 20


def test_another_shifts_valves_are_not_in_the_list(at_work: Client) -> None:
    read(make_valve(), 1.2, 1.6, shift=make_shift(make_user("mo"), make_tester("Other")))
    assert readings.latest(Shift.objects.get(operator__username="bo")) == []


def test_the_page_asks_the_database_no_more_when_the_shift_is_long(at_work: Client) -> None:
    type = make_type()
    for valve in make_valves(type, 2):
        send(at_work, valve, follow=False, **GOOD)
    make_line(type, 2)
    with CaptureQueriesContext(connection) as few:
        at_work.get("/bench/")
    for valve in make_valves(type, 9):
        send(at_work, valve, follow=False, **GOOD)
    for _ in range(5):
        make_line(type, 2)
    with CaptureQueriesContext(connection) as many:
        at_work.get("/bench/")
    assert len(many) <= len(few)


@pytest.mark.django_db
def test_a_valve_half_read_is_not_taken_and_one_whose_other_half_was_read_before_is() -> None:
    shift, (first, second) = make_shift(), make_type().test_sections
    assert first.test_point and second.test_point
    (valve,) = make_valves(make_type(), 1)
    half = {1: EnteredReading(first.test_point, anode_current_ma=1.2, gm_ma_per_v=1.6)}
    with pytest.raises(readings.SectionMissing, match=r"Section 2 has not been read"):
        readings.record_readings(shift, valve, half, shift.operator)
    assert not Reading.objects.exists()
    whole = {**half, 2: EnteredReading(second.test_point, anode_current_ma=1.2, gm_ma_per_v=1.6)}
    readings.record_readings(shift, valve, whole, shift.operator)
    readings.record_readings(shift, valve, half, shift.operator)
    assert Reading.objects.count() == 3
