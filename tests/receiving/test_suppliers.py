"""Keeping suppliers, makers and places."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from stockroom.models import Entry, Maker, Place, Supplier
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import make_line, make_lot, make_place, make_supplier, make_valve, make_valves
from tests.receiving.test_receiving_a_lot import queries_for

pytestmark = pytest.mark.django_db

SUPPLIER = {"name": "Quillmere Trading", "country": "Norland", "currency": "eur", "contact": "Ask for Ib", "note": ""}


@pytest.fixture
def receiver(logged_in) -> Client:
    return logged_in(Role.RECEIVING)


def test_a_supplier_is_added(receiver: Client) -> None:
    receiver.post(reverse("supplier-new"), SUPPLIER)
    supplier = Supplier.objects.get()
    assert (supplier.name, supplier.currency, supplier.contact) == ("Quillmere Trading", "EUR", "Ask for Ib")
    assert Entry.objects.exclude(action="logged-in").get().text == "Supplier Quillmere Trading added."


def test_a_supplier_is_changed_and_the_daybook_says_how(receiver: Client) -> None:
    supplier = make_supplier()
    receiver.post(reverse("supplier-edit", args=[supplier.pk]), SUPPLIER)
    assert Entry.objects.exclude(action="logged-in").get().text == (
        "Supplier Brackenfield Surplus: name Brackenfield Surplus → Quillmere Trading; country – → Norland; "
        "currency GBP → EUR; contact changed."
    )


def test_a_supplier_with_a_bad_currency_is_refused_and_kept(receiver: Client) -> None:
    page = receiver.post(reverse("supplier-new"), {**SUPPLIER, "currency": "QQQ"}).content.decode()
    assert "is not a currency code" in page
    assert 'value="Quillmere Trading"' in page and "Ask for Ib</textarea>" in page
    assert not Supplier.objects.exists()


@pytest.mark.parametrize(
    ("model", "name", "url"),
    [
        (Supplier, "Brackenfield Surplus", "supplier-new"),
        (Maker, "Tärnwell", "maker-new"),
        (Place, "A-3", "place-new"),
    ],
)
def test_the_same_name_in_other_capitals_is_not_added_again(receiver: Client, model, name: str, url: str) -> None:
    field = "code" if model is Place else "name"
    model.objects.create(**{field: name})
    page = receiver.post(reverse(url), {**SUPPLIER, field: f" {name.upper()} "}).content.decode()
    assert f"There is a {model._meta.verbose_name} “{name}” already." in page
    assert model.objects.count() == 1


def test_a_supplier_may_keep_its_own_name(receiver: Client) -> None:
    supplier = make_supplier("Quillmere Trading")
    assert receiver.post(reverse("supplier-edit", args=[supplier.pk]), SUPPLIER).status_code == 302


def test_a_suppliers_page_shows_its_lots_alone(receiver: Client) -> None:
    supplier = make_supplier()
    lot = make_line(count=7, lot=make_lot()).lot
    make_lot(supplier=make_supplier("Quillmere Trading"))
    answer = receiver.get(supplier.get_absolute_url())
    assert [(row.lot, row.tally.pieces) for row in answer.context["rows"]] == [(lot, 7)]


def test_the_lists_of_suppliers_makers_and_places_ask_a_fixed_number_of_queries(receiver: Client) -> None:
    for name in ("suppliers", "makers", "places"):
        counts = []
        for rows in (1, 30):
            for row in range(rows):
                lot = make_lot(supplier=make_supplier(f"{name} {rows} {row}"))
                maker = Maker.objects.create(name=f"{name} {rows} {row}")
                place = make_place(f"{name[:3]} {rows} {row}")
                make_valves(line=make_line(count=2, lot=lot, maker=maker, place=place), count=1, place=place)
            counts.append(queries_for(receiver, reverse(name)))
        assert counts[0] == counts[1] < 20


def test_a_makers_lines_and_valves_do_not_multiply(receiver: Client) -> None:
    maker = Maker.objects.create(name="Tarnwell")
    for _ in range(2):
        make_valves(line=make_line(count=5, maker=maker), count=3, maker=maker)
    (row,) = receiver.get(reverse("makers")).context["page"]
    assert (row.line_count, row.valve_count) == (2, 6)
    assert len(receiver.get(reverse("maker", args=[maker.pk])).context["rows"]) == 2


def test_a_place_shows_its_valves_in_house_and_its_bulk(receiver: Client) -> None:
    place = make_place("A-3")
    line = make_line(count=10, place=place)
    valve = make_valve(line=line, place=place)
    make_valve(line=line, place=place, state=State.DESPATCHED)
    make_valve(line=line, place=make_place("B-1"))
    answer = receiver.get(reverse("place", args=[place.pk]))
    assert list(answer.context["page"]) == [valve]
    assert answer.context["bulk"] == [(line, 7)]
    row = next(row for row in receiver.get(reverse("places")).context["page"] if row == place)
    assert row.valve_count == 1


def test_a_valves_label_does_not_make_a_place(receiver: Client) -> None:
    page = receiver.post(reverse("place-new"), {"code": "10000012", "note": ""}).content.decode()
    assert "10000012 is the serial of a valve" in page
    assert not Place.objects.exists()


def test_lists_are_filtered_by_name(receiver: Client) -> None:
    make_supplier("Quillmere Trading")
    make_supplier("Brackenfield Surplus")
    make_place("A-3")
    make_place("B-1")
    assert [str(row) for row in receiver.get("/suppliers/", {"name": "quill"}).context["page"]] == ["Quillmere Trading"]
    assert [str(row) for row in receiver.get("/places/", {"code": "b"}).context["page"]] == ["B-1"]


@pytest.mark.parametrize("name", ["supplier-new", "maker-new", "place-new"])
def test_a_visitor_changes_nothing(logged_in, name: str) -> None:
    assert logged_in(Role.BENCH).post(reverse(name), SUPPLIER).status_code == 403
