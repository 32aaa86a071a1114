"""A double click makes one of a thing, and two people who change one thing lose nothing of each other's."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.models import Tester
from stockroom.models import Customer, Line, Lot, Order, SentForm, Supplier, Valve
from stockroom.receiving import booking
from stockroom.site import attempts
from stockroom.site.people import Role
from tests.factories import make_line, make_policy, make_tester
from tests.forms import form_with
from tests.receiving.test_receiving_a_lot import a_charge, a_line, a_lot

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def graded_by_a_policy() -> None:
    make_policy()


def page_of(client: Client, address: str) -> dict[str, str]:
    """What the page's form would send, unchanged."""
    return form_with(client.get(address).content.decode(), "once").values


# Twice


def test_a_double_click_makes_one_order(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.SALES)
    sent = page_of(client, reverse("order-new")) | {"new_name": "Ada Quill"}
    first, second = client.post(reverse("order-new"), sent), client.post(reverse("order-new"), sent)
    assert Order.objects.count() == Customer.objects.count() == 1
    assert first["Location"] == second["Location"] == Order.objects.get().get_absolute_url()
    assert attempts.DONE_BEFORE in client.get(second["Location"]).content.decode()


def test_what_is_changed_and_sent_again_is_another(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.SALES)
    sent = page_of(client, reverse("order-new")) | {"new_name": "Ada Quill"}
    client.post(reverse("order-new"), sent)
    client.post(reverse("order-new"), sent | {"new_name": "Bo Marsh"})
    assert Order.objects.count() == 2


def test_what_was_refused_can_be_sent_again(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.SALES)
    sent = page_of(client, reverse("order-new"))
    assert client.post(reverse("order-new"), sent).status_code == 200  # it names no customer
    assert not SentForm.objects.exists()
    client.post(reverse("order-new"), sent | {"new_name": "Ada Quill"})
    assert Order.objects.count() == 1


@pytest.mark.parametrize("name", ["lot-new", "customer-new", "tester-new", "supplier-new", "line-serials"])
def test_other_pages_that_make_something_do_it_once(name: str, logged_in: Callable[..., Client]) -> None:
    client, line = logged_in(Role.OWNER), make_line(None, 9)
    at = reverse(name, args=[line.lot, line.number] if name == "line-serials" else [])
    sent = page_of(client, at) | {"supplier": "Harrowmere", "name": "Ada Quill"}
    sent |= {"count": "2"} if name == "line-serials" else {}
    counted = {"lot-new": Lot, "customer-new": Customer, "tester-new": Tester, "supplier-new": Supplier}.get(
        name, Valve
    )
    before = counted.objects.count()
    assert client.post(at, sent).status_code == client.post(at, sent).status_code == 302
    assert counted.objects.count() == before + (2 if name == "line-serials" else 1)


def test_old_forms_are_forgotten(logged_in: Callable[..., Client], monkeypatch: pytest.MonkeyPatch) -> None:
    old = SentForm.objects.create(key="old", at=timezone.now() - timedelta(days=8))
    monkeypatch.setattr(attempts, "TIDIED_EVERY", 1)
    client = logged_in(Role.SALES)
    client.post(reverse("order-new"), page_of(client, reverse("order-new")) | {"new_name": "Ada Quill"})
    assert not SentForm.objects.filter(pk=old.pk).exists() and SentForm.objects.count() == 1


# Side by side


@pytest.fixture
def lot() -> Lot:
    lot = a_lot(a_charge("60.00"))
    booking.add_lines(lot, [a_line(100), a_line(20)], None)
    return lot


def two(person: Callable[..., User]) -> list[Client]:
    clients = [Client(), Client()]
    for client, name in zip(clients, ("ann", "ben"), strict=True):
        client.force_login(person(Role.OWNER, name=name))
    return clients


def counts(lot: Lot) -> list[int | None]:
    return [line.counted for line in lot.lines.order_by("number")]


def test_an_older_page_of_counts_leaves_a_colleagues_count_alone(lot: Lot, person: Callable[..., User]) -> None:
    ann, ben = two(person)
    at = reverse("lot-count", args=[lot])
    booking.count_lines(lot, {lot.lines.get(number=1).pk: 79}, None)
    of_ann, of_ben = page_of(ann, at), page_of(ben, at)
    ben.post(at, of_ben | {"line-1": "86"})
    ann.post(at, of_ann | {"line-2": "19"})
    assert counts(lot) == [86, 19]


def test_both_counted_the_same_line_otherwise_and_the_second_is_told(lot: Lot, person: Callable[..., User]) -> None:
    ann, ben = two(person)
    at = reverse("lot-count", args=[lot])
    of_ann, of_ben = page_of(ann, at), page_of(ben, at)
    ben.post(at, of_ben | {"line-1": "86"})
    answer = ann.post(at, of_ann | {"line-1": "79"})
    html = answer.content.decode()
    assert counts(lot) == [86, None]
    assert "Somebody has changed this to “86” while the page was open." in html and 'value="79"' in html
    again = {**of_ann, "line-1": "79", "initial-line-1": "86"}  # the page has learnt what stands there now
    assert 'name="initial-line-1" value="86"' in html
    ann.post(at, again)
    assert counts(lot) == [79, None]


EDITS: list[tuple[str, Callable[[Lot], Any], str, str]] = [
    ("line-edit", lambda lot: lot.lines.get(number=1), "counted", "note"),
    ("lot-edit", lambda lot: lot, "note", "goods-amount"),
    ("supplier-edit", lambda lot: lot.supplier, "country", "note"),
    ("customer-edit", lambda lot: Customer.objects.create(name="Ada Quill"), "address", "note"),
    ("tester-edit", lambda lot: make_tester(), "serial_number", "note"),
]


@pytest.mark.parametrize(("name", "what", "of_ben", "of_ann"), EDITS, ids=[name for name, *_ in EDITS])
def test_two_pages_of_one_thing_keep_what_each_changed(
    name: str, what: Callable[[Lot], Any], of_ben: str, of_ann: str, lot: Lot, person: Callable[..., User]
) -> None:
    ann, ben = two(person)
    thing = what(lot)
    args = [lot, thing.number] if isinstance(thing, Line) else [thing.number if isinstance(thing, Lot) else thing.pk]
    at = reverse(name, args=args)
    ann_sees, ben_sees = page_of(ann, at), page_of(ben, at)
    assert ben.post(at, ben_sees | {of_ben: "86"}).status_code == 302
    assert ann.post(at, ann_sees | {of_ann: "62"}).status_code == 302
    now = page_of(ann, at)
    assert now[of_ben] == "86" and float(now[of_ann]) == 62
    assert ben.post(at, ben_sees | {of_ben: "17"}).status_code == 200  # 86 was not what this page showed
    assert page_of(ann, at)[of_ben] == "86"
