"""A wrong reading is corrected by a new one that says why; the wrong one stays in the history."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.utils import timezone

from grading.bench import readings
from grading.bench.readings import EnteredReading
from grading.models import Grade, Reading, Shift
from stockroom.models import Entry, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, make_policy, make_tester, make_type, make_user, make_valve, read

pytestmark = pytest.mark.django_db


@pytest.fixture
def bo(client: Client) -> User:
    make_policy()
    user = make_user("bo", Role.BENCH)
    client.force_login(user)
    return user


@pytest.fixture
def valve(bo: User) -> Valve:
    """Section 2's gm was written down wrong, and the valve is unfit for it."""
    valve = make_valve()
    graded(valve, [1.2, 1.15], [1.6, 0.15])
    return valve


def wrong(valve: Valve) -> Reading:
    return Reading.objects.get(valve=valve, section=2, supersedes=None)


def send(client: Client, reading: Reading, **typed: str) -> Any:
    n = reading.section
    fields = {f"s{n}-anode_current": "1.15", f"s{n}-gm": "1.55", "reason": "misread the scale", **typed}
    return client.post(f"/readings/{reading.pk}/correct/", fields, follow=True)


def current(valve: Valve) -> Grade:
    return Grade.objects.get(valve=valve, current=True)


def test_the_form_begins_with_what_was_written(client: Client, valve: Valve) -> None:
    shown = client.get(f"/readings/{wrong(valve).pk}/correct/").content.decode()
    assert 'value="1.15"' in shown and 'value="0.15"' in shown and shown.count("autofocus") == 1


def test_a_correction_supersedes_and_the_valve_is_judged_again(client: Client, valve: Valve, bo: User) -> None:
    assert current(valve).name == "Unfit"
    old = wrong(valve)
    shown = send(client, old).content.decode()
    assert f"{valve} is Excellent now" in shown
    new = Reading.objects.get(supersedes=old)
    assert (new.gm_ma_per_v, new.reason) == (1.55, "misread the scale")
    assert current(valve).name == "Excellent"
    assert set(current(valve).readings.values_list("pk", flat=True)) == {
        new.pk,
        Reading.objects.get(valve=valve, section=1).pk,
    }
    entry = Entry.objects.get(action="reading-corrected")
    assert entry.by == bo and "0.15 mA/V → section 2 1.15 mA, 1.55 mA/V: misread the scale" in entry.text


def test_the_wrong_reading_stays_as_it_was(client: Client, valve: Valve) -> None:
    old = wrong(valve)
    send(client, old)
    kept = Reading.objects.get(pk=old.pk)
    assert kept.gm_ma_per_v == 0.15 and kept.supersedes is None
    assert Grade.objects.filter(valve=valve, current=False, name="Unfit").exists()


def test_a_correction_bears_the_time_and_shift_of_what_it_corrects(client: Client, valve: Valve) -> None:
    old = wrong(valve)
    send(client, old)
    new = Reading.objects.get(supersedes=old)
    assert (new.taken_at, new.shift) == (old.taken_at, old.shift)


def test_correcting_an_old_reading_does_not_speak_over_a_later_test(client: Client, bo: User) -> None:
    valve = make_valve()
    first = read(valve, 1.2, 1.6, taken_at=timezone.now() - timedelta(days=2))[0]
    graded(valve, 1.2, 0.4)
    send(client, first, reason="leaked")
    assert current(valve).name == "Unfit", "the later reading still stands"


def test_a_reason_is_needed_and_nothing_is_lost(client: Client, valve: Valve) -> None:
    shown = send(client, wrong(valve), reason=" ").content.decode()
    assert "This field is required" in shown and 'value="1.55"' in shown
    assert Reading.objects.count() == 2


def test_an_impossible_correction_is_refused_beside_its_field(client: Client, valve: Valve) -> None:
    shown = send(client, wrong(valve), **{"s2-gm": "1550"}).content.decode()
    assert "did you mean micromhos?" in shown and "misread the scale" in shown
    assert Reading.objects.count() == 2


def test_a_surprising_correction_is_asked_about(client: Client, valve: Valve) -> None:
    shown = send(client, wrong(valve), **{"s2-anode_current": "3.9"}).content.decode()
    sure = shown[shown.index('name="sure"') :].split('value="')[1].split('"')[0]
    send(client, wrong(valve), **{"s2-anode_current": "3.9", "sure": sure})
    assert Reading.objects.get(supersedes=wrong(valve)).anode_current_ma == 3.9


