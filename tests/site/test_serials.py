"""Serials: allotted to pieces in bulk, and read back from a scan."""

from __future__ import annotations

import re

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from stockroom.models import Entry, Line, Maker, Valve
from stockroom.pure.serials import BadSerial, read_serial, serial
from stockroom.receiving import booking
from stockroom.site.people import Role
from stockroom.tally import tally_lines
from tests.factories import make_line, make_place, make_type, make_user

numbers = st.integers(1, 8_999_999)


@pytest.fixture
def receiver(logged_in) -> Client:
    return logged_in(Role.RECEIVING)


# The number itself


@given(numbers)
def test_every_serial_is_eight_digits_and_reads_back(number: int) -> None:
    assert re.fullmatch(r"\d{8}", serial(number))
    assert read_serial(serial(number)) == serial(number)


@given(numbers, st.integers(0, 7), st.integers(1, 9))
def test_a_wrong_digit_is_always_noticed(number: int, place: int, off: int) -> None:
    digits = list(serial(number))
    digits[place] = str((int(digits[place]) + off) % 10)
    with pytest.raises(BadSerial, match="check digit"):
        read_serial("".join(digits))


@given(numbers, st.integers(0, 6))
def test_two_swapped_neighbours_are_always_noticed(number: int, place: int) -> None:
    digits = list(serial(number))
    if digits[place] == digits[place + 1]:
        return
    digits[place], digits[place + 1] = digits[place + 1], digits[place]
    with pytest.raises(BadSerial, match="swapped"):
        read_serial("".join(digits))


@pytest.mark.parametrize("text", [" 10000012\n", "1000 0012", "1000-0012", "https://shop.example/valves/10000012/"])
def test_a_scan_is_read_with_what_is_around_it(text: str) -> None:
    assert read_serial(text) == "10000012"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "Nothing was scanned"),
        ("A-03", "is not a serial"),
        ("1000001", "has 7 digits"),
        ("100000122", "has 9 digits"),
        ("10000013", "check digit"),
        ("١٠٠٠٠٠١٢", "is not a serial"),
    ],
)
def test_what_is_no_serial_is_refused_with_the_reason(text: str, why: str) -> None:
    with pytest.raises(BadSerial, match=why):
        read_serial(text)


@pytest.mark.parametrize("number", [0, -1, 9_000_000])
def test_there_is_no_serial_outside_the_range(number: int) -> None:
    with pytest.raises(ValueError, match="There is no serial"):
        serial(number)


# Allotting them


@pytest.mark.django_db
def test_a_line_gets_all_its_serials_in_one_action() -> None:
    maker = Maker.objects.create(name="Tarnwell")
    line = make_line(count=500, maker=maker, place=make_place("C2"))
    valves = booking.allot_serials(line, None, make_user("rosa", Role.RECEIVING))
    assert [valve.serial for valve in valves] == [serial(number) for number in range(1, 501)]
    stored = Valve.objects.order_by("serial").select_related("type", "maker", "place")
    assert [valve.position for valve in stored] == list(range(500))
    assert {(valve.type, valve.maker, str(valve.place), valve.state) for valve in stored} == {
        (line.type, maker, "C2", "received")
    }


@pytest.mark.django_db
def test_one_entry_names_the_first_and_the_last(logged_in) -> None:
    line = make_line(count=3)
    by = make_user("rosa", Role.RECEIVING)
    booking.allot_serials(line, None, by)
    entry = Entry.objects.exclude(action="logged-in").get()
    assert entry.text == f"Line 1: 3 serials given, {serial(1)} to {serial(3)}."
    assert (entry.by, entry.lot, entry.line, entry.valve) == (by, line.lot, line, None)


@pytest.mark.django_db
def test_five_thousand_take_no_more_than_a_few_queries(django_assert_max_num_queries) -> None:
    line = make_line(count=5000)
    with django_assert_max_num_queries(90):  # the rows go in by the hundred, as SQLite allows
        booking.allot_serials(line, None, None)
    assert Valve.objects.count() == 5000


@pytest.mark.django_db
def test_serials_and_positions_go_on_where_they_stopped() -> None:
    line, other = make_line(count=10), make_line(count=5)
    booking.allot_serials(line, 4, None)
    booking.allot_serials(other, None, None)
    later = booking.allot_serials(line, None, None)
    assert [valve.position for valve in later] == [4, 5, 6, 7, 8, 9]
    assert later[0].serial == serial(10)


@pytest.mark.django_db
def test_pieces_in_bulk_are_those_without_a_serial() -> None:
    line = make_line(count=12, counted=10)
    booking.allot_serials(line, 4, None)
    assert tally_lines([line.pk])[line.pk].in_bulk == 6


@pytest.mark.django_db
@pytest.mark.parametrize("count", [0, -1, 11])
def test_no_more_than_the_bulk_can_be_asked_for(count: int) -> None:
    line = make_line(count=10)
    with pytest.raises(booking.NotInBulk, match="has 10 in bulk; ask for 1 to 10"):
        booking.allot_serials(line, count, None)
    assert not Valve.objects.exists()


@pytest.mark.django_db
def test_the_bench_takes_up_one_piece_at_a_time() -> None:
    line = make_line(count=2)
    first, second = booking.give_serial(line, None), booking.give_serial(line, None)
    assert (first.position, second.position) == (0, 1)
    with pytest.raises(booking.NotInBulk, match="has no pieces in bulk"):
        booking.give_serial(line, None)


@pytest.mark.django_db
def test_a_line_may_not_shrink_below_its_serials() -> None:
    line = make_line(count=10)
    booking.allot_serials(line, 6, None)
    line.counted = 5
    with pytest.raises(booking.FewerThanSerials, match="6 valves have serials already"):
        booking.change_line(line, None)
    assert Line.objects.get().counted == 10
    line.counted, line.expected = None, 5
    with pytest.raises(booking.FewerThanSerials):
        booking.change_line(line, None)


@pytest.mark.django_db
def test_the_page_offers_all_of_the_bulk_and_links_to_the_labels(receiver: Client) -> None:
    line = make_line(count=240)
    address = reverse("line-serials", args=[line.lot, 1])
    assert 'value="240"' in receiver.get(address).content.decode()
    page = receiver.post(address, {"count": "240"}, follow=True).content.decode()
    assert Valve.objects.count() == 240
    assert f'<a href="{reverse("labels")}?serials={serial(1)}-{serial(240)}">Print their labels</a>' in page
    assert f'href="{reverse("labels")}?line={line}"' in page
    assert f'href="{reverse("labels")}?lot={line.lot}"' in page


@pytest.mark.django_db
@pytest.mark.parametrize("count", ["", "0", "241", "all"])
def test_a_bad_number_of_serials_is_named_and_kept(receiver: Client, count: str) -> None:
    line = make_line(count=240)
    answer = receiver.post(reverse("line-serials", args=[line.lot, 1]), {"count": count})
    assert "count" in answer.context["form"].errors
    assert not count or f'value="{count}"' in answer.content.decode()
    assert not Valve.objects.exists()


@pytest.mark.django_db
def test_whoever_allots_before_counting_is_warned(receiver: Client) -> None:
    line = make_line(count=240, counted=None)
    assert "Nobody has counted this line." in receiver.get(reverse("line-serials", args=[line.lot, 1])).content.decode()


@pytest.mark.django_db
def test_only_receiving_allots(logged_in) -> None:
    line = make_line(make_type(), 3)
    assert logged_in(Role.BENCH).post(reverse("line-serials", args=[line.lot, 1]), {"count": 3}).status_code == 403
