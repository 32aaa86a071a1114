"""A lot or a line that was booked in by mistake goes off the books, and the daybook keeps it."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse

from stockroom.models import Charge, Entry, Line, Lot
from stockroom.receiving import booking, corrections
from stockroom.site.people import Role
from tests.factories import make_supplier, make_type, make_user

pytestmark = pytest.mark.django_db


def a_lot(*pieces: int) -> Lot:
    charge = Charge(kind="goods", amount=Decimal("100.00"), currency="GBP", rate=Decimal(1))
    lot = booking.book_in(Lot(supplier=make_supplier()), [charge], None)
    lines = [Line(type=make_type(), condition="used", expected=many, weight=Decimal(1)) for many in pieces]
    booking.add_lines(lot, lines, None)
    return lot


def test_a_mistaken_line_goes_and_the_others_carry_the_cost() -> None:
    lot = a_lot(10, 30)
    corrections.remove_line(lot.lines.get(number=1), "typed into the wrong lot", make_user("rosa"))
    assert [(line.number, line.cost) for line in lot.lines.all()] == [(2, Decimal("100.00"))]
    said = Entry.objects.get(action="line-removed")
    assert said.lot == lot and "typed into the wrong lot" in said.text and "12AX7" in said.text


def test_a_mistaken_lot_goes_with_its_lines_and_its_number_is_not_given_again() -> None:
    lot = a_lot(10)
    corrections.remove_lot(lot, "booked in twice", make_user("rosa"))
    assert not Lot.objects.exists() and not Line.objects.exists() and not Charge.objects.exists()
    assert "goods GBP\N{NO-BREAK SPACE}100.00" in Entry.objects.get(action="lot-removed").text
    assert a_lot(1).number == "L0002"


def test_what_something_stands_on_stays(logged_in: Callable[..., Client]) -> None:
    lot = a_lot(10)
    booking.allot_serials(lot.lines.get(), 2, None)
    with pytest.raises(corrections.StandsOnIt, match="Line 1 stays: 2 valves belong to it"):
        corrections.remove_line(lot.lines.get(), "a slip", None)
    page = logged_in(Role.RECEIVING).post(reverse("lot-remove", args=[lot.number]), {"why": "booked twice"})
    assert "Line 1 stays" in page.content.decode() and 'value="booked twice"' in page.content.decode()
    assert lot.lines.count() == 1 and lot.entries.exists()


def test_the_pages_take_off_a_line_and_a_lot(logged_in: Callable[..., Client]) -> None:
    lot, client = a_lot(10, 20), logged_in(Role.RECEIVING)
    assert "Booked in by mistake" in client.get(reverse("line-edit", args=[lot.number, 1])).content.decode()
    done = client.post(reverse("line-remove", args=[lot.number, 1]), {"why": "a slip"}, follow=True)
    assert "Line 1 is off the books" in done.content.decode()
    done = client.post(reverse("lot-remove", args=[lot.number]), {"why": "a slip"}, follow=True)
    assert f"Lot {lot.number} is off the books" in done.content.decode() and not Lot.objects.exists()
