"""Valves read at conditions of which nothing was known are graded when something is, and when somebody asks."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from django.test import Client
from django.utils import timezone

from grading.models import Grade, Shift, Stop, Tester, TesterCondition
from grading.testers import conditions, house_nominals
from grading.verdicts import waiting
from stockroom.models import Entry, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, make_line, make_policy, make_type, make_user, make_valves, read_all
from tests.instruments import checked, described, kept_aside, owner, point, shift_at

pytestmark = pytest.mark.django_db

VALUES = [1.10, 1.12, 1.14, 1.16, 1.18, 1.20, 1.22, 1.24, 1.26, 0.30]


@pytest.fixture
def shift() -> Shift:
    """On a tester that sets up section 1 of a 12AX7 in its own way, under a policy."""
    make_policy()
    row = TesterCondition(
        tester=described(),
        test_point=point(),
        anode_voltage_v=180,
        cathode_resistor_ohm=1000,
        judged_by="house nominal",
    )
    return shift_at(conditions.set_conditions([row], owner())[0].tester)


def read_here(shift: Shift, values: Sequence[float] = VALUES) -> list[Valve]:
    """Valves read as far as they go; those read here wait, for nothing is known of section 1."""
    line = make_line(make_type("12AX7"), len(values))
    valves = make_valves(line.type, len(values), line=line)
    read_all([(valve, value, 1.6) for valve, value in zip(valves, values, strict=True)], shift=shift)
    return valves


def address(tester: Tester, then: str = "") -> str:
    return f"/testers/{tester.pk}/house-nominals/{then}?type=12AX7&section=1"


def test_the_page_that_learnt_it_says_how_many_waited_and_grades_them_when_asked(client: Client, shift: Shift) -> None:
    valves = read_here(shift)
    client.force_login(owner())
    learnt = client.post(address(shift.tester), follow=True).content.decode()
    assert "10 valves that were tested here and not graded can be graded now" in learnt
    assert not Grade.objects.exists(), "nothing is graded until somebody asks"
    done = client.post(address(shift.tester, "grade/"), follow=True).content.decode()
    assert "10 valves are graded" in done and "can be graded now" not in done
    assert set(Valve.objects.values_list("state", flat=True)) == {State.GRADED}
    for valve in valves:
        assert Entry.objects.for_valve(valve).filter(action="graded").count() == 1


def test_before_anything_is_learnt_none_is_offered_and_the_page_says_what_is_wanting(
    client: Client, shift: Shift
) -> None:
    read_here(shift, VALUES[:3])
    client.force_login(owner())
    page = client.get(address(shift.tester)).content.decode()
    assert "3 valves that were tested here cannot be graded yet" in page and "no house nominal has been learnt" in page
    assert "can be graded now" not in page
    with pytest.raises(waiting.CannotGrade, match="None of the valves"):
        waiting.grade_them(shift.tester, point(), owner())


def test_a_valve_whose_other_section_is_still_unknown_goes_on_waiting(shift: Shift) -> None:
    second = make_type("12AX7").test_sections[1].test_point
    assert second is not None
    row = TesterCondition(
        tester=shift.tester, test_point=second, anode_voltage_v=180, grid_voltage_v=-1, judged_by="house nominal"
    )
    conditions.set_conditions([row], owner())
    read_here(shift)
    house_nominals.learn(shift.tester, point(), owner())
    found = waiting.waiting_for(shift.tester, point())
    assert not found.ready and len(found.still) == 10 and "no house nominal" in found.why
    house_nominals.learn(shift.tester, second, owner())
    assert len(waiting.waiting_for(shift.tester, point()).ready) == 10


def test_valves_of_other_testers_and_those_graded_already_are_not_counted(shift: Shift) -> None:
    read_here(shift)
    house_nominals.learn(shift.tester, point(), owner())
    waiting.grade_them(shift.tester, point(), owner())
    graded(make_valves(make_type("12AX7"))[0], shift=shift_at(described("Window bench"), "ada"))
    assert waiting.waiting_for(shift.tester, point()) == ([], [])


def test_while_the_tester_is_stopped_none_is_graded(client: Client, shift: Shift) -> None:
    read_here(shift)
    house_nominals.learn(shift.tester, point(), owner())
    check = checked(kept_aside(), shift, [1.2]).check
    Stop.objects.create(tester=shift.tester, why="It drifts.", check_made=check, suspect_since=timezone.now())
    client.force_login(owner())
    said = client.post(address(shift.tester, "grade/"), follow=True).content.decode()
    assert "stopped" in said and not Grade.objects.exists()


def test_the_valves_own_page_says_why_it_has_no_grade(client: Client, shift: Shift) -> None:
    valve = read_here(shift, [1.2])[0]
    client.force_login(make_user("vi"))
    page = client.get(f"/valves/{valve}/").content.decode()
    assert "Not graded yet: it stands compared with nothing: no house nominal" in page


def test_only_the_owner_grades_them(client: Client, shift: Shift) -> None:
    client.force_login(make_user("bo", Role.BENCH))
    assert client.post(address(shift.tester, "grade/")).status_code == 403


def test_a_section_that_there_is_not_is_said(client: Client, shift: Shift) -> None:
    client.force_login(owner())
    page = client.post(f"/testers/{shift.tester.pk}/house-nominals/grade/?type=nosuch", follow=True).content.decode()
    assert "Say which section" in page
