"""No set is never all that a page says: it says why, by number, and which change would bring most."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from grading.models import Demand, MatchRun, Policy
from grading.sets import making, runs
from grading.sets.runs import Ask
from stockroom.jobs import worker
from stockroom.models import Customer, Order, Valve
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_policy, make_type, make_user, make_valves

pytestmark = pytest.mark.django_db


def far_apart() -> list[Valve]:
    """Two valves 4 % from each other, one of a lower grade that goes with the first, one that was read on a scale's
    divisions alone, one not tested yet, and a pair that stands."""
    make_policy()
    valves = make_valves(make_type(), 7)
    graded_all([(valves[0], 1.2, 1.60), (valves[1], 1.2, 1.664), (valves[2], 1.0, 1.30)])
    graded(valves[3], ia=1.2, gm=None)
    graded_all([(valves[5], 1.2, 1.8), (valves[6], 1.2, 1.85)])
    making.make_set(valves[5:], 5, make_user())
    return valves


def test_the_page_that_proposes_sets_says_why_there_is_none(logged_in: Callable[..., Client]) -> None:
    far_apart()
    asked = {"type": "12AX7", "size": "2", "tolerance_percent": "2", "best_grades": "1"}
    client = logged_in(Role.BENCH)
    page = client.get("/sets/make/", asked).content.decode()
    assert "Why there is none" in page
    assert "No set of 2 valves is within the tolerance even as read." in page
    assert "The first set stands at 4" in page and "What would help most: ask for 4" in page
    assert "2 are in sets, listed or set aside" in page and "1 is of a lower grade" in page
    assert "1 has no grade yet" in page
    looser = client.get("/sets/make/", asked | {"tolerance_percent": "5"}).content.decode()
    assert "1 set can be made" in looser and "Why there is none" not in looser


def test_a_lower_grade_that_would_bring_a_set_is_named_as_what_helps(logged_in: Callable[..., Client]) -> None:
    make_policy()
    valves = make_valves(make_type(), 2)
    graded_all([(valves[0], 1.2, 1.50), (valves[1], 1.2, 1.46)])
    assert [valve.grades.get().rank for valve in valves] == [1, 2]
    asked = {"type": "12AX7", "size": "2", "tolerance_percent": "5", "best_grades": "1"}
    page = logged_in(Role.BENCH).get("/sets/make/", asked).content.decode()
    assert "Of 1 valve 1 can join a set at all; a set takes 2." in page
    assert "What would help most: take in the best 2 grades (1 set)." in page


def test_a_run_that_finds_none_shows_why(logged_in: Callable[..., Client]) -> None:
    far_apart()
    ask = Ask(2, (("tight", 1.0, 100.0),), best_grades=1, time_limit_s=2)
    run = runs.start(make_type(), ask, make_user())
    worker.work_off()
    page = logged_in(Role.BENCH).get(MatchRun.objects.get(pk=run.pk).get_absolute_url()).content.decode()
    assert "Why there is none" in page and "No set of 2 valves is within the tolerance even as read." in page


def test_a_plan_says_of_each_demand_why_nothing_is_made_for_it(logged_in: Callable[..., Client]) -> None:
    far_apart()
    Demand.objects.create(type=make_type(), size=2, within_percent=1, price=90, wanted=2)
    Demand.objects.create(type=make_type(), size=2, within_percent=5, price=20, wanted=2)
    Demand.objects.create(type=make_type(), size=1, within_percent=0, price=30, wanted=9)
    client = logged_in(Role.SALES)
    client.post("/demand/12AX7/plan/", {"best_grades": "1"})
    worker.work_off()
    page = client.get("/demand/12AX7/").content.decode()
    tight, loose = page.split("<h3>No ")[1:]
    assert "matched pair within 1 %" in tight and "No set of 2 valves is within the tolerance even as read." in tight
    assert "matched pair within 5 %" in loose
    assert "1 such set could be made; their valves earn more in what the plan makes of them." in loose


@pytest.mark.parametrize(
    ("size", "said"),
    [(2, "No set of 2 valves is within the tolerance even as read."), (1, "2 are in sets, listed or set aside")],
)
def test_an_order_line_that_nothing_meets_says_why(size: int, said: str, logged_in: Callable[..., Client]) -> None:
    valves = far_apart()
    if size == 1:
        for valve in valves[:2]:
            graded(valve, gm=0.9)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(
        type=make_type(), set_size=size, max_spread_percent=1 if size > 1 else None, best_grades=1
    )
    page = logged_in(Role.SALES).post(reverse("order-propose", args=["R0001", line.pk])).content.decode()
    assert "Why there is none" in page and said in page


def test_what_guard_bands_take_is_told_by_number(logged_in: Callable[..., Client]) -> None:
    """The tester repeats within some per cent only: as read there is a pair, and none is sure enough."""
    from tests.listings.test_values_as_graded import well_known_shift

    shift, valves = well_known_shift(), make_valves(make_type(), 2)
    graded_all([(valves[0], 1.2, 1.60), (valves[1], 1.2, 1.62)], shift=shift)
    asked = {"type": "12AX7", "size": "2", "tolerance_percent": "2", "best_grades": "1"}
    page = logged_in(Role.BENCH).get("/sets/make/", asked).content.decode()
    assert "1 set, 2 of 2 valves, could be made within the tolerance as read; none of it are sure enough" in page
    assert "% of the tolerance" in page or "does not repeat well enough" in page
    assert Policy.current().parsed.match_probability == 0.95
