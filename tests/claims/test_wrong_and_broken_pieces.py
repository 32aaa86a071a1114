"""What came as another type, or broken, changes the stock; the claim for it stays what it was."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from stockroom.claims import claiming, faulty_pieces
from stockroom.models import Entry, Fault, Line
from stockroom.receiving import booking
from stockroom.site.people import Role
from stockroom.tally import tally_lots
from tests.claims.test_claims import a_lot, asked, line_of
from tests.factories import make_type, make_user

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("rosa", Role.RECEIVING)


def wrong(line: Line, pieces: int, by: User) -> Fault:
    return claiming.note_fault(line, Fault(kind="wrong type", pieces=pieces, found_type=make_type("12AU7")), by)


def broken(line: Line, pieces: int, by: User) -> Fault:
    return claiming.note_fault(line, Fault(kind="broken", pieces=pieces), by)


def test_three_are_booked_in_as_what_they_are_and_two_written_off(by: User) -> None:
    lot = a_lot((200, 196), goods="600.00")
    fault, smashed = wrong(line_of(lot), 3, by), broken(line_of(lot), 2, by)
    claimed = asked(lot)
    found = faulty_pieces.book_as_found(fault, by)
    assert (found.type.designation, found.pieces, found.number) == ("12AU7", 3, 2)
    faulty_pieces.write_off_broken(smashed, by)
    old, new = line_of(lot), line_of(lot, 2)
    assert (old.received, old.pieces, new.pieces) == (196, 191, 3)
    assert old.cost + new.cost == Decimal("600.00")
    assert abs(old.cost / 191 - new.cost / 3) < Decimal("0.01"), "each whole piece costs the same"
    assert asked(lot) == claimed, "the claim stays what it was"
    assert tally_lots([lot.pk])[lot.pk].pieces == 194
    assert len(booking.allot_serials(old, None, by)) == 191, "no serial for glass in the bin"
    assert set(Entry.objects.filter(line=old).values_list("action", flat=True)) >= {
        "booked-as-found",
        "broken-written-off",
    }


def test_the_pieces_leave_their_line_once(by: User) -> None:
    lot = a_lot((10, 10))
    fault, smashed = wrong(line_of(lot), 3, by), broken(line_of(lot), 2, by)
    faulty_pieces.book_as_found(fault, by)
    faulty_pieces.write_off_broken(smashed, by)
    for again in (
        lambda: faulty_pieces.book_as_found(fault, by),
        lambda: faulty_pieces.write_off_broken(smashed, by),
        lambda: claiming.withdraw_fault(fault, "a slip", by),
    ):
        with pytest.raises(claiming.NotNow):
            again()
    assert line_of(lot).taken_out == 5
    with pytest.raises(booking.FewerThanSerials, match="5 pieces have left the line"):
        booking.count_lines(lot, {line_of(lot).pk: 4}, by)


def test_what_has_its_serial_is_put_right_on_the_valves_page(by: User) -> None:
    lot = a_lot((10, 10))
    fault = wrong(line_of(lot), 3, by)
    booking.allot_serials(line_of(lot), 8, by)
    with pytest.raises(claiming.NotNow, match="Only 2 pieces of line 1 have no serial yet"):
        faulty_pieces.book_as_found(fault, by)
    assert lot.lines.count() == 1


def test_the_last_piece_is_not_written_off_while_the_lot_has_a_cost(by: User) -> None:
    lot = a_lot((2, 2))
    with pytest.raises(booking.NothingCarriesTheCost):
        faulty_pieces.write_off_broken(broken(line_of(lot), 2, by), by)
    assert line_of(lot).pieces == 2


def test_the_page_of_discrepancies_does_both(logged_in: Callable[..., Client], by: User) -> None:
    lot = a_lot((10, 10))
    fault, smashed = wrong(line_of(lot), 3, by), broken(line_of(lot), 2, by)
    client, page = logged_in(Role.RECEIVING), reverse("discrepancies", args=[lot.number])
    assert "Book in as 12AU7" in client.get(page).content.decode()
    done = client.post(reverse("fault-book-in", args=[lot.number, fault.pk]), follow=True).content.decode()
    assert "3 pieces are booked in as 12AU7, on line 2." in done and "booked in on line 2" in done
    done = client.post(reverse("fault-write-off", args=[lot.number, smashed.pk]), follow=True).content.decode()
    assert "2 pieces are written off." in done
    again = client.post(reverse("fault-write-off", args=[lot.number, smashed.pk]), follow=True).content.decode()
    assert "the pieces have left the line already" in again
