"""The supplier's record: what was usable of what came, by grade, with intervals, and what a usable valve cost."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.valves import supplier_record
from grading.valves.supplier_record import GoodsRecord
from stockroom.models import Fault, Line
from stockroom.places import write_offs
from stockroom.pure import yields
from stockroom.receiving import booking
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_line, make_lot, make_supplier, make_type, make_user, make_valves

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("rosa", Role.RECEIVING)


def a_line(good: int, bad: int, untested: int = 0, *, supplier: str = "Brackenfield Surplus", cost: str = "0") -> Line:
    """A line of which so many were graded excellent and unfit, and so many not yet tested."""
    lot = make_lot(supplier=make_supplier(supplier))
    line = make_line(make_type(), good + bad + untested, lot=lot, cost=Decimal(cost))
    valves = make_valves(line=line, count=good + bad)
    graded_all([(valve, 1.2, 1.6 if index < good else 0.2) for index, valve in enumerate(valves)])
    return line


def record_of(line: Line) -> GoodsRecord:
    return supplier_record.records_of([line])[0].record


def test_the_share_is_of_the_known_pieces_and_the_rest_is_not_tested_yet() -> None:
    record = record_of(a_line(3, 1, untested=6))
    assert (record.usable, record.known, record.not_tested, record.received) == (3, 4, 6, 10)
    assert record.usable_share == yields.usable_yield(3, 4)
    assert [(grade.name, grade.share.usable, grade.saleable) for grade in record.by_grade] == [
        ("Excellent", 3, True),
        ("Unfit", 1, False),
    ]


def test_a_piece_written_off_unread_is_known_and_not_usable(by: User) -> None:
    line = a_line(2, 0)
    extra = make_line(make_type(), 3, lot=line.lot)
    broken, lost, _ = make_valves(line=extra, count=3)
    write_offs.write_off(broken, "broken in the box", by)
    graded(lost)
    write_offs.write_off(lost, "dropped on the bench", by)
    record = record_of(extra)
    assert (record.written_off, record.usable, record.known, record.not_tested) == (1, 1, 2, 1)


def test_what_went_back_is_received_but_neither_tested_nor_to_be(by: User) -> None:
    line = a_line(2, 2, untested=6)
    booking.send_back(line, 6, "refused", by)
    record = record_of(Line.objects.get(pk=line.pk))
    assert (record.received, record.sent_back, record.not_tested) == (10, 6, 0)


def test_short_and_over_show_in_expected_and_received() -> None:
    record = record_of(make_line(make_type(), 10, expected=12, counted=9))
    assert (record.expected, record.received, record.not_tested) == (12, 9, 9)


def test_a_usable_valve_carries_the_cost_of_the_others() -> None:
    record = record_of(a_line(2, 2, untested=4, cost="80.00"))
    # the 4 known pieces cost 40.00, two of them are usable
    assert record.cost_per_usable.each == Decimal("20.00")
    low, high = yields.wilson(2, 4)
    assert record.cost_per_usable.low == round(Decimal(40) / (Decimal(high) * 4), 2)
    assert record.cost_per_usable.high == round(Decimal(40) / (Decimal(low) * 4), 2)


def test_the_interval_is_wider_for_the_same_share_of_fewer_pieces() -> None:
    few, many = record_of(a_line(3, 1)).usable_share, record_of(a_line(12, 4)).usable_share
    assert few.share == many.share
    assert few.low < many.low and few.high > many.high


def test_nothing_tested_says_nothing() -> None:
    record = record_of(make_line(make_type(), 5, cost=Decimal("10")))
    assert record.usable_share.share is None and (record.usable_share.low, record.usable_share.high) == (0, 1)
    assert record.cost_per_usable.each is None and record.by_grade == []


def test_a_suppliers_lines_are_taken_together() -> None:
    a_line(3, 1, cost="40.00")
    a_line(1, 3, untested=4, cost="80.00")
    a_line(9, 0, supplier="Oxhallow Stores")
    suppliers = [make_supplier("Brackenfield Surplus"), make_supplier("Oxhallow Stores"), make_supplier("Nobody yet")]
    one, other, none = supplier_record.by_supplier(suppliers)
    assert (one.lines, one.record.usable, one.record.known, one.record.not_tested) == (2, 4, 8, 4)
    assert one.record.cost_of_known == Decimal(80) and one.record.cost_per_usable.each == Decimal("20.00")
    assert other.record.usable == 9
    assert none.lines == 0 and none.record.usable_share.share is None


# The pages


def test_the_record_of_a_supplier_shows_lines_shares_and_what_is_not_tested(logged_in: Callable[..., Client]) -> None:
    line = a_line(3, 1, untested=6, cost="100.00")
    page = logged_in(Role.RECEIVING).get(reverse("supplier-record", args=[line.lot.supplier.pk])).content.decode()
    assert "75.0\N{NO-BREAK SPACE}%" in page and "30.1\N{NO-BREAK SPACE}%" in page  # Wilson's for 3 of 4: 30.1 to 95.4
    assert "95.4\N{NO-BREAK SPACE}%" in page and str(line) in page and "Excellent" in page
    assert "6 not tested yet" in page


def test_what_was_noted_as_wrong_or_broken_stands_beside_what_was_received(logged_in: Callable[..., Client]) -> None:
    line = a_line(3, 1, untested=6)
    Fault.objects.create(line=line, kind="broken", pieces=2)
    Fault.objects.create(line=line, kind="broken", pieces=3, withdrawn_at=timezone.now(), withdrawn_because="mistaken")
    page = logged_in(Role.RECEIVING).get(reverse("supplier-record", args=[line.lot.supplier.pk])).content.decode()
    assert "2 noted as wrong or broken" in page


def test_all_suppliers_stand_side_by_side(logged_in: Callable[..., Client]) -> None:
    a_line(3, 1)
    make_supplier("Nobody yet")
    page = logged_in(Role.RECEIVING).get(reverse("supplier-records")).content.decode()
    assert "Brackenfield Surplus" in page and "Nobody yet" in page and "nothing known yet" in page


@pytest.mark.parametrize("name", ["supplier-record", "supplier-records"])
def test_the_pages_ask_as_often_for_many_lines_as_for_few(
    logged_in: Callable[..., Client], django_assert_max_num_queries: Any, name: str
) -> None:
    client = logged_in(Role.RECEIVING)
    supplier = a_line(1, 1).lot.supplier
    address = reverse(name, args=[supplier.pk] if name == "supplier-record" else [])
    with django_assert_max_num_queries(25) as few:
        client.get(address)
    for _ in range(5):
        a_line(2, 1)
        a_line(1, 0, supplier="Oxhallow Stores")
    with django_assert_max_num_queries(len(few)):
        client.get(address)
