"""A line, a despatch or a price written by mistake is put right, and the daybook keeps what stood there."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from grading.listings import publishing
from grading.orders import corrections, fulfilment
from stockroom.models import Entry, Listing, Order, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, make_type, make_user, make_valve
from tests.orders.test_filling_an_order import fill, order_for, send

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


@pytest.fixture
def single(by: User) -> Order:
    graded(make_valve(make_type()), 1.2, 1.6)
    return fill(order_for(set_size=1, max_spread_percent=None), by)


def test_a_line_takes_another_number_and_price(logged_in: Callable[..., Client], single: Order) -> None:
    line, client = single.lines.get(), logged_in(Role.SALES)
    address = reverse("order-line-change", args=[single.number, line.pk])
    assert address in client.get(single.get_absolute_url()).content.decode()
    client.post(address, {"quantity": "2", "unit_price": "27,50", "note": "gold pins", "best_grades": "2"})
    line.refresh_from_db()
    assert (line.quantity, line.unit_price, line.note) == (2, Decimal("27.50"), "gold pins")
    single.refresh_from_db()
    assert single.state == Order.State.OPEN, "one is still to be set aside"
    assert "no price → 2 items of 12AX7 at GBP\N{NO-BREAK SPACE}27.50" in Entry.objects.filter(order=single)[0].text


def test_no_fewer_than_are_set_aside(single: Order, by: User) -> None:
    line = single.lines.get()
    with pytest.raises(fulfilment.CannotPull, match="1 of this line are set aside"):
        corrections.change_line(line, 0, None, "", by)


@pytest.mark.parametrize(("quantity", "said"), [("100000", "at most 30000"), ("5000", "send it again")])
def test_a_quantity_beyond_belief_is_asked_about(
    logged_in: Callable[..., Client], single: Order, quantity: str, said: str
) -> None:
    line = {"type": "12AX7", "set_size": "1", "quantity": quantity, "sealed": "", "best_grades": "2", "unit_price": "5"}
    assert said in logged_in(Role.SALES).post(single.get_absolute_url(), line).content.decode()
    assert single.lines.count() == 1


def test_a_tracking_number_too_long_is_refused_and_kept(logged_in: Callable[..., Client], single: Order) -> None:
    fulfilment.pull(single, Valve.objects.get(), make_user("pat"))
    long = "RM" + "7" * 88
    page = logged_in(Role.SALES).post(reverse("order-despatch", args=[single.number]), {"tracking": long})
    assert "at most 80 characters" in page.content.decode() and long in page.content.decode()
    single.refresh_from_db()
    assert single.state == Order.State.PULLED and not single.despatches.exists()


def test_how_it_was_sent_is_corrected(logged_in: Callable[..., Client], single: Order, by: User) -> None:
    send(single, by)
    client = logged_in(Role.SALES)
    client.post(reverse("despatch-correct", args=["D0001"]), {"carrier": "Parcel", "tracking": "AB2"})
    assert Order.objects.get().despatches.get().tracking == "AB2"
    said = Entry.objects.get(action="despatch-corrected").text
    assert "AB1" in said and "AB2" in said


def test_what_was_not_sent_is_here_again(logged_in: Callable[..., Client], single: Order, by: User) -> None:
    send(single, by)
    page = logged_in(Role.SALES).post(reverse("despatch-undo", args=["D0001"]), {"why": "the wrong box"}, follow=True)
    assert "is here, pulled from the shelves" in page.content.decode()
    order, valve = Order.objects.get(), Valve.objects.get()
    assert order.state == Order.State.PULLED and valve.state != State.DESPATCHED
    assert Entry.objects.filter(action="despatch-undone", valve=valve).exists()
    fulfilment.despatch(order, "Post", "AB3", by)
    assert Valve.objects.get().state == State.DESPATCHED


def test_what_came_back_was_sent(single: Order, by: User) -> None:
    fulfilment.take_back(send(single, by), Valve.objects.get(), "hums", by)
    with pytest.raises(fulfilment.CannotPull, match="came back"):
        corrections.undo_despatch(single, "a slip", by)
    assert Order.objects.get().state == Order.State.DESPATCHED


def test_a_listing_takes_another_price(logged_in: Callable[..., Client], by: User) -> None:
    valve = make_valve(make_type())
    graded(valve, 1.2, 1.6)
    valve.refresh_from_db()
    listing = publishing.publish([valve], "12AX7", "", Decimal(5), "GBP", by)
    client, address = logged_in(Role.SALES), reverse("listing-price", args=[listing.number])
    client.post(address, {"price": "50"})
    assert Listing.objects.get().price == 50
    assert "GBP\N{NO-BREAK SPACE}5.00 → GBP\N{NO-BREAK SPACE}50.00" in Entry.objects.get(action="repriced").text
    publishing.end(Listing.objects.get(), by)
    assert "list it again at another price" in client.post(address, {"price": "60"}).content.decode()
