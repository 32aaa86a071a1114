"""Writing a new version of the policy, and seeing what a re-grade would change before it does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from grading.models import Grade, Policy, Tester
from grading.verdicts import judging, regrading
from stockroom.jobs import worker
from stockroom.models import Entry, Job, JobState, Valve
from stockroom.site.people import Role
from tests.factories import graded, make_policy, make_type, make_valve, make_valves, read

pytestmark = pytest.mark.django_db


@pytest.fixture
def valve() -> Valve:
    valve = make_valve(make_type())
    graded(valve, gm=1.5)  # 94 % of nominal: Excellent under the first policy
    return valve


def form(page: Any, **changes: Any) -> dict[str, Any]:
    """The new-version form as the browser would send it, with some boxes changed."""
    data: dict[str, Any] = {
        "title": "Stricter",
        "level-TOTAL_FORMS": str(len(page.context["levels"].forms)),
        "level-INITIAL_FORMS": "3",
        "level-MIN_NUM_FORMS": "0",
        "level-MAX_NUM_FORMS": "10",
    }
    own = page.context["own"]
    data |= {f"own-{name}": str(value) for name, value in own.management_form.initial.items()}
    for part in (page.context["form"], *page.context["levels"].forms, *own.forms):
        for bound in part:
            value = bound.value()
            if isinstance(value, list | tuple):
                data |= {bound.html_name: list(value)} if value else {}
            elif value not in (None, False):
                data.setdefault(bound.html_name, "on" if value is True else str(value))
    return {**data, **changes}


def write_version(client: Client, **changes: Any) -> Policy:
    page = client.get("/policy/new/")
    answer = client.post("/policy/new/", form(page, **changes))
    assert answer.status_code == 302, answer.context["form"].errors
    return Policy.objects.first()  # type: ignore[return-value]


def test_a_new_version_is_a_new_row_and_not_in_force(valve: Valve, logged_in: Callable[..., Client]) -> None:
    made = write_version(logged_in(Role.OWNER), **{"level-0-gm_min_percent": "96"})
    assert made.version == 2 and not made.in_force and Policy.current().version == 1
    assert made.parsed.levels[0].gm_min_percent == 96
    assert made.parsed.levels[1:] == Policy.current().parsed.levels[1:]


def test_the_effect_is_worked_out_behind_the_pages_and_shown_before_anything_changes(
    valve: Valve, logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.OWNER)
    write_version(client, **{"level-0-gm_min_percent": "96"})
    page = client.get("/policy/2/effect/").content.decode()
    assert "waits for its turn" in page and 'http-equiv="refresh"' in page and "would get another" not in page
    worker.work_off()
    page = client.get("/policy/2/effect/").content.decode()
    assert "1 would get another grade" in page and valve.serial in page
    assert "Excellent wants 96 %" in page and "Nothing has been changed yet" in page
    assert valve.grades.get(current=True).name == "Excellent"


def test_the_page_of_an_effect_judges_no_valve(
    valve: Valve, logged_in: Callable[..., Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    client = logged_in(Role.OWNER)
    monkeypatch.setattr(judging, "judge_all", lambda *args: pytest.fail("a page view must not reckon"))
    page = client.get("/policy/1/effect/").content.decode()
    assert "Work out what it would change" in page and not Job.objects.exists()
    client.post("/policy/1/effect/", {"work-out": "1"})
    client.post("/policy/1/effect/", {"work-out": "1"})
    client.post("/policy/1/effect/", {"regrade": "1"})
    assert client.get("/policy/1/effect/").status_code == 200
    assert sorted(Job.objects.values_list("kind", flat=True)) == ["policy effect", "regrade"]


def regraded(client: Client, version: int = 2) -> Job:
    client.post(f"/policy/{version}/effect/", {"regrade": "1"})
    worker.work_off()
    return Job.objects.filter(kind="regrade").latest("pk")


def test_regrading_gives_new_grades_and_keeps_the_old_ones(valve: Valve, logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    write_version(client, **{"level-0-gm_min_percent": "96"})
    assert regraded(client).result == {"graded": 1}
    assert Policy.current().version == 2
    assert valve.grades.get(current=True).name == "Good"
    assert Grade.objects.filter(valve=valve).count() == 2
    assert Entry.objects.get(action="regraded").text.startswith("Re-graded 1 valve by")
    assert "1 valve was graded by it" in client.get("/policy/2/effect/").content.decode()


@pytest.fixture
def seven(valve: Valve, logged_in: Callable[..., Client], monkeypatch: pytest.MonkeyPatch) -> list[Valve]:
    """Seven valves graded Excellent, a stricter policy in force, and pieces of two."""
    monkeypatch.setattr(regrading, "PIECE", 2)
    valves = [valve, *make_valves(make_type(), 6)]
    for one in valves[1:]:
        graded(one, gm=1.5)
    write_version(logged_in(Role.OWNER), **{"level-0-gm_min_percent": "96"})
    return valves


def names(valves: list[Valve]) -> list[str]:
    """The current grades, one a valve."""
    by_valve = {grade.valve_id: grade.name for grade in Grade.objects.filter(current=True)}
    return [by_valve[valve.pk] for valve in valves]


def start(by: Any = None) -> worker.Hand:
    Job.objects.all().delete()
    assert regrading.put_in_force(Policy.objects.get(version=2), by, regrade=True)
    job = worker.claim()
    assert job is not None
    return worker.Hand(job)


def test_nothing_is_judged_while_the_database_is_locked(seven: list[Valve], monkeypatch: pytest.MonkeyPatch) -> None:
    outside, depths = len(connection.savepoint_ids), []
    judge = judging.judge

    def watched(*args: Any) -> Any:
        depths.append(len(connection.savepoint_ids))
        return judge(*args)

    monkeypatch.setattr(judging, "judge", watched)
    assert worker.do(start()) == JobState.DONE
    assert names(seven) == ["Good"] * 7 and depths == [outside] * 7


def test_a_regrade_that_was_cut_off_goes_on_behind_the_last_piece(
    seven: list[Valve], monkeypatch: pytest.MonkeyPatch
) -> None:
    hand, piece, pieces = start(), regrading.regrade_piece, []

    def cut_off(*args: Any) -> int:
        if len(pieces) == 2:
            raise SystemExit  # as far as the records go, like a kill
        pieces.append(args)
        return piece(*args)

    with monkeypatch.context() as killed, pytest.raises(SystemExit):
        killed.setattr(regrading, "regrade_piece", cut_off)
        worker.do(hand)
    assert names(seven) == ["Good"] * 4 + ["Excellent"] * 3
    Job.objects.update(alive_at=timezone.now() - 2 * worker.LOST_AFTER)
    worker.work_off()
    job = Job.objects.get()
    assert job.is_done and job.result == {"graded": 7} and job.progress["text"] == "6 of 7 valves"
    assert names(seven) == ["Good"] * 7 and Grade.objects.count() == 14
    assert Entry.objects.filter(action="regraded").count() == 1


def test_a_valve_read_between_judging_and_writing_is_judged_again(
    seven: list[Valve], monkeypatch: pytest.MonkeyPatch
) -> None:
    judge_all, meanwhile = judging.judge_all, []

    def then_something_happens(valves: Any, policy: Policy) -> Any:
        judged = judge_all(valves, policy)
        if not meanwhile:
            meanwhile.append(1)
            read(seven[0], ia=1.2, gm=0.7)
        return judged

    monkeypatch.setattr(judging, "judge_all", then_something_happens)
    hand = start()
    assert worker.do(hand) == JobState.DONE
    assert Job.objects.get().result == {"graded": 7}
    grade = Grade.objects.get(valve=seven[0], current=True)
    assert grade.readings.count() > 2 and names(seven)[0] not in ("Excellent", "Good")
    assert names(seven)[1:] == ["Good"] * 6


def test_what_becomes_known_of_a_tester_between_judging_and_writing_is_reckoned_with(
    seven: list[Valve], monkeypatch: pytest.MonkeyPatch
) -> None:
    judge_all, judged_times = judging.judge_all, []

    def then_the_tester_changes(valves: Any, policy: Policy) -> Any:
        judged = judge_all(valves, policy)
        judged_times.append(len(judged.judged))
        if len(judged_times) == 1:
            Tester.objects.update(note="found to drift")
        return judged

    monkeypatch.setattr(judging, "judge_all", then_the_tester_changes)
    assert worker.do(start()) == JobState.DONE
    assert judged_times == [2, 2, 2, 2, 1]


def test_a_regrade_ends_when_another_policy_comes_in_force(seven: list[Valve]) -> None:
    hand = start()
    Policy.objects.update(in_force=False)
    Policy.objects.filter(version=1).update(in_force=True)
    assert worker.do(hand) == JobState.FAILED
    assert "is no longer in force" in Job.objects.get().trouble and names(seven) == ["Excellent"] * 7


def test_it_can_be_put_in_force_for_new_readings_only(valve: Valve, logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    write_version(client, **{"level-0-gm_min_percent": "96"})
    client.post("/policy/2/effect/")
    assert Policy.current().version == 2 and valve.grades.get(current=True).name == "Excellent"


def test_a_policy_that_cannot_be_is_refused_and_stays_in_the_form(logged_in: Callable[..., Client]) -> None:
    make_policy()
    client = logged_in(Role.OWNER)
    page = client.get("/policy/new/")
    answer = client.post("/policy/new/", form(page, **{"level-1-name": "Excellent", "title": "Twice the same"}))
    assert "Two grades have the same name" in answer.content.decode()
    assert "Twice the same" in answer.content.decode() and Policy.objects.count() == 1


def test_a_guarded_rule_wants_its_number(logged_in: Callable[..., Client]) -> None:
    make_policy()
    client = logged_in(Role.OWNER)
    answer = client.post("/policy/new/", form(client.get("/policy/new/"), rule="guarded", guard_factor=""))
    assert "This rule needs the number" in answer.content.decode()


def test_the_policy_page_shows_the_demands(logged_in: Callable[..., Client]) -> None:
    make_policy()
    page = logged_in(Role.SALES).get("/policy/1/").content.decode()
    assert "Excellent" in page and "Heater-cathode leakage at most" in page


def test_one_kind_of_valve_can_have_limits_of_its_own_which_the_next_version_keeps(
    logged_in: Callable[..., Client],
) -> None:
    make_policy()
    client = logged_in(Role.OWNER)
    own = {
        "own-0-kind": "beam tetrode",
        "own-0-grade": "Excellent",
        "own-0-rule": "grid_current_max_ua",
        "own-0-value": "3,5",
    }
    made = write_version(client, **own)
    first = made.parsed.levels[0]
    assert [first.for_kind(kind).grid_current_max_ua for kind in ("beam tetrode", "triode")] == [3.5, 1]
    page = client.get(f"/policy/{made.version}/").content.decode()
    assert "beam tetrode" in page and "3.5" in page
    Policy.objects.filter(in_force=True).update(in_force=False)
    Policy.objects.filter(pk=made.pk).update(in_force=True)
    assert write_version(client, **{"level-0-gm_min_percent": "96"}).parsed.levels[0].by_kind == first.by_kind


def test_a_limit_for_a_grade_that_there_is_not_is_refused(logged_in: Callable[..., Client]) -> None:
    make_policy()
    client = logged_in(Role.OWNER)
    page = client.get("/policy/new/")
    own = {"own-0-kind": "rectifier", "own-0-grade": "Splendid", "own-0-rule": "gm_min_percent", "own-0-value": "x"}
    assert "“x” is not a number." in client.post("/policy/new/", form(page, **own)).content.decode()
    answer = client.post("/policy/new/", form(page, **{**own, "own-0-value": "50"}))
    assert "“Splendid”, which is none of the grades" in answer.content.decode()


def test_a_grade_can_be_kept_from_what_was_not_read(valve: Valve, logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    made = write_version(client, **{"level-0-must_be_read": ["heater-cathode leakage", "noise"]})
    assert made.parsed.levels[0].must_be_read == ("heater-cathode leakage", "noise")
    assert "heater-cathode leakage, noise" in client.get(f"/policy/{made.version}/").content.decode()
    worker.work_off()
    effect = client.get(f"/policy/{made.version}/effect/").content.decode()
    assert "section 1: heater-cathode leakage was not read; Excellent wants it" in effect
