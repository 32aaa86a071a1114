"""Writing a new version of the policy, and seeing what a re-grade would change before it does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from grading.models import Grade, Policy
from stockroom.models import Valve
from stockroom.site.people import Role
from tests.factories import graded, make_policy, make_type, make_valve

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


def test_the_effect_is_shown_before_anything_changes(valve: Valve, logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    write_version(client, **{"level-0-gm_min_percent": "96"})
    page = client.get("/policy/2/effect/").content.decode()
    assert "1 would get another grade" in page and valve.serial in page
    assert "Excellent wants 96 %" in page
    assert valve.grades.get(standing=True).name == "Excellent"


def test_regrading_gives_new_grades_and_keeps_the_old_ones(valve: Valve, logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    write_version(client, **{"level-0-gm_min_percent": "96"})
    client.post("/policy/2/effect/", {"regrade": "1"})
    assert Policy.current().version == 2
    assert valve.grades.get(standing=True).name == "Good"
    assert Grade.objects.filter(valve=valve).count() == 2


def test_it_can_be_put_in_force_for_new_readings_only(valve: Valve, logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    write_version(client, **{"level-0-gm_min_percent": "96"})
    client.post("/policy/2/effect/")
    assert Policy.current().version == 2 and valve.grades.get(standing=True).name == "Excellent"


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
    effect = client.get(f"/policy/{made.version}/effect/").content.decode()
    assert "section 1: heater-cathode leakage was not read; Excellent wants it" in effect
