"""Somebody asks about what is for sale; the shop takes it as an order, or declines."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from grading.enquiries import asking
from grading.listings import publishing
from grading.orders.fulfilment import CannotPull
from stockroom.models import Allocation, Customer, Enquiry, Entry, Listing, Order, Shop
from stockroom.site.people import Role
from tests.factories import graded, make_type, make_user, make_valve

pytestmark = pytest.mark.django_db

ASKED: dict[str, Any] = {"name": "Orla Penhale", "email": "orla@penhale.example", "quantity": "1", "message": "Quiet?"}


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


@pytest.fixture
def listing(by: User) -> Listing:
    valve = make_valve(make_type())
    graded(valve)
    return publishing.publish([valve], "A fine thing", "As found.", Decimal("48.00"), "GBP", by)


def ask(listing: Listing, sent_from: str = "192.0.2.1", **changes: Any) -> Any:
    return Client(REMOTE_ADDR=sent_from).post(
        reverse("enquire", args=[listing.number]), {**ASKED, "once": "a", **changes}, follow=True
    )


def asked(listing: Listing, **changes: Any) -> Enquiry:
    ask(listing, **changes)
    return Enquiry.objects.get()


def test_anybody_asks_from_the_items_page_and_sales_see_it_today(
    listing: Listing, logged_in: Callable[..., Client]
) -> None:
    assert reverse("enquire", args=[listing.number]) in Client().get(listing.get_absolute_url()).content.decode()
    page = ask(listing)
    assert page.redirect_chain[-1][0] == listing.get_absolute_url() and "we have your enquiry" in page.content.decode()
    enquiry = Enquiry.objects.get()
    assert (enquiry.name, enquiry.quantity, enquiry.message) == ("Orla Penhale", 1, "Quiet?")
    assert "192.0.2.1" not in enquiry.sender
    today = logged_in(Role.SALES).get("/").content.decode()
    assert enquiry.get_absolute_url() in today and "about A fine thing" in today
    assert not Order.objects.exists() and not Customer.objects.exists(), "nothing is sold until the shop has looked"


def test_what_is_wrong_is_said_and_nothing_typed_is_lost(listing: Listing) -> None:
    page = ask(listing, email="nowhere", quantity="0", message="Kept")
    text = page.content.decode()
    assert "Enter a valid email address" in text and "greater than or equal to 1" in text and "Kept" in text
    assert not Enquiry.objects.exists()


def test_sent_twice_it_is_kept_once(listing: Listing) -> None:
    client, address = Client(), reverse("enquire", args=[listing.number])
    for _ in range(2):
        client.post(address, {**ASKED, "once": "the same"})
    assert Enquiry.objects.count() == 1


def test_what_fills_in_every_field_is_thanked_and_dropped(listing: Listing) -> None:
    page = ask(listing, homepage="https://spam.example")
    assert "we have your enquiry" in page.content.decode() and not Enquiry.objects.exists()


def test_one_machine_asks_a_few_times_an_hour_and_others_go_on_asking(listing: Listing) -> None:
    for number in range(asking.FROM_ONE_AN_HOUR):
        ask(listing, message=f"{number}")
    page = ask(listing, message="once more")
    assert "Try again later" in page.content.decode() and "once more" in page.content.decode()
    assert Enquiry.objects.count() == asking.FROM_ONE_AN_HOUR
    ask(listing, sent_from="192.0.2.2", message="another")
    assert Enquiry.objects.count() == asking.FROM_ONE_AN_HOUR + 1


def test_all_machines_together_ask_no_more_than_a_crowd(listing: Listing, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asking, "FROM_ALL_AN_HOUR", 2)
    for last in range(3):
        ask(listing, sent_from=f"192.0.2.{last}", message=f"{last}")
    assert Enquiry.objects.count() == 2


def test_a_long_body_is_refused_before_it_is_read(listing: Listing) -> None:
    assert ask(listing, message="x" * 200_000).status_code == 413
    assert "at most 2000 characters" in ask(listing, message="x" * 2001).content.decode()


def test_what_is_gone_and_a_shop_that_takes_none_are_not_asked(listing: Listing, by: User) -> None:
    Shop.objects.update_or_create(pk=1, defaults={"takes_enquiries": False})
    address = reverse("enquire", args=[listing.number])
    assert Client().get(address).status_code == 404
    assert address not in Client().get(listing.get_absolute_url()).content.decode()
    Shop.objects.update(takes_enquiries=True)
    publishing.end(listing, by)
    assert "no longer available" in ask(listing).content.decode() and not Enquiry.objects.exists()


def test_the_public_reads_nothing_of_who_has_asked(listing: Listing) -> None:
    enquiry = asked(listing)
    client = Client()
    for address in (listing.get_absolute_url(), reverse("enquire", args=[listing.number]), "/for-sale/"):
        assert "Orla" not in client.get(address).content.decode()
    assert client.get(enquiry.get_absolute_url()).status_code == 302
    assert not Entry.objects.filter(text__contains="Orla").exists(), "the valve's history names no customer either"


def test_taken_it_is_an_order_of_a_new_customer_with_the_item_set_aside(
    listing: Listing, logged_in: Callable[..., Client]
) -> None:
    enquiry, client = asked(listing), logged_in(Role.SALES)
    answer = client.post(reverse("enquiry-take", args=[enquiry.pk]), {"customer": "", "address": "1 Quay Street"})
    order = Order.objects.get()
    assert answer.headers["Location"] == order.get_absolute_url() and order.note == "Quiet?"
    customer = order.customer
    assert (customer.name, customer.email, customer.address) == (ASKED["name"], ASKED["email"], "1 Quay Street")
    assert order.lines.get().unit_price == 48 and Allocation.objects.filter(live=True).count() == 1
    enquiry.refresh_from_db()
    assert enquiry.order == order and enquiry.answered_at
    assert enquiry.get_absolute_url() not in client.get("/").content.decode()


def test_more_of_the_kind_are_a_line_of_their_own(listing: Listing, by: User) -> None:
    order = asking.take(asked(listing, quantity="3"), Customer(name="Orla"), by)
    first, rest = order.lines.order_by("pk")
    assert (first.quantity, rest.quantity, rest.note, rest.unit_price) == (1, 2, "like A00001", 48)
    assert first.allocations.filter(live=True).count() == 1 and not rest.allocations.exists()


def test_a_customer_of_that_address_is_offered(listing: Listing, logged_in: Callable[..., Client], by: User) -> None:
    known = Customer.objects.create(name="O. Penhale", email="Orla@Penhale.example")
    other = Customer.objects.create(name="Ada Quill", email="ada@quill.example")
    enquiry, client = asked(listing), logged_in(Role.SALES)
    form = client.get(enquiry.get_absolute_url()).context["take_form"]
    assert form.fields["customer"].initial == known
    address = reverse("enquiry-take", args=[enquiry.pk])
    assert client.post(address, {"customer": other.pk}).status_code == 200, "no other customer can be chosen by mistake"
    client.post(address, {"customer": known.pk})
    assert Order.objects.get().customer == known and Customer.objects.count() == 2


def test_what_was_set_aside_meanwhile_is_not_sold_twice(listing: Listing, by: User) -> None:
    first = asked(listing)
    ask(listing, name="Ivo Marsh")
    second = Enquiry.objects.exclude(pk=first.pk).get()
    asking.take(first, Customer(name="Orla"), by)
    with pytest.raises(CannotPull, match="not for sale any more"):
        asking.take(second, Customer(name="Ivo"), by)
    assert Order.objects.count() == Customer.objects.count() == 1
    second.refresh_from_db()
    assert second.answered_at is None, "it still waits for an answer"


def test_it_is_declined_with_a_reason_and_answered_once(listing: Listing, logged_in: Callable[..., Client]) -> None:
    enquiry, client = asked(listing), logged_in(Role.SALES)
    address = reverse("enquiry-decline", args=[enquiry.pk])
    client.post(address, {"because": ""})
    enquiry.refresh_from_db()
    assert enquiry.answered_at is None
    client.post(address, {"because": "We do not send there."})
    enquiry.refresh_from_db()
    assert enquiry.declined_because == "We do not send there." and not Order.objects.exists()
    taken = client.post(reverse("enquiry-take", args=[enquiry.pk]), {"customer": ""})
    assert "answered before, declined" in taken.content.decode() and not Order.objects.exists()
