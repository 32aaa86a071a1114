"""The start page, the scan box, people and the daybook."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.contrib.auth.models import User
from django.test import Client

from stockroom.models import Entry, Line, Lot, Place, Shop
from stockroom.site.people import Role
from tests.factories import make_line, make_type, make_valve

pytestmark = pytest.mark.django_db


def test_logging_in_leads_to_today(person: Callable[..., User]) -> None:
    person(Role.BENCH, name="kit")
    answer = Client().post("/log-in/", {"username": "kit", "password": "a-long-test-password"}, follow=True)
    assert answer.redirect_chain[-1][0] == "/" and "Test at the bench" in answer.content.decode()


def test_today_says_what_waits(logged_in: Callable[..., Client]) -> None:
    make_line(make_type(), 5, counted=None)
    page = logged_in(Role.RECEIVING).get("/").content.decode()
    assert "Count <a" in page


@pytest.mark.parametrize("scan", ["{serial}", " {serial} ", "https://shop.example/valves/{serial}/"])
def test_the_scan_box_finds_a_valve_however_it_is_scanned(logged_in: Callable[..., Client], scan: str) -> None:
    valve = make_valve(make_type())
    answer = logged_in(Role.RECEIVING).get("/find/", {"q": scan.format(serial=valve.serial)})
    assert answer["Location"] == f"/valves/{valve.serial}/"


def test_the_scan_box_finds_types_lots_orders_sets_and_places(logged_in: Callable[..., Client]) -> None:
    make_type("12AX7")
    place = Place.objects.create(code="A1-03")
    client = logged_in(Role.RECEIVING)
    for scan, address in {
        "12ax7": "/types/12AX7/",
        "l0001": "/lots/L0001/",
        "R0001": "/orders/R0001/",
        "s00001": "/sets/S00001/",
        "a1-03": f"/valves/?place={place.pk}",
        "12ZZ": "/types/?name=12ZZ",
    }.items():
        assert client.get("/find/", {"q": scan})["Location"] == address


def test_the_scan_box_finds_a_claim_and_a_line_and_sealed_packs_on_their_own_page(
    logged_in: Callable[..., Client],
) -> None:
    make_line(make_type(), 5)
    make_line(make_type(), 5, lot=Lot.objects.get(), condition=Line.Condition.SEALED)
    client = logged_in(Role.RECEIVING)
    for scan, address in {
        "c0001": "/claims/C0001/",
        "L0001/1": "/lots/L0001/1/marks/",
        "l0001/2": "/lots/L0001/2/sealed/",
    }.items():
        assert client.get("/find/", {"q": scan})["Location"] == address


@pytest.mark.parametrize("name", ["L63", "C3", "S130"])
def test_a_short_name_that_looks_like_a_number_of_ours_is_a_valve_type(
    logged_in: Callable[..., Client], name: str
) -> None:
    make_type(name)
    assert logged_in(Role.RECEIVING).get("/find/", {"q": name})["Location"] == f"/types/{name}/"


@pytest.mark.parametrize(
    ("scan", "message"),
    [("10000013", "check digit"), ("123", "has 3 digits"), ("", "Nothing was scanned"), ("10000012", "No valve has")],
)
def test_a_scan_that_leads_nowhere_says_why(logged_in: Callable[..., Client], scan: str, message: str) -> None:
    assert message in logged_in(Role.RECEIVING).get("/find/", {"q": scan}, follow=True).content.decode()


def test_the_owner_makes_a_login_with_roles(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    data = {"username": "bo", "roles": ["bench"], "password": "a-long-test-password", "is_active": "on"}
    assert client.post("/people/new/", data).status_code == 302
    made = User.objects.get(username="bo")
    assert made.check_password("a-long-test-password") and made.groups.get().name == "bench"
    assert Entry.objects.get(action="person").text == "Login bo: bench"


def test_a_weak_password_is_refused_and_the_rest_is_kept(logged_in: Callable[..., Client]) -> None:
    page = logged_in(Role.OWNER).post("/people/new/", {"username": "bo", "password": "1234", "is_active": "on"})
    assert "too short" in page.content.decode() and 'value="bo"' in page.content.decode()


def test_the_owner_cannot_lock_the_door_from_outside(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    me = User.objects.get(username="owner")
    page = client.post(f"/people/{me.pk}/", {"username": "owner", "roles": ["bench"], "is_active": "on"})
    assert "cannot take the owner" in page.content.decode()
    me.refresh_from_db()
    assert me.is_active and me.groups.get().name == "owner"


def test_the_shop_is_kept_by_its_owner_and_the_change_is_on_record(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    client.post("/shop/", {"name": "Heron & Vane", "currency": "EUR", "web_address": "shop.example"})
    assert Shop.own().name == "Heron & Vane" and Shop.own().web_address == "https://shop.example"
    assert "Changed the shop" in client.get("/daybook/").content.decode()


def test_an_unknown_address_helps_on(logged_in: Callable[..., Client]) -> None:
    answer = logged_in(Role.RECEIVING).get("/nowhere/")
    assert answer.status_code == 404 and "Scan a label" in answer.content.decode()
