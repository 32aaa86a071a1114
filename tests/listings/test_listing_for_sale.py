"""Listing a valve or a set, and what the public sees of it."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.contrib.auth.models import User
from django.test import Client

from grading.listings import publishing
from grading.sets import making
from stockroom.models import Allocation, Customer, Listing, Order, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, make_type, make_user, make_valve, make_valves

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


@pytest.fixture
def pair(by: User) -> list[Valve]:
    valves = make_valves(make_type(), 2)
    for valve, gm in zip(valves, (1.60, 1.62), strict=True):
        graded(valve, ia=1.2, gm=gm)
    making.make_set(valves, 5, by)
    return list(Valve.objects.all())


def publish(valves: list[Valve], by: User) -> Listing:
    return publishing.publish(valves, "A fine thing", "As found.", Decimal("48.00"), "GBP", by)


def test_a_listed_valve_moves_to_listed_and_back_when_it_ends(by: User) -> None:
    valve = make_valve(make_type())
    graded(valve)
    made = publish([valve], by)
    valve.refresh_from_db()
    assert valve.state == State.LISTED
    publishing.end(made, by)
    valve.refresh_from_db()
    assert valve.state == State.GRADED
    with pytest.raises(publishing.CannotList, match="ended already"):
        publishing.end(made, by)


def test_the_public_reads_price_readings_and_spread_without_a_login(pair: list[Valve], by: User) -> None:
    made = publish(pair, by)
    page = Client().get(made.get_absolute_url()).content.decode()
    assert "48.00" in page and "1.62" in page and "How closely they match" in page and "Caution" in page
    assert made.title in Client().get("/for-sale/").content.decode()


def test_the_sections_of_a_valve_stand_in_their_order_whichever_was_read_first(by: User) -> None:
    valve = make_valve(make_type())
    graded(valve)
    laid = Client().get(publish([valve], by).get_absolute_url()).context["readings"]
    section = laid.heads.index("n:Section")
    assert [(row.cells[0].text, row.cells[section].text) for row in laid.rows] == [(valve.serial, 1), ("", 2)]


def test_what_is_set_aside_is_no_longer_offered_but_its_page_stays(pair: list[Valve], by: User) -> None:
    made = publish(pair, by)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(type=make_type(), set_size=2)
    Allocation.objects.create(order_line=line, item=1, valve=pair[0])
    assert made.title not in Client().get("/for-sale/").content.decode()
    assert "no longer available" in Client().get(made.get_absolute_url()).content.decode()


def test_an_untested_valve_and_half_a_set_cannot_be_listed(pair: list[Valve], by: User) -> None:
    with pytest.raises(publishing.CannotList, match="only graded or matched"):
        publish([make_valve(make_type())], by)
    with pytest.raises(publishing.CannotList, match="one whole set"):
        publish(pair[:1], by)


def test_an_unfit_valve_cannot_be_listed(by: User) -> None:
    valve = make_valve(make_type())
    graded(valve, gm=0.2)
    with pytest.raises(publishing.CannotList, match="no grade that may be sold"):
        publish([valve], by)


def test_the_description_starts_from_the_records_and_no_more(pair: list[Valve]) -> None:
    assert publishing.describe(pair).startswith("Bought in as: NOS boxed. Graded Excellent on our own bench.")
    assert publishing.title(pair) == "12AX7 matched pair"


def test_listing_through_the_page_keeps_what_was_typed_when_the_price_is_missing(
    pair: list[Valve], logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.SALES)
    address = f"/listings/new/?set={pair[0].memberships.get().set.number}"
    page = client.post(address, {"title": "Kept", "text": "Kept too", "price": "", "currency": "GBP"}).content.decode()
    assert "Kept too" in page and not Listing.objects.exists()
    assert client.post(address, {"title": "T", "text": "", "price": "-1", "currency": "GBP"}).status_code == 200
    assert client.post(address, {"title": "T", "text": "", "price": "50", "currency": "GBP"}).status_code == 302
    assert Listing.objects.get().listed.count() == 2


def test_an_unknown_currency_is_refused(pair: list[Valve], logged_in: Callable[..., Client]) -> None:
    address = f"/listings/new/?set={pair[0].memberships.get().set.number}"
    page = logged_in(Role.SALES).post(address, {"title": "T", "text": "", "price": "5", "currency": "QQQ"})
    assert "is not a currency code" in page.content.decode()
