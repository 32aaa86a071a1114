"""The pick list: what to pull for an order, in the order of the shelves."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pypdfium2  # type: ignore[import-untyped]
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from grading.papers.pure.pick_list import pick_list_pdf, walking_order
from grading.sets import making
from stockroom.models import Allocation, Customer, Order, Shop
from stockroom.site.people import Role
from tests.factories import graded, make_place, make_policy, make_type, make_user, make_valve, make_valves
from tests.pdfs import PICK_LIST, read_pdf


@pytest.fixture
def client(logged_in) -> Client:
    return logged_in(Role.RECEIVING)


def an_order(places: list[str | None], number: str = "R0001") -> Order:
    """One line whose valves lie at these places, all set aside."""
    order = Order.objects.create(number=number, customer=Customer.objects.create(name="Tamsin Orrey"))
    line = order.lines.create(type=make_type(), quantity=len(places))
    for item, (valve, place) in enumerate(zip(make_valves(count=len(places)), places, strict=True), start=1):
        if place:
            valve.place = make_place(place)
            valve.save()
        Allocation.objects.create(order_line=line, item=item, valve=valve)
    return order


def rows_of(pdf: bytes) -> list[tuple[str, str]]:
    """Place and serial of each row, from the top of the first page down."""
    return [row for text in read_pdf(pdf) for row in re.findall(r"^(.*?) ?(\d{4} \d{4})\b", text, re.MULTILINE)]


def test_the_valves_stand_in_the_order_of_their_places(client: Client) -> None:
    order = an_order(["B1", "A10", "A2", None, "A2"])
    pdf = client.get(reverse("pick-list-pdf", args=[order.number])).content
    assert [place for place, _ in rows_of(pdf)] == ["A2", "A2", "A10", "B1", "no place"]


def test_order_customer_set_type_and_what_it_is_for_are_named(client: Client) -> None:
    Shop.objects.update_or_create(pk=1, defaults={"name": "The Amber Filament"})
    valves = make_valves(count=2)
    for valve in valves:
        graded(valve)
    made = making.make_set(valves, 5, make_user())
    order = Order.objects.create(number="R0007", customer=Customer.objects.create(name="Ada <Quill> & Co"))
    line = order.lines.create(type=made.type, set_size=2)
    for valve in valves:
        Allocation.objects.create(order_line=line, item=1, valve=valve)
    answer = client.get(reverse("pick-list-pdf", args=["R0007"]))
    assert "pick-list-R0007.pdf" in answer["Content-Disposition"]
    (text,) = read_pdf(answer.content)
    for part in (
        "Pick list R0007",
        "Ada <Quill> & Co",
        made.number,
        "12AX7",
        "1 × matched pair 12AX7",
        "2 valves to pull from 0 places.",
        "Old glass is fragile",
        "The Amber Filament · R0007",
    ):
        assert part in text, part


def test_a_valve_put_back_is_not_on_the_list(client: Client) -> None:
    order = an_order(["A1", "A2"])
    kept, released = Allocation.objects.filter(order_line__order=order).order_by("item")
    Allocation.objects.filter(pk=released.pk).update(live=False)
    pdf = client.get(reverse("pick-list-pdf", args=[order.number])).content
    assert [serial.replace(" ", "") for _, serial in rows_of(pdf)] == [kept.valve.serial]


def test_a_broken_set_is_not_named(client: Client) -> None:
    valves = make_valves(count=2)
    for valve in valves:
        graded(valve)
    made = making.make_set(valves, 5, make_user())
    making.break_set(made, "sold singly", make_user())
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    Allocation.objects.create(order_line=order.lines.create(type=made.type), item=1, valve=valves[0])
    (text,) = read_pdf(client.get(reverse("pick-list-pdf", args=["R0001"])).content)
    assert made.number not in text


def test_pulled_valves_are_ticked_and_counted_apart(client: Client) -> None:
    order = an_order(["A1", "A2", "A3"])
    first = Allocation.objects.filter(order_line__order=order).order_by("item")[0]
    Allocation.objects.filter(pk=first.pk).update(pulled_at=timezone.now() - timedelta(hours=1))
    (text,) = read_pdf(client.get(reverse("pick-list-pdf", args=[order.number])).content)
    assert "2 valves to pull from 3 places. 1 valve pulled already." in text.replace("\n", " ")


def test_with_nothing_set_aside_the_asker_is_sent_back_with_the_reason(client: Client) -> None:
    make_policy()
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    answer = client.get(reverse("pick-list-pdf", args=["R0001"]), follow=True)
    assert answer.redirect_chain[-1][0] == order.get_absolute_url()
    assert "Nothing is set aside for R0001 yet" in answer.content.decode()


def test_an_unknown_order_is_not_found(client: Client) -> None:
    assert client.get(reverse("pick-list-pdf", args=["R31337"])).status_code == 404


def test_the_queries_do_not_grow_with_the_order(client: Client) -> None:
    counts = []
    Shop.own()
    client.get("/")  # the first request of a day renews the login
    for number, count in (("R0001", 1), ("R0002", 25)):
        an_order(["A1"] * count, number)
        with CaptureQueriesContext(connection) as queries:
            client.get(reverse("pick-list-pdf", args=[number]))
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_a_long_order_repeats_its_heads_and_numbers_its_pages() -> None:
    pages = read_pdf(pick_list_pdf(replace(PICK_LIST, rows=PICK_LIST.rows * 20)))
    assert len(pages) > 2
    for number, text in enumerate(pages, start=1):
        assert "Place Serial Type Set or pack For Pulled" in text.replace("\n", " ")
        assert f"page {number} of {len(pages)}" in text
        assert "Pick list R0001" in text


def test_a_list_without_rows_is_refused() -> None:
    with pytest.raises(ValueError, match="nothing to pull"):
        pick_list_pdf(replace(PICK_LIST, rows=()))


def test_the_same_data_are_the_same_bytes_and_carry_their_fonts() -> None:
    pdf = pick_list_pdf(PICK_LIST)
    assert pdf == pick_list_pdf(PICK_LIST)
    assert set(re.findall(rb"/BaseFont /(?:[A-Z]{6}\+)?([\w-]+)", pdf)) == {b"LiberationSans", b"LiberationSans-Bold"}
    assert pypdfium2.PdfDocument(pdf).get_metadata_dict()["Title"] == "Pick list R0001"


def test_the_order_of_walking_reads_numbers_as_numbers() -> None:
    shuffled = ["b1", "A10", "", "A2", "A2-3", "A", "12", "9"]
    assert sorted(shuffled, key=walking_order) == ["9", "12", "A", "A2", "A2-3", "A10", "b1", ""]


def test_one_valve_is_spoken_of_as_one(client: Client) -> None:
    order = an_order(["A1"])
    make_valve()
    (text,) = read_pdf(client.get(reverse("pick-list-pdf", args=[order.number])).content)
    assert "1 valve to pull from 1 place." in text
