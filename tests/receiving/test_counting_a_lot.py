"""Counting a lot: what came against what was expected."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from stockroom.models import Line, Lot
from stockroom.receiving import booking
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import make_line, make_lot, make_type, make_user, make_valves
from tests.receiving.test_receiving_a_lot import a_charge, a_line, a_lot

pytestmark = pytest.mark.django_db


@pytest.fixture
def receiver(logged_in) -> Client:
    return logged_in(Role.RECEIVING)


@pytest.fixture
def lot() -> Lot:
    """Three lines of 10, 20 and 30, not counted, and GBP 60.00 to share."""
    lot = a_lot(a_charge("60.00"))
    booking.add_lines(lot, [a_line(10), a_line(20), a_line(30)], None)
    return lot


def counted(lot: Lot) -> list[int | None]:
    return [line.counted for line in lot.lines.order_by("number")]


def post(client: Client, lot: Lot, *counts: Any) -> Any:
    data = {f"line-{number}": count for number, count in enumerate(counts, 1)}
    return client.post(reverse("lot-count", args=[lot]), data)


@pytest.mark.parametrize(
    ("expected", "counted", "words"),
    [(10, None, "not yet counted"), (10, 7, "short 3"), (10, 12, "over 2"), (10, 10, "as expected"), (1, 0, "short 1")],
)
def test_the_difference_is_said_in_words(expected: int, counted: int | None, words: str) -> None:
    assert booking.difference_in_words(expected, counted) == words


def test_all_lines_are_counted_on_one_page(receiver: Client, lot: Lot) -> None:
    answer = post(receiver, lot, "10", "17", "32")
    assert answer["Location"] == lot.get_absolute_url()
    assert counted(lot) == [10, 17, 32]


def test_the_lot_page_shows_what_is_short_and_over(receiver: Client, lot: Lot) -> None:
    post(receiver, lot, "", "17", "32")
    answer = receiver.get(lot.get_absolute_url())
    assert answer.context["differences"].in_words == "short 3, over 2, 1 line not yet counted"
    assert [row.difference for row in answer.context["rows"]] == ["not yet counted", "short 3", "over 2"]
    post(receiver, lot, "10", "20", "30")
    assert receiver.get(lot.get_absolute_url()).context["differences"].in_words == "as expected"


def test_the_cursor_starts_on_the_first_line_not_yet_counted(receiver: Client, lot: Lot) -> None:
    post(receiver, lot, "10", "", "30")
    page = receiver.get(reverse("lot-count", args=[lot])).content.decode()
    assert page.count(" autofocus") == 1
    assert 'name="line-2"' in next(tag for tag in page.split("<") if " autofocus" in tag)


def test_each_changed_count_is_written_and_the_cost_shared_anew(lot: Lot) -> None:
    by = make_user("rosa", Role.RECEIVING)
    first, second, third = lot.lines.order_by("number")
    changed = booking.count_lines(lot, {first.pk: 10, second.pk: 10, third.pk: None}, by)
    assert [line.number for line in changed] == [1, 2]
    entries = lot.entries.filter(action="counted").order_by("line__number")
    assert [entry.text for entry in entries] == [
        "Line 1: expected 10, counted 10, as expected.",
        "Line 2: expected 20, counted 10, short 10.",
    ]
    shared = lot.entries.filter(action="cost-shared")[0]
    assert shared.text == (
        "Cost GBP\xa060.00 shared over 50 pieces: line 1 10.00 → 12.00, line 2 20.00 → 12.00, line 3 30.00 → 36.00."
    )
    assert shared.by == by


def test_saving_the_same_counts_again_writes_nothing(receiver: Client, lot: Lot) -> None:
    post(receiver, lot, "10", "17", "")
    before = lot.entries.count()
    post(receiver, lot, "10", "17", "")
    assert "No count was changed." in receiver.get(lot.get_absolute_url()).content.decode()
    assert lot.entries.count() == before


def test_a_count_can_be_taken_back(receiver: Client, lot: Lot) -> None:
    post(receiver, lot, "8", "20", "30")
    post(receiver, lot, "", "20", "30")
    assert counted(lot) == [None, 20, 30]


def test_a_count_below_the_serials_is_refused_and_every_count_kept(receiver: Client, lot: Lot) -> None:
    booking.allot_serials(lot.lines.get(number=2), 15, None)
    page = post(receiver, lot, "10", "14", "31").content.decode()
    assert "15 valves have serials already, so there cannot be only 14." in page
    assert all(f'value="{value}"' in page for value in (10, 14, 31))
    assert counted(lot) == [None, None, None]
    assert post(receiver, lot, "10", "15", "31").status_code == 302


@pytest.mark.parametrize("value", ["-1", "many", "2.5", "10000012"])
def test_what_is_no_count_is_refused_and_kept(receiver: Client, lot: Lot, value: str) -> None:
    page = post(receiver, lot, "10", value, "31")
    assert page.status_code == 200
    assert page.context["form"].errors.keys() == {"line-2"}
    assert f'value="{value}"' in page.content.decode() and 'value="31"' in page.content.decode()
    assert counted(lot) == [None, None, None]


def test_counting_nothing_at_all_is_refused_while_the_lot_has_a_cost(receiver: Client, lot: Lot) -> None:
    page = post(receiver, lot, "0", "0", "0").content.decode()
    assert "no piece would be left to carry it" in page
    assert counted(lot) == [None, None, None]
    assert not lot.entries.filter(action="counted").exists()


def test_pieces_found_later_bring_a_listed_lot_back_to_received() -> None:
    lot = make_lot()
    line = make_line(count=2, lot=lot)
    make_valves(line=line, count=2, state=State.LISTED)
    booking.count_lines(lot, {}, None)
    lot.refresh_from_db()
    assert lot.state == State.LISTED
    booking.count_lines(lot, {line.pk: 3}, None)
    lot.refresh_from_db()
    assert lot.state == State.RECEIVED


def test_five_hundred_lines_are_counted_in_a_fixed_number_of_queries(django_assert_max_num_queries) -> None:
    lot = a_lot(a_charge("60.00"))
    type = make_type()
    lines = booking.add_lines(lot, [Line(type=type, condition="used", expected=4) for _ in range(500)], None)
    with django_assert_max_num_queries(60):
        booking.count_lines(lot, {line.pk: 3 for line in lines}, None)
    assert set(counted(lot)) == {3}


def test_only_receiving_counts(logged_in) -> None:
    lot = make_line().lot
    assert post(logged_in(Role.BENCH), lot, "1").status_code == 403
