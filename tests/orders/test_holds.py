"""What is set aside is so until a time, then free again; not where money has come or somebody has it in hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from threading import Event

import pytest
from django.contrib.auth.models import User
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.orders import fulfilment, holds
from grading.orders.fulfilment import CannotPull
from grading.orders.holds import CannotHold
from stockroom.jobs import worker
from stockroom.models import Allocation, Entry, Order, OrderLine, Payment, Shop, Valve
from stockroom.money import invoicing
from stockroom.site.people import Role
from tests.factories import graded, make_type, make_user, make_valve
from tests.orders.test_filling_an_order import order_for

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


@pytest.fixture
def valve() -> Valve:
    valve = make_valve(make_type())
    graded(valve)
    return valve


def held(valve: Valve, by: User) -> Order:
    line = order_for(set_size=1, max_spread_percent=None, unit_price=Decimal(10))
    fulfilment.accept(line, [valve], by)
    return Order.objects.get(pk=line.order_id)


def run_out(order: Order) -> None:
    Order.objects.filter(pk=order.pk).update(held_until=timezone.now() - timedelta(minutes=1))


def test_it_is_set_aside_for_as_many_days_as_the_shop_says(valve: Valve, by: User) -> None:
    shop = Shop.own()
    shop.hold_days = 3
    shop.save()
    until = held(valve, by).held_until
    assert until and timedelta(days=2.99) < until - timezone.now() < timedelta(days=3.01)


def test_a_shop_without_days_holds_for_ever(valve: Valve, by: User) -> None:
    Shop.own()
    Shop.objects.update(hold_days=None)
    assert held(valve, by).held_until is None


def test_what_has_run_out_is_freed_by_the_worker_and_said(valve: Valve, by: User) -> None:
    order = held(valve, by)
    worker.do_chores()
    assert Allocation.objects.filter(live=True).exists(), "its time is not over"
    run_out(order)
    call_command("work_jobs")
    order.refresh_from_db()
    assert (order.state, order.held_until) == (Order.State.OPEN, None)
    assert not Allocation.objects.filter(live=True).exists()
    assert "its goods are free again" in Entry.objects.get(action="hold-over").text


def test_the_worker_that_goes_on_does_its_chores(valve: Valve, by: User, monkeypatch: pytest.MonkeyPatch) -> None:
    stop = Event()
    monkeypatch.setitem(worker.CHORES, "last", stop.set)
    monkeypatch.setitem(worker.CHORES, "bad", lambda: 1 / 0)
    monkeypatch.setattr(worker, "close_old_connections", lambda: None)
    monkeypatch.setattr(worker.connections, "close_all", lambda: None)
    run_out(held(valve, by))
    worker.work_forever(stop)
    assert not Allocation.objects.filter(live=True).exists()


@pytest.mark.parametrize("why", ["money", "pulled"])
def test_what_is_paid_or_off_its_shelf_does_not_run_out(why: str, valve: Valve, by: User) -> None:
    order = held(valve, by)
    if why == "money":
        invoicing.enter_payment(Payment(order=order, amount=Decimal(1)), by)
    else:
        fulfilment.pull(order, valve, by)
    run_out(order)
    assert holds.release_expired() == [] and Allocation.objects.filter(live=True).exists()


def test_whoever_sets_it_aside_next_need_not_wait_for_the_worker(valve: Valve, by: User) -> None:
    first = held(valve, by)
    second = order_for(set_size=1, max_spread_percent=None)
    with pytest.raises(CannotPull, match="has just been set aside for another order"):
        fulfilment.accept(second, [valve], by)
    run_out(first)
    fulfilment.accept(second, [valve], by)
    assert Allocation.objects.get(live=True).order_line == second


def test_a_page_writes_nothing_though_the_time_is_over(
    valve: Valve, by: User, logged_in: Callable[..., Client]
) -> None:
    order = held(valve, by)
    run_out(order)
    page = logged_in(Role.SALES).get(order.get_absolute_url()).content.decode()
    assert "is free again any moment" in page and Allocation.objects.filter(live=True).exists()


def test_what_has_run_out_is_not_pulled_unless_it_is_held_anew(valve: Valve, by: User) -> None:
    order = held(valve, by)
    run_out(order)
    with pytest.raises(CannotPull, match="Say on its page for how long"):
        fulfilment.pull(order, valve, by)
    holds.hold_until(order, timezone.now() + timedelta(hours=1), by)
    assert fulfilment.pull(order, valve, by) == 0


def test_another_time_is_said_on_the_page(valve: Valve, by: User, logged_in: Callable[..., Client]) -> None:
    order, client = held(valve, by), logged_in(Role.SALES)
    address = reverse("order-hold", args=[order.number])
    page = client.post(address, {"until": "2020-01-01T10:00"}).content.decode()
    assert "has passed. Say a time to come." in page and 'value="2020-01-01T10:00"' in page
    client.post(address, {"until": "2099-01-01T10:00"})
    assert "Set aside until 1 Jan 2099, 10:00" in client.get(order.get_absolute_url()).content.decode()
    client.post(address, {"until": ""})
    assert Order.objects.get().held_until is None
    Order.objects.update(state="despatched")
    with pytest.raises(CannotHold, match="nothing of it is set aside"):
        holds.hold_until(order, None, by)


def test_today_names_what_is_soon_free_again_and_not_paid(
    valve: Valve, by: User, logged_in: Callable[..., Client]
) -> None:
    order, client = held(valve, by), logged_in(Role.SALES)
    assert "has not paid" not in client.get("/").content.decode()
    holds.hold_until(order, timezone.now() + timedelta(hours=5), by)
    assert "Ada Quill has not paid" in client.get("/").content.decode()
    invoicing.enter_payment(Payment(order=order, amount=Decimal(10)), by)
    assert "has not paid" not in client.get("/").content.decode()


def test_a_new_item_begins_no_new_time_while_one_runs(valve: Valve, by: User) -> None:
    order = held(valve, by)
    run_out(order)
    until = timezone.now() + timedelta(hours=1)
    Order.objects.update(held_until=until)
    more = make_valve(make_type())
    graded(more)
    line: OrderLine = order.lines.create(type=make_type())
    fulfilment.accept(line, [more], by)
    assert Order.objects.get().held_until == until