def test_a_correction_that_changes_nothing_is_refused(client: Client, valve: Valve) -> None:
    shown = send(client, wrong(valve), **{"s2-gm": "0.15"}).content.decode()
    assert "Nothing was changed" in shown
    assert Reading.objects.count() == 2


def test_a_reading_is_corrected_once(client: Client, valve: Valve) -> None:
    old = wrong(valve)
    send(client, old)
    again = send(client, old, **{"s2-gm": "1.4"}).content.decode()
    assert "has been corrected already" in again
    assert "has been corrected already" in client.get(f"/readings/{old.pk}/correct/", follow=True).content.decode()
    assert Reading.objects.filter(supersedes=old).count() == 1


def test_two_who_correct_at_once_are_told_apart_by_the_database(valve: Valve, bo: User) -> None:
    old = wrong(valve)
    taken = EnteredReading(old.test_point, anode_current_ma=1.1, gm_ma_per_v=1.5)
    readings.correct(old, taken, "misread", bo)
    with pytest.raises(readings.AlreadyCorrected):
        readings.correct(old, taken, "misread", bo)


def test_a_correction_can_be_corrected_in_turn(client: Client, valve: Valve) -> None:
    old = wrong(valve)
    send(client, old)
    new = Reading.objects.get(supersedes=old)
    send(client, new, **{"s2-gm": "1.3"})
    assert Reading.objects.get(supersedes=new).gm_ma_per_v == 1.3
    assert [r.gm_ma_per_v for r in Reading.objects.current().filter(valve=valve, section=2)] == [1.3]


def test_the_test_point_can_be_corrected(client: Client, bo: User) -> None:
    points = [
        {"name": "250 V", "anode_voltage_v": 250, "anode_current_ma": 1.2, "gm_ma_per_v": 1.6},
        {"name": "100 V", "anode_voltage_v": 100, "anode_current_ma": 0.5, "gm_ma_per_v": 1.25},
    ]
    valve = make_valve(make_type("6N2P-like", points=points, sections=1))
    graded(valve, 0.5, 1.25)
    send(client, Reading.objects.get(), point="100 V", **{"s1-anode_current": "0.5", "s1-gm": "1.25"})
    assert Reading.objects.current().get().test_point.name == "100 V"
    assert current(valve).name == "Excellent"


def test_the_bench_gets_its_person_back(client: Client, valve: Valve) -> None:
    reply = send(client, wrong(valve), **{"from": "bench"})
    assert reply.redirect_chain[0][0] == "/bench/"
    reply = client.get(f"/readings/{Reading.objects.get(supersedes=wrong(valve)).pk}/correct/?from=bench")
    assert 'name="from" value="bench"' in reply.content.decode()


def test_the_readings_of_another_valve_are_withdrawn(client: Client, valve: Valve, bo: User) -> None:
    shown = ""
    for reading in Reading.objects.filter(valve=valve):
        shown = send(client, reading, withdraw="on", reason="this was its neighbour").content.decode()
    assert f"{valve} has no grade now" in shown
    valve.refresh_from_db()
    assert valve.state == State.RECEIVED
    assert not Reading.objects.current().filter(valve=valve).exists()
    assert not Grade.objects.filter(valve=valve, current=True).exists()
    assert Entry.objects.filter(action="reading-withdrawn", by=bo).count() == 2
    assert Reading.objects.filter(valve=valve, supersedes=None).count() == 2, "what was written is still there"


def test_withdrawing_the_latest_lets_the_one_before_speak_again(valve: Valve, bo: User) -> None:
    graded(valve, 1.2, 1.6)
    latest = Reading.objects.filter(valve=valve, section=2).order_by("-taken_at").first()
    assert latest is not None
    readings.withdraw(latest, "this was its neighbour", bo)
    assert current(valve).name == "Unfit"


def test_a_withdrawn_valve_can_be_tested_again(valve: Valve, bo: User) -> None:
    for reading in Reading.objects.filter(valve=valve):
        readings.withdraw(reading, "this was its neighbour", bo)
    assert graded(valve, 1.2, 1.6).name == "Excellent"


def test_only_the_bench_corrects(client: Client, valve: Valve) -> None:
    client.force_login(make_user("vi", Role.SALES))
    assert send(client, wrong(valve)).status_code == 403
    assert client.get("/readings/999999/correct/").status_code == 403
    assert Reading.objects.count() == 2


def test_no_shift_is_needed_to_correct(client: Client, valve: Valve, bo: User) -> None:
    shift = Shift.objects.running_for(bo)
    if shift:
        readings.end_shift(shift, bo)
    make_tester("Another")
    send(client, wrong(valve))
    assert Reading.objects.filter(supersedes=wrong(valve)).exists()
