"""Stock at cost, at its prices and at the lower of the two, today and on days that are past."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.desk import worth
from grading.listings import publishing
from grading.models import PriceRule
from stockroom.jobs.worker import work_off
from stockroom.ledger import posting, valuation
from stockroom.models import LedgerEntry, Line, Listing, Lot, Posting, Valve
from stockroom.places.write_offs import write_off
from stockroom.receiving import booking
from stockroom.site.people import Role
from tests.factories import make_supplier, make_type, make_user
from tests.ledger.test_the_books import charge

pytestmark = pytest.mark.django_db
TODAY = timezone.localdate


def a_line(goods: str, pieces: int, serials: int | None = None) -> Line:
    lot = booking.book_in(Lot(supplier=make_supplier()), [charge("goods", goods)], None)
    line = Line(type=make_type(), condition=Line.Condition.BOXED, expected=pieces, counted=pieces)
    booking.add_lines(lot, [line], None)
    if serials is None or serials:
        booking.allot_serials(line, serials, None)
    return line


def listed(valves: list[Valve], price: int, days_ago: int = 0) -> Listing:
    number = f"A{Listing.objects.count():05}"
    at = timezone.now() - timedelta(days=days_ago)
    listing = Listing.objects.create(number=number, title="x", price=price, currency="GBP", listed_at=at)
    for valve in valves:
        listing.listed.create(valve=valve)
    return listing


def ask(amount: str) -> None:
    """The price book asks this for any piece."""
    PriceRule.objects.create(number=1, effect="price", amount=Decimal(amount), currency="GBP", reason="to begin with")


def test_what_is_listed_is_worth_its_price_and_the_rest_its_cost() -> None:
    line = a_line("90.00", 3)
    for valve, price in zip(line.valves.order_by("position"), (50, 20), strict=False):
        listed([valve], price)
    found = worth.worth_on(TODAY())
    assert (found.cost, found.listed, found.price, found.cost_of_rest) == (90, 2, 70, 30)
    assert found.lower == 30 + 20 + 30 and found.unpriced == 1


def test_a_set_is_one_item_when_the_lower_is_taken() -> None:
    line = a_line("90.00", 3)
    listed(list(line.valves.order_by("position")[:2]), 55)
    assert worth.worth_on(TODAY()).lower == 55 + 30
    Listing.objects.update(price=65)
    assert worth.worth_on(TODAY()).lower == 90


def test_what_is_not_listed_is_worth_what_the_book_asks_in_bulk_too() -> None:
    line = a_line("100.00", 3, serials=1)
    ask("33.33")
    found = worth.worth_on(TODAY())
    assert (found.by_book, found.book_price, found.unpriced) == (3, Decimal("99.99"), 0)
    # 33.34, 33.33, 33.33: only the first cost more than its price
    assert (found.cost_of_priced, found.lower) == (100, Decimal("99.99"))
    listed([line.valves.get()], 10)
    found = worth.worth_on(TODAY())
    assert (found.listed_price, found.book_price, found.lower) == (10, Decimal("66.66"), Decimal("76.66"))


def test_in_bulk_the_dearer_pieces_are_told_from_the_cheaper_ones() -> None:
    a_line("100.01", 7, serials=2)  # 14.29 five times, 14.28 twice
    ask("14.28")
    found = worth.worth_on(TODAY())
    assert (found.lower, found.cost_of_priced) == (Decimal("99.96"), Decimal("100.01"))


def test_a_day_that_is_past_stays_as_it_was() -> None:
    then, now = TODAY() - timedelta(days=5), TODAY()
    with posting.on_day(then - timedelta(days=1)):
        line = a_line("90.00", 3)
    Valve.objects.update(created_at=timezone.now() - timedelta(days=6))
    valves = list(line.valves.order_by("position"))
    listing = listed([valves[0]], 50, days_ago=6)
    listed([valves[1]], 70)
    publishing.reprice(listing, Decimal(40), make_user("ola", Role.OWNER))
    write_off(valves[2], "dropped", None)
    past, today = worth.worth_on(then), worth.worth_on(now)
    assert (past.cost, past.listed, past.listed_price, past.unpriced) == (90, 1, 50, 2)
    assert (today.cost, today.listed, today.listed_price, today.unpriced) == (60, 2, 110, 0)
    Listing.objects.update(listed_at=timezone.now() - timedelta(days=12_000))
    before = worth.worth_on(date(2000, 1, 1))
    assert (before.cost, before.listed) == (0, 0), "nothing was here, whatever was listed"


def test_lines_of_which_the_books_count_no_pieces_are_said_apart() -> None:
    a_line("90.00", 3)
    entry = LedgerEntry.objects.create(text="an older version")
    line = Line.objects.get()
    other = Line.objects.create(lot=line.lot, number=2, type=line.type, condition="used", expected=1)
    Posting.objects.create(entry=entry, account="stock", thousandths=5000, lot=line.lot, line=other)
    found = worth.worth_on(TODAY())
    assert found.not_counted == 5 and found.cost == 95 == valuation.at_cost(TODAY())


def test_the_page_asks_for_the_job_and_shows_what_came_of_it(logged_in: Callable[..., Client]) -> None:
    owner, address = logged_in(Role.OWNER), reverse("worth")
    listed([a_line("90.00", 1).valves.get()], 50)
    assert "has not been worked out yet" in owner.get(address).content.decode()
    yesterday = (TODAY() - timedelta(days=1)).isoformat()
    for on in (TODAY().isoformat(), yesterday):
        assert owner.post(reverse("worth-work-out"), {"on": on}).status_code == 302
        work_off()
    page = owner.get(address).content.decode()
    assert "<strong>GBP\xa050.00</strong>, item by item" in page and "GBP\xa040.00 below cost" in page
    assert "GBP\xa00.00 below cost" in owner.get(address, {"on": yesterday}).content.decode()
    tomorrow = (TODAY() + timedelta(days=1)).isoformat()
    assert "This day is still to come." in owner.get(address, {"on": tomorrow}).content.decode()
