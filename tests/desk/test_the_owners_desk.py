"""What an owner sees at one look: the stock by type and grade, its age, what sells, what was wanted and not had."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from grading.desk import demand, overview
from grading.desk.overview import BuyingTerms
from grading.models import LeftOut, SearchWithoutResult
from grading.orders import fulfilment
from stockroom.jobs.worker import work_off
from stockroom.ledger import posting, valuation
from stockroom.models import Job, Line, Lot, Order, Shop
from stockroom.receiving import booking
from stockroom.site import searches
from stockroom.site.people import Role
from tests.factories import graded, make_lot, make_supplier, make_type, make_user
from tests.ledger.test_the_books import bought, charge, sold
from tests.orders.test_filling_an_order import order_for

pytestmark = pytest.mark.django_db
TODAY = timezone.localdate


def desk() -> overview.Desk:
    """As a page reads what the job kept."""
    return overview.read(overview.as_kept(overview.desk_on(TODAY())))


def of_type(found: overview.Desk, name: str) -> overview.DeskRow:
    return next(row for row in found.types if row.name == name)


def test_each_piece_stands_in_one_column_and_all_cost_what_the_books_say() -> None:
    by = make_user("ola", Role.OWNER)
    lot = booking.book_in(Lot(supplier=make_supplier()), [charge("goods", "100.01")], by)
    kinds = {"12AX7": "nos-boxed", "EL84": "nos-sealed"}
    lines = [Line(type=make_type(name), condition=one, expected=7, counted=7) for name, one in kinds.items()]
    booking.add_lines(lot, lines, by)
    valves = booking.allot_serials(lines[0], 4, by)
    graded(valves[0])
    graded(valves[1], gm=0.3)  # of no grade that may be sold
    found = desk()
    row, sealed = of_type(found, "12AX7"), of_type(found, "EL84")
    best, worst = (valve.grades.get(current=True).name for valve in valves[:2])
    assert row.kinds == {best: 1, worst: 1, "not tested": 2, "in bulk": 3} and sealed.kinds == {"sealed": 7}
    assert (row.pieces, row.ready, row.not_graded, sealed.not_graded) == (7, 1, 5, 7)
    assert row.cost + sealed.cost == Decimal("100.01") == valuation.at_cost(TODAY())
    assert found.columns[-3:] == ("sealed", "not tested", "in bulk") and set(found.columns) >= {best, worst}
    assert (found.ages[0].pieces, found.ages[0].cost) == (14, Decimal("100.01"))


def test_old_stock_stands_with_its_age_and_its_cost() -> None:
    line = bought(make_user("ola", Role.OWNER), "30.00", 3)
    Lot.objects.filter(pk=line.lot_id).update(received_on=TODAY() - timedelta(days=800))
    bought(make_user("ola", Role.OWNER), "20.00", 2)
    ages = {age.label: (age.pieces, age.cost) for age in desk().ages if age.pieces}
    assert ages == {"under 3 months": (2, 20), "2 to 5 years": (3, 30)}


def test_what_sells_out_is_to_be_bought_and_what_lies_is_slow() -> None:
    by = make_user("ola", Role.OWNER)
    with posting.on_day(TODAY() - timedelta(days=300)):
        line = bought(by, "100.00", 5)
        other = booking.book_in(Lot(supplier=make_supplier()), [charge("goods", "50")], by)
        booking.add_lines(other, [Line(type=make_type("EL84"), condition="used", expected=40, counted=40)], by)
    for days_ago in (200, 150, 100, 50):
        with posting.on_day(TODAY() - timedelta(days=days_ago)):
            sold(line, by)
    found = desk()
    assert (found.days, of_type(found, "12AX7").sold) == (301, 4)
    advice = {one.row.name: one for one in overview.advise(found, BuyingTerms(restock_days=180))}
    assert advice["12AX7"].call == "buy" and advice["12AX7"].why.startswith("4 sold in 301 days: 0.18 to 0.81 a month")
    assert advice["EL84"].call == "slow" and advice["EL84"].lasts == "ten years or more"
    assert {one.row.name: one.call for one in overview.advise(found, BuyingTerms(20))}["12AX7"] == "test first"
    assert sum(pieces for _, pieces in found.months) == 4


def test_what_came_back_was_not_sold() -> None:
    by = make_user("ola", Role.OWNER)
    with posting.on_day(TODAY() - timedelta(days=30)):
        line = bought(by, "100.00", 5)
    order = sold(line, by)
    assert of_type(desk(), "12AX7").sold == 1
    fulfilment.take_back(order, order.lines.get().allocations.get().valve, "hums", by)
    assert of_type(desk(), "12AX7").sold == 0


def test_untested_stock_is_tested_before_more_is_bought() -> None:
    by = make_user("ola", Role.OWNER)
    with posting.on_day(TODAY() - timedelta(days=300)):
        line = bought(by, "100.00", 13)
    for _ in range(3):
        sold(line, by)
    (one,) = overview.advise(desk(), BuyingTerms())
    assert (one.call, one.row.not_graded, one.row.ready) == ("test first", 10, 0)


def test_what_an_order_waits_for_or_goes_without_was_wanted() -> None:
    by = make_user("ola", Role.OWNER)
    line = bought(by, "100.00", 2)
    valve = line.valves.order_by("position")[0]
    graded(valve)
    asked = order_for(set_size=1, quantity=3, max_spread_percent=None)
    fulfilment.accept(asked, [valve], by)
    assert of_type(desk(), "12AX7").waiting == 2
    fulfilment.leave_out(asked, by)
    row = of_type(desk(), "12AX7")
    assert (row.waiting, row.left_out, row.wanted) == (0, 2, 2)
    assert LeftOut.objects.get().asked.startswith("3 × single 12AX7")
    gone = order_for(set_size=2, quantity=2)
    Order.objects.filter(pk=gone.order_id).update(state=Order.State.CANCELLED)
    assert of_type(desk(), "12AX7").cancelled == 4


@pytest.fixture
def noted(settings, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path
    return tmp_path / "searches-without-result.jsonl"


def test_a_search_of_the_public_that_finds_nothing_is_counted_by_a_job(noted: Path, client: Client) -> None:
    Shop.own()
    with CaptureQueriesContext(connection) as asked:
        for words in ("KT88", " kt88 ", "PX4"):
            client.get(reverse("for-sale"), {"name": words})
    assert not [one for one in asked.captured_queries if one["sql"].startswith(("INSERT", "UPDATE", "DELETE"))]
    assert not SearchWithoutResult.objects.exists() and len(noted.read_text().splitlines()) == 3
    assert [tuple(row) for row in desk().searches] == [("kt88", 2), ("px4", 1)]
    assert not noted.exists()
    searches.found_nothing("KT88")
    assert [tuple(row) for row in desk().searches] == [("kt88", 3), ("px4", 1)]


def test_a_robots_searches_fill_neither_disk_nor_table(noted: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(searches, "MOST_BYTES", 2000)
    monkeypatch.setattr(demand, "MOST_WORDS", 5)
    for number in range(200):
        searches.found_nothing(f"no such {number}" + "x" * 100)
    assert noted.stat().st_size < 2200
    noted.write_text(noted.read_text() + "{damaged\n")
    found = desk()
    assert found.searches_full and SearchWithoutResult.objects.count() == 6
    assert sum(row.times for row in found.searches) > 20


def test_pages_show_what_was_kept_with_as_many_questions_for_much_as_for_little(
    noted: Path, logged_in: Callable[..., Client]
) -> None:
    owner, by = logged_in(Role.OWNER), make_user("ola", Role.OWNER)
    assert "Nothing has been worked out yet" in owner.get(reverse("desk")).content.decode()
    counts = []
    for name in ("12AX7", "EL84", "6V6"):
        make_type(name)
        lot = booking.book_in(Lot(supplier=make_supplier()), [charge("goods", "90")], by)
        lines = [Line(type=make_type(name), condition="used", expected=9, counted=9) for _ in range(3)]
        booking.add_lines(lot, lines, by)
        owner.post(reverse("desk-work-out"))
        work_off()
        pages = []
        for page in ("desk", "desk-stock", "desk-buying", "desk-slow", "desk-not-had"):
            with CaptureQueriesContext(connection) as asked:
                pages.append(owner.get(reverse(page)).content.decode())
            counts.append(len(asked))
    assert counts[:5] == counts[5:10] == counts[10:]
    assert "81 pieces of 3 types" in pages[0] and "GBP\xa0270.00" in pages[0] and "6V6" in pages[1]
    refused = owner.get(reverse("desk-buying"), {"restock_days": "soon"}).content.decode()
    assert "“soon” is not a number." in refused


def test_a_shop_with_goods_has_its_desk_worked_out_once_a_day() -> None:
    overview.keep_fresh()
    assert not Job.objects.exists(), "there is nothing to work out"
    make_lot()
    for _ in range(2):
        overview.keep_fresh()
        work_off()
    assert Job.objects.count() == 1 and overview.latest() == Job.objects.get()
    Job.objects.update(made_at=timezone.now() - timedelta(days=1, minutes=1))
    overview.keep_fresh()
    assert Job.objects.count() == 2
