"""What a type is wanted for, what to make of its pool for that, and the set that costs an order's pool least."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from grading.matching import planning
from grading.models import Demand, MatchedSet
from grading.orders import candidates
from grading.sets import accepting, making, plans
from stockroom.jobs import worker
from stockroom.models import Customer, Job, JobState, Order, OrderLine, Valve
from stockroom.site.people import Role
from tests.factories import graded_all, make_policy, make_type, make_user, make_valves

pytestmark = pytest.mark.django_db


def make_pool(*gms: float) -> list[Valve]:
    make_policy()
    valves = make_valves(make_type(), len(gms))
    graded_all([(valve, 1.2, gm) for valve, gm in zip(valves, gms, strict=True)])
    return valves


def want(size: int, within: float, price: int, wanted: int) -> Demand:
    return Demand.objects.create(type=make_type(), size=size, within_percent=within, price=price, wanted=wanted)


def order_line(size: int = 2, within: float = 5) -> OrderLine:
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    return order.lines.create(type=make_type(), set_size=size, max_spread_percent=within, unit_price=50)


def test_the_plan_makes_what_earns_most() -> None:
    make_pool(1.50, 1.51, 1.60, 1.62, 1.75)
    want(2, 2, 100, 5)
    want(1, 0, 30, 5)
    found = plans.plan_for(make_type(), best_grades=2)
    assert sorted(len(one.valves) for one in found.made) == [1, 2, 2]
    assert found.value == found.bound == 230
    assert found.short == {"matched pair within 2 %": 3, "single": 4}


def test_where_singles_earn_more_no_set_is_made() -> None:
    make_pool(1.60, 1.61)
    want(2, 5, 40, 1)
    want(1, 0, 30, 2)
    found = plans.plan_for(make_type(), best_grades=2)
    assert [len(one.valves) for one in found.made] == [1, 1] and found.value == 60


def test_an_order_gets_the_set_that_costs_the_rest_least() -> None:
    """Three valves lie so near that two of them make a pair which sells for 100; the fourth goes with one of them at
    5 % only. The pair of the order (5 %) should not take two of the three: any of the three may go with the fourth."""
    a, b, c, far = make_pool(1.600, 1.602, 1.604, 1.660)
    want(2, 1, 100, 1)
    found = plans.least_loss(order_line())
    assert found is not None
    best, _ = found.choices[0]
    assert far.pk in {valve.pk for valve in best}
    assert "takes nothing from what the rest of the stock" in found.why and "next best" in found.why
    assert {a.pk, b.pk, c.pk} - {valve.pk for valve in best}, "two of the three are left to make the pair that sells"


def test_the_order_page_shows_the_least_loss_with_its_reason_and_the_second_best(
    logged_in: Callable[..., Client],
) -> None:
    make_pool(1.600, 1.602, 1.604, 1.660)
    want(2, 1, 100, 1)
    line = order_line()
    options = candidates.options(line)
    assert len(options) == 2 and options[0].why.startswith("Selling it takes nothing")
    page = logged_in(Role.SALES).get(f"/orders/{line.order}/lines/{line.pk}/candidates/").content.decode()
    assert "Selling it takes nothing from" in page and "The next best" in page
    reckoned = page.split("<summary>How it was weighed</summary>")[1]
    assert "linear programme" in reckoned and "linear programme" not in page.split("<summary>How it was weighed")[0]


def test_no_demand_written_down_is_said(logged_in: Callable[..., Client]) -> None:
    make_pool(1.6, 1.61)
    client = logged_in(Role.SALES)
    page = client.post("/demand/12AX7/plan/", {"best_grades": "2"}, follow=True).content.decode()
    assert "Nobody has written down what 12AX7 is wanted for." in page and not Job.objects.exists()
    assert "Nobody has written it down yet." in client.get("/demand/12AX7/").content.decode()


def test_demand_is_written_down_planned_and_the_sets_made(logged_in: Callable[..., Client]) -> None:
    make_pool(1.60, 1.61, 1.75)
    client = logged_in(Role.SALES)
    sent = {
        "demands-TOTAL_FORMS": "2",
        "demands-INITIAL_FORMS": "0",
        "demands-0-size": "2",
        "demands-0-within_percent": "5",
        "demands-0-price": "80",
        "demands-0-wanted": "3",
        "demands-1-size": "1",
        "demands-1-within_percent": "0",
        "demands-1-price": "20",
        "demands-1-wanted": "9",
    }
    assert client.post("/demand/12AX7/edit/", sent).status_code == 302
    page = client.post("/demand/12AX7/plan/", {"best_grades": "2"}, follow=True).content.decode()
    assert 'http-equiv="refresh"' in page and "waits for its turn" in page and "Plan the pool</button>" not in page
    worker.work_off()
    page = client.get("/demand/12AX7/").content.decode()
    assert "Income 100" in page and 'http-equiv="refresh"' not in page
    take = page.split('name="take" value="')[1].split('"')[0]
    client.post("/demand/12AX7/accept/", {"take": [take]})
    assert MatchedSet.objects.get().size == 2
    page = client.get("/demand/12AX7/").content.decode()
    assert "no longer free" in page and 'name="take"' not in page


def test_many_planned_sets_are_made_behind_the_pages(
    logged_in: Callable[..., Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(accepting, "FEW", 1)
    monkeypatch.setattr(accepting, "PIECE", 1)
    valves = make_pool(1.60, 1.61, 1.80, 1.81, 1.82)
    client = logged_in(Role.BENCH)
    take = [
        f"5:{one.serial} {other.serial}"
        for one, other in ((0, 1), (2, 3), (3, 4))
        for one, other in [(valves[one], valves[other])]
    ]
    client.post("/demand/12AX7/accept/", {"take": [*take, "5:nothing", "x:10000012"]})
    assert not MatchedSet.objects.exists()
    assert "Make 3 planned sets of 12AX7" in client.get("/demand/12AX7/").content.decode()
    worker.work_off()
    page = client.get("/demand/12AX7/").content.decode()
    assert MatchedSet.objects.count() == 2 and "Made 2 by one go" in page and "1 could not be made" in page


def test_a_plan_whose_worker_leaves_is_planned_by_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    make_pool(1.60, 1.61)
    want(2, 5, 80, 1)
    plans.start_planning(make_type(), 2, make_user())
    at_work, leaving = worker.claim(), threading.Event()
    assert at_work is not None
    leaving.set()
    plan = planning.plan

    def slow(*args: Any, should_stop: Callable[[], bool], **how: Any) -> planning.DemandPlan:
        should_stop()
        return plan(*args, **how)

    with monkeypatch.context() as slowly:
        slowly.setattr(planning, "plan", slow)
        assert worker.do(worker.Hand(at_work, leaving)) == JobState.WAITING
    worker.work_off()
    job = plans.latest(make_type())
    assert job is not None and job.is_done and not job.result["stopped"]


def test_a_set_without_a_tolerance_is_refused_and_the_rest_is_kept(logged_in: Callable[..., Client]) -> None:
    make_type()
    sent = {
        "demands-TOTAL_FORMS": "1",
        "demands-INITIAL_FORMS": "0",
        "demands-0-size": "4",
        "demands-0-within_percent": "0",
        "demands-0-price": "81",
        "demands-0-wanted": "3",
    }
    page = logged_in(Role.SALES).post("/demand/12AX7/edit/", sent).content.decode()
    assert "within how many per cent" in page and 'value="81"' in page


def test_a_set_that_stands_and_one_that_would_be_made_are_compared_in_money() -> None:
    """The pair made within 1 % would sell for 100; two that lie 4 % apart sell for 40, so those are the order's."""
    a, b, low, high = make_pool(1.600, 1.602, 1.40, 1.45)
    want(2, 1, 100, 1)
    want(2, 5, 40, 1)
    made = making.make_set([a, b], 1, make_user())
    options = candidates.options(order_line())
    assert [option.set for option in options] == [None, made]
    assert {valve.pk for valve in options[0].valves} == {low.pk, high.pk}
    assert options[0].why.startswith("Selling it takes 40.00 from")
    assert options[1].why.endswith("Selling it takes 100.00 from what the rest of the stock can be sold for.")


def test_of_a_set_that_stands_and_one_that_would_be_made_at_the_same_loss_the_one_that_stands_goes_first() -> None:
    a, b, _, _ = make_pool(1.600, 1.602, 1.601, 1.603)
    want(2, 5, 40, 2)
    made = making.make_set([a, b], 5, make_user())
    options = candidates.options(order_line())
    assert [option.set for option in options] == [made, None]
    assert options[0].why == (
        "Made within 5 %, the widest that meets the line. "
        "Selling it takes 40.00 from what the rest of the stock can be sold for."
    )


def test_where_nothing_has_a_price_no_money_is_named() -> None:
    make_pool(1.600, 1.602, 1.604)
    line = order_line()
    line.unit_price = None
    found = plans.least_loss(line)
    assert found is not None
    assert "no price" in found.why and "Selling it takes" not in found.why
    assert [loss.told for loss in found.losses] == [""] * len(found.choices)
