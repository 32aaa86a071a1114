"""Listing many items as one action, each at its price from the book or another; and one item's price beforehand."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from grading.models import Grade, MatchedSet, Policy
from grading.prices import many
from grading.prices.many import What
from stockroom.jobs import worker
from stockroom.models import Allocation, Customer, Job, Listing, Order, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import make_policy, make_type, make_valves
from tests.prices.shop import goods, in_force, listed, pair_of

pytestmark = pytest.mark.django_db

SINGLES = "/listings/many/singles/"


@pytest.fixture
def sal(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.SALES)


def alike_goods(count: int) -> list[Valve]:
    """Graded valves, as rows alone."""
    policy = make_policy()
    valves = make_valves(make_type(), count, state=State.GRADED)
    Grade.objects.bulk_create(Grade(valve=valve, policy=policy, name="Good", rank=2, saleable=True) for valve in valves)
    return valves


def test_those_that_are_ticked_are_listed_at_the_books_price_or_the_typed_one(sal: Client) -> None:
    one, other, left = goods(3)
    in_force(amount=Decimal("24.00"))
    page = sal.get(SINGLES).content.decode()
    assert page.count('value="24.00"') == 3 and "GBP\xa024.00" in page
    sent = {
        "row": [one.pk, other.pk, left.pk],
        "take": [one.pk, other.pk],
        f"{one.pk}-price": "24.00",
        f"{other.pk}-price": "19,50",
        f"{left.pk}-price": "24.00",
    }
    answer = sal.post(SINGLES, sent, follow=True)
    assert "2 items are before the public, for GBP\xa043.50 together." in answer.content.decode()
    assert sorted(Listing.objects.values_list("price", flat=True)) == [Decimal("19.50"), 24]
    assert Listing.objects.filter(title="12AX7", text__startswith="Bought in as").count() == 2
    assert list(many.listable_valves(What.SINGLES)) == [left]


def test_what_is_refused_is_told_by_row_keeps_tick_and_price_and_the_rest_is_listed(sal: Client) -> None:
    fine, promised, unpriced, wrong = goods(4)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(type=fine.type)
    Allocation.objects.create(order_line=line, item=1, valve=promised)  # after the page was shown
    every = [fine.pk, promised.pk, unpriced.pk]
    sent = {"row": every, "take": every, f"{fine.pk}-price": "20", f"{promised.pk}-price": "21"}
    page = sal.post(SINGLES, sent).content.decode()
    assert Listing.objects.get().price == 20
    assert f"{promised} is set aside for an order." in page and many.NO_PRICE in page
    assert 'value="21"' in page and page.count("checked") == 2 and f"List {fine}" not in page
    bad = {"row": [wrong.pk], "take": [wrong.pk], f"{wrong.pk}-price": "20.555"}
    page = sal.post(SINGLES, bad).content.decode()
    assert "GBP has 2 decimals." in page and 'value="20.555"' in page and Listing.objects.count() == 1
    assert "Nothing is ticked." in sal.post(SINGLES, {"row": [wrong.pk]}).content.decode()


def test_sets_and_untested_valves_are_listed_so_too(sal: Client) -> None:
    matched = pair_of(goods(2))
    raw = make_valves(make_type(), 1)[0]
    in_force(amount=Decimal(10))
    page = sal.get("/listings/many/sets/").content.decode()
    assert matched.number in page and "12AX7 matched pair" in page and 'value="20.00"' in page
    sal.post("/listings/many/sets/", {"row": [matched.pk], "take": [matched.pk], f"{matched.pk}-price": "20.00"})
    sal.post("/listings/many/untested/", {"row": [raw.pk], "take": [raw.pk], f"{raw.pk}-price": "10.00"})
    assert Listing.objects.get(untested=False).listed.count() == 2
    assert Listing.objects.get(untested=True).listed.get().valve == raw
    assert not many.listable_sets().exists() and not many.listable_valves(What.UNTESTED).exists()


def test_a_page_asks_as_often_for_many_as_for_few(sal: Client) -> None:
    in_force(amount=Decimal(10))
    counts = []
    for more in (2, 40):
        alike_goods(more)
        with CaptureQueriesContext(connection) as asked:
            assert sal.get(SINGLES).status_code == 200
        counts.append(len(asked))
    assert counts[0] == counts[1]


def test_a_page_of_sets_asks_as_often_for_many_as_for_few(sal: Client) -> None:
    pair_of(goods(2))
    sal.get("/listings/many/sets/")  # what is asked for once and kept
    counts = []
    for count in (0, 6):
        for _ in range(count):
            pair_of(goods(2))
        with CaptureQueriesContext(connection) as asked:
            assert sal.get("/listings/many/sets/").status_code == 200
        counts.append(len(asked))
    assert counts[0] == counts[1] and MatchedSet.objects.count() == 7


def test_more_than_a_page_is_a_job_that_tells_what_it_could_not_list(sal: Client) -> None:
    valves = alike_goods(25)
    other = make_valves(make_type("EL84"), 1, state=State.GRADED)[0]
    Grade.objects.create(valve=other, policy=Policy.current(), name="Good", rank=2, saleable=True)
    in_force(amount=Decimal(10), type=make_type())
    sal.post(SINGLES, {"all": "1"})
    assert Job.objects.get().title == "List 26 valves" and not Listing.objects.exists()
    listed(valves[:1], "9.00")  # meanwhile
    worker.work_off()
    page = sal.get(SINGLES).content.decode()
    assert Listing.objects.filter(price=10).count() == 24
    assert "24 listings made" in page and "2 items were refused" in page and f"{other}: {many.NO_PRICE}" in page


def test_only_what_the_filter_finds_is_listed_together(sal: Client) -> None:
    alike_goods(2)
    other = make_valves(make_type("EL84"), 1, state=State.GRADED)[0]
    Grade.objects.create(valve=other, policy=Policy.current(), name="Usable", rank=3, saleable=True)
    in_force(amount=Decimal(10))
    sal.post(f"{SINGLES}?type={other.type.pk}", {"all": "1"})
    worker.work_off()
    assert Listing.objects.get().listed.get().valve == other


def test_listing_one_starts_from_the_books_price_and_says_why(sal: Client) -> None:
    valve = goods(1)[0]
    in_force(amount=Decimal("24.00"))
    in_force("rounding", step=Decimal(1), ending=Decimal("0.90"))
    page = sal.get(f"/listings/new/?serial={valve.serial}").content.decode()
    assert 'value="23.90"' in page and "The price book asks GBP\xa023.90." in page and "No suggestion" in page
    assert f"/prices/why/?item={valve.serial}" in page
    made = listed([valve], "30.00")
    assert "The price book asks GBP\xa023.90." in sal.get(f"/listings/{made.number}/price/").content.decode()
    page = sal.get(f"/prices/why/?item={made.number}").content.decode()
    assert "GBP\xa030.00" in page and "Rounded to the nearest of 0.90, 1.90, 2.90" in page


def test_an_item_that_nobody_knows_is_said_beside_the_box(sal: Client) -> None:
    assert "No valve, set or listing is called that." in sal.get("/prices/why/?item=Z1").content.decode()
    assert sal.get("/listings/many/everything/").status_code == 404
