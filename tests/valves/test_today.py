"""The start page says to each person what waits for them, and to the others what waits for whom."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from grading.models import Calibration, Quantity, Stop, Tester
from grading.testers import records, studies
from stockroom.site.people import Role
from tests.factories import make_user
from tests.instruments import READINGS, checked, described, filled, kept_aside, owner, people, planned, shift_at

pytestmark = pytest.mark.django_db


def today(client: Client, *roles: Role) -> str:
    """What stands on the page outside its tags."""
    client.force_login(make_user("-".join(roles) or "olive", *(roles or (Role.OWNER,))))
    page = client.get("/").content.decode().split("<h2>Waiting</h2>")[1].split("<h2>Begin</h2>")[0]
    return " ".join(re.sub(r"<[^>]*>", " ", page).split())


def stopped(tester: Tester) -> Stop:
    check = checked(kept_aside(tester), shift_at(tester, f"at {tester}"), [1.2]).check
    return Stop.objects.create(tester=tester, why="It drifts.", check_made=check, suspect_since=timezone.now())


def calibrated(tester: Tester, due_in_days: int) -> None:
    day = timezone.localdate() + timedelta(days=due_in_days)
    row = Calibration(tester=tester, done_on=day - timedelta(days=365), due_on=day, by="The county laboratory")
    records.calibrate(row, {Quantity.GM: (0.5, None)}, owner())


def test_the_owner_is_told_to_put_a_stopped_tester_right_and_the_bench_to_leave_it_alone(client: Client) -> None:
    stop = stopped(described())
    assert "Put right Long bench , stopped since" in today(client)
    bench = today(client, Role.BENCH)
    mine, _, others = bench.partition("For others")
    assert "Do not grade on Long bench , which is stopped" in mine and "Put right" in others and "Put right" not in mine
    Stop.objects.filter(pk=stop.pk).update(cleared_at=timezone.now(), action="New rectifier.")
    assert "Long bench" not in today(client)


@pytest.mark.parametrize(("due_in_days", "words"), [(-1, "overdue since"), (5, "due on")])
def test_the_owner_is_told_of_a_calibration_that_is_due(client: Client, due_in_days: int, words: str) -> None:
    tester = described()
    calibrated(tester, due_in_days)
    assert f"Calibrate Long bench , {words}" in today(client)
    Tester.objects.filter(pk=tester.pk).update(in_use=False)
    assert "Calibrate" not in today(client), "a tester that is not in use need not be"


def test_a_calibration_that_is_far_from_due_is_no_work(client: Client) -> None:
    calibrated(described(), 200)
    assert "Calibrate" not in today(client)


def test_the_bench_is_told_which_study_waits_and_for_whose_readings(client: Client) -> None:
    study = planned(described())
    cell = studies.next_cell(study, people()[0])
    assert cell is not None
    studies.record(study, cell, 1.2, people()[0])
    assert "; left: ada 5, bo 6" in today(client, Role.BENCH)


def test_a_study_that_is_all_read_waits_to_be_finished_and_then_no_more(client: Client) -> None:
    study = filled(planned(described()), READINGS)
    assert "Finish study" in today(client, Role.BENCH)
    studies.finish(study, owner())
    assert "study" not in today(client, Role.BENCH)


def test_a_person_without_work_reads_so(client: Client) -> None:
    assert today(client, Role.SALES) == "Nothing waits for you."


def test_more_testers_and_studies_take_no_more_questions(client: Client) -> None:
    def asked() -> int:
        client.force_login(owner())
        with CaptureQueriesContext(connection) as queries:
            client.get("/")
        return len(queries)

    def another(name: str) -> None:
        tester = described(name)
        calibrated(tester, -1)
        planned(tester)
        stopped(tester)

    another("First")
    few = asked()
    for number in range(5):
        another(f"Tester {number}")
    assert asked() <= few
