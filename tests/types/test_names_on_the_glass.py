"""What the glass says stays with line and valve and goes on every paper; a search by any name finds all."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse

from catalog.models import ValveType
from grading.claims.gathered import _goods
from grading.listings import publishing
from grading.papers.labels import labels_for
from stockroom.models import Allocation, Charge, Customer, Line, Lot, Order, Shop, Valve
from stockroom.receiving import booking
from stockroom.site.people import Role
from stockroom.types import keeping
from tests.factories import graded, make_line, make_lot, make_policy, make_type, make_valve, source

pytestmark = pytest.mark.django_db


@pytest.fixture
def receiver(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.OWNER)


def received(client: Client, name: str, lot: Lot | None = None, **fields: str) -> Line:
    lot = lot or make_lot()
    typed = {"type": name, "condition": "used", "expected": "3", "weight": "1", **fields}
    client.post(reverse("line-new", args=[lot.number]), typed)
    return lot.lines.select_related("type", "maker").latest("number")


def test_ecc83_on_the_glass_is_ecc83_on_every_paper(reference: None, receiver: Client) -> None:
    line = received(receiver, "ecc83")
    assert (line.type.designation, line.as_marked, line.called_and_type) == ("12AX7", "ECC83", "ECC83 (12AX7)")
    (valve, *_) = booking.allot_serials(line, None, None)
    valve = Valve.objects.for_rows().get(pk=valve.pk)
    assert [label.type for label in labels_for([valve], Shop.own())] == ["ECC83"]
    graded(valve)
    assert publishing.title([valve]) == "ECC83 (12AX7)"
    assert _goods(line).startswith("ECC83 (12AX7), ")
    assert "ECC83 (12AX7)" in receiver.get(valve.get_absolute_url()).content.decode()


def test_two_names_in_one_stay_as_they_were_written(reference: None, receiver: Client) -> None:
    line = received(receiver, "6SN7WGT/VT-231")
    assert (line.type.designation, line.called) == ("6SN7GT", "6SN7WGT/VT-231")


def test_a_line_opened_and_saved_keeps_its_name(reference: None, receiver: Client) -> None:
    line = received(receiver, "ECC83")
    address = reverse("line-edit", args=[line.lot.number, line.number])
    form = receiver.get(address).context["form"]
    assert form["type"].value() == "ECC83"
    receiver.post(address, {"type": "ECC83", "condition": "used", "expected": "4", "weight": "1"})
    line.refresh_from_db()
    assert (line.as_marked, line.expected) == ("ECC83", 4)


def test_searching_by_either_name_finds_both(reference: None, receiver: Client) -> None:
    first, second = received(receiver, "ECC83"), received(receiver, "12AX7")
    for name in ("ECC83", "12AX7", "12AX7/ECC83", "CV492"):
        page = receiver.get(reverse("lots"), {"type": name}).content.decode()
        assert first.lot.number in page and second.lot.number in page, name


def test_the_shop_calls_a_type_by_the_name_it_prefers(reference: None, receiver: Client) -> None:
    line = received(receiver, "ECC83")
    receiver.post(reverse("type-call", args=["12AX7"]), {"name": "ECC83"})
    line = Line.objects.select_related("type").get(pk=line.pk)
    assert (str(line.type), line.called_and_type) == ("ECC83", "ECC83")
    with pytest.raises(keeping.TypeRefused, match="no name of"):
        keeping.call(line.type, "EL84", None)


def test_the_name_on_a_single_valve_is_corrected_where_it_is_identified(reference: None, receiver: Client) -> None:
    valve = make_valve(ValveType.objects.get(designation="12AX7"))
    address = reverse("valve-identify", args=[valve.serial])
    receiver.post(address, {"type": "CV492", "code": "", "spread": "alone"})
    valve.refresh_from_db()
    assert (valve.type.designation, valve.as_marked) == ("12AX7", "CV492")


# Not known yet


def costs(lot: Lot) -> list[Decimal]:
    return [line.cost for line in lot.lines.order_by("number")]


def test_unread_glass_is_named_piece_by_piece_and_the_shares_follow(reference: None, receiver: Client) -> None:
    lot = make_lot()
    Charge.objects.create(lot=lot, kind="goods", amount=Decimal("100.01"), currency="GBP")
    mixed = received(receiver, "?", lot, expected="7")
    known = received(receiver, "EL84", lot, expected="3")
    booking.count_lines(lot, {mixed.pk: 7, known.pk: 3}, None)
    before = costs(lot)
    named = reverse("line-name", args=[lot.number, mixed.number])
    assert named in receiver.get(lot.get_absolute_url()).content.decode()
    receiver.post(named, {"count": "2", "type": "ECC83"})
    receiver.post(named, {"count": "1", "type": "QX99", "new_type": "on"})
    lines = list(lot.lines.select_related("type").order_by("number"))
    assert [(line.called, line.pieces) for line in lines] == [
        ("not identified", 4),
        ("EL84", 3),
        ("ECC83", 2),
        ("QX99", 1),
    ]
    after = costs(lot)
    assert sum(after) == sum(before) == Decimal("100.01")
    assert abs(after[0] + after[2] + after[3] - before[0]) <= Decimal("0.01")
    assert receiver.post(named, {"count": "9", "type": "ECC83"}).status_code == 200  # there are four


def test_a_box_that_held_more_than_was_expected_stays_over_when_its_pieces_are_named(
    reference: None, receiver: Client
) -> None:
    lot = make_lot()
    mixed = received(receiver, "?", lot, expected="3")
    booking.count_lines(lot, {mixed.pk: 5}, None)
    for count in (2, 2, 1):
        receiver.post(reverse("line-name", args=[lot.number, mixed.number]), {"count": count, "type": "EL84"})
    lines = list(lot.lines.order_by("number"))
    assert [(line.expected, line.counted) for line in lines] == [(0, 0), (2, 2), (1, 2), (0, 1)]
    page = receiver.get(lot.get_absolute_url()).content.decode()
    assert page.count("over 1") >= 2
    edited = {"type": "EL84", "condition": "used", "expected": "0", "counted": "1", "weight": "1", "note": "read"}
    assert receiver.post(reverse("line-edit", args=[lot.number, 4]), edited).status_code == 302


def test_a_line_with_a_type_has_nothing_to_name(reference: None) -> None:
    line = make_line(ValveType.objects.get(designation="EL84"), 3)
    with pytest.raises(booking.AlreadyNamed):
        booking.name_pieces(line, 1, ValveType.objects.get(designation="12AX7"), None)


# The box


@pytest.mark.parametrize(
    ("typed", "leads_to"),
    [
        ("6922", "/types/6922/"),
        ("807", "/types/807/"),
        ("12AX7/ECC83", "/types/12AX7/"),
        ("6Н23П-ЕВ", "/types/6N23P-EV/"),
        ("OA2", "/types/0A2/"),
        ("QX84 & co", "/types/?name=QX84+%26+co"),
    ],
)
def test_the_box_finds_any_name(reference: None, receiver: Client, typed: str, leads_to: str) -> None:
    assert receiver.get(reverse("find"), {"q": typed})["Location"] == leads_to


def test_a_serial_comes_before_a_type_of_the_same_figures(reference: None, receiver: Client) -> None:
    valve = make_valve(ValveType.objects.get(designation="12AX7"))
    assert receiver.get(reverse("find"), {"q": valve.serial})["Location"] == valve.get_absolute_url()


def test_what_is_not_on_file_is_explained_with_a_way_to_enter_it(reference: None, receiver: Client) -> None:
    page = receiver.get(reverse("types"), {"name": "HL84"}).content.decode()
    assert "150 mA heater" in page and "another heater" in page
    assert f"{reverse('type-new')}?name=HL84" in page


def test_an_order_shows_the_name_on_the_glass(receiver: Client) -> None:
    source()
    make_policy()
    valve = make_valve(make_type(), as_marked="ECC83")
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(type=valve.type)
    Allocation.objects.create(order_line=line, item=1, valve=valve)
    assert "ECC83" in receiver.get(order.get_absolute_url()).content.decode()
    assert "ECC83 (12AX7)" in receiver.get(reverse("order-pull", args=["R0001"])).content.decode()
