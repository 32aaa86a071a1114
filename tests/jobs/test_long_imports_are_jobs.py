"""A long list and a long file of readings are taken in behind the pages; nothing is judged under a lock."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.bench import readings_import, readings_job
from grading.models import Grade, Reading, ReadingsFile
from grading.testers import house_nominals
from grading.verdicts import judging, regrading, waiting
from stockroom.jobs import worker
from stockroom.models import Job, JobState, Lot, LotFile
from stockroom.receiving import list_job
from stockroom.site.people import Role
from tests.factories import make_lot, make_policy, make_shift, make_tester, make_type, make_user, make_valve
from tests.receiving.test_importing_a_lot import saved
from tests.verdicts.test_grading_those_that_waited import owner, point, read_here, shift  # noqa: F401 -- a fixture

pytestmark = pytest.mark.django_db

LIST = b"type,condition,quantity\n12AX7,nos boxed,4\n12AX7,used,6\n"


@pytest.fixture
def lot() -> Lot:
    make_type()
    return make_lot()


@pytest.fixture
def long_at_two(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(list_job, "AT_ONCE", 2)
    monkeypatch.setattr(readings_job, "AT_ONCE", 2)


def take_in(client: Client, file: LotFile) -> Any:
    return client.post(reverse("lot-import-take-in", args=[file.lot, file.pk]))


def test_a_long_list_becomes_a_job_and_its_lines_are_there_when_it_is_done(
    lot: Lot, logged_in: Callable[..., Client], long_at_two: None
) -> None:
    client, file = logged_in(Role.RECEIVING), saved(lot, LIST, "list.csv")
    answer = take_in(client, file)
    job = Job.objects.get()
    assert answer["Location"] == reverse("job", args=[job.pk]) and not lot.lines.exists()
    assert take_in(client, file)["Location"] == answer["Location"]  # one job about one file
    assert worker.work_off()[JobState.DONE] == 1
    assert [line.expected for line in lot.lines.order_by("number")] == [4, 6]
    assert "2 lines imported" in str(Job.objects.get().progress)
    page = client.get(answer["Location"]).content.decode()
    assert lot.get_absolute_url() in page


def test_a_short_list_is_taken_in_at_once(lot: Lot, logged_in: Callable[..., Client]) -> None:
    answer = take_in(logged_in(Role.RECEIVING), saved(lot, LIST, "list.csv"))
    assert answer["Location"] == lot.get_absolute_url() and lot.lines.count() == 2 and not Job.objects.exists()


def test_a_job_that_did_it_and_died_does_not_do_it_again(lot: Lot, long_at_two: None) -> None:
    file, by = saved(lot, LIST, "list.csv"), make_user("rowan", Role.RECEIVING)
    list_job.start(file, by, sure=False)
    worker.work_off()
    Job.objects.update(state=JobState.WAITING)
    assert worker.work_off()[JobState.DONE] == 1 and lot.lines.count() == 2


def test_a_job_says_why_a_list_cannot_be_taken_in(lot: Lot, long_at_two: None) -> None:
    file = saved(lot, LIST.replace(b"used", b"in a tin"), "list.csv")
    list_job.start(file, make_user("rowan", Role.RECEIVING), sure=False)
    worker.work_off()
    job = Job.objects.get()
    assert job.state == JobState.FAILED and "nothing was imported" in job.trouble and not lot.lines.exists()


@pytest.fixture
def readings() -> tuple[User, ReadingsFile]:
    make_policy()
    by, tester = make_user("bo", Role.BENCH), make_tester()
    make_shift(by, tester)
    valve = make_valve()
    rows = "".join(f"{valve.serial},{section},1.2,1.6\n" for section in (1, 2))
    data = f"serial,section,Ia mA,gm mA/V\n{rows}".encode()
    return by, readings_import.receive(tester, timezone.localdate(), "a.csv", data, by, gm_unit="mA/V")


def test_a_long_file_of_readings_becomes_a_job(readings: tuple[User, ReadingsFile], long_at_two: None) -> None:
    by, file = readings
    client = Client()
    client.force_login(by)
    answer = client.post(reverse("readings-take-in", args=[file.pk]))
    assert answer["Location"] == reverse("job", args=[Job.objects.get().pk]) and not Reading.objects.exists()
    worker.work_off()
    job = Job.objects.get()
    assert (job.state, job.result) == (JobState.DONE, {"readings": 2, "graded": 1}), job.trouble
    assert Reading.objects.count() == 2


def test_its_valves_are_judged_while_none_of_them_is_held_and_go_on_where_it_was_interrupted(
    readings: tuple[User, ReadingsFile], monkeypatch: pytest.MonkeyPatch
) -> None:
    by, file = readings
    judge_all = judging.judge_all

    def breaks(*args: Any) -> Any:
        raise OSError("the power went")

    monkeypatch.setattr(judging, "judge_all", breaks)
    readings_job.start(file, by, sure=False)
    worker.work_off()
    assert Reading.objects.count() == 2 and not Grade.objects.exists()
    held: list[bool] = []
    nesting = len(connection.savepoint_ids)

    def judged(*args: Any) -> Any:
        held.append(len(connection.savepoint_ids) > nesting)
        return judge_all(*args)

    monkeypatch.setattr(judging, "judge_all", judged)
    Job.objects.update(state=JobState.WAITING, attempts=0, not_before=None)
    worker.work_off()
    assert Reading.objects.count() == 2 and Grade.objects.get(current=True).given_by == by
    assert held == [False]


def test_what_was_changed_since_it_was_looked_over_is_not_taken_in(lot: Lot) -> None:
    file = saved(lot, LIST, "list.csv")
    stale = LotFile.objects.get(pk=file.pk)
    LotFile.objects.filter(pk=file.pk).update(choices={**file.choices, "heading": 2})
    from stockroom.imports.keeping import NotReady
    from stockroom.receiving import list_import

    with pytest.raises(NotReady, match="was changed meanwhile"):
        list_import.take_in(stale, None)


def test_valves_that_waited_are_judged_before_anything_is_locked(
    shift: Any,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    read_here(shift)
    house_nominals.learn(shift.tester, point(), owner())
    order: list[str] = []
    judge_all, hold_valves = judging.judge_all, regrading.hold_valves
    monkeypatch.setattr(judging, "judge_all", lambda *args: order.append("judged") or judge_all(*args))
    monkeypatch.setattr(regrading, "hold_valves", lambda *args: order.append("held") or hold_valves(*args))
    assert len(waiting.grade_them(shift.tester, point(), owner())) == 10
    assert order == ["judged", "judged", "held"]
