"""The date printed on sealed packs: every reading, ranked; one is chosen and the others are kept."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from html import unescape

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from stockroom.marks import identity
from stockroom.marks.identity import MarksSeen
from stockroom.marks.pure import datecodes
from stockroom.marks.pure.datecodes import Window
from stockroom.marks.pure.identification import Subject
from stockroom.models import Entry, Line, PackDateReading, Packing, Valve
from stockroom.sealed import pack_dates, plans
from stockroom.site.people import Role
from tests.factories import make_line, make_lot, make_type, make_user, make_valves

pytestmark = pytest.mark.django_db

RECEIVED = date(2024, 5, 2)


@pytest.fixture
def by() -> User:
    return make_user("rosa", Role.RECEIVING)


def packs(pack_date: str, marks: str = "") -> Packing:
    line = make_line(make_type(), 50, condition=Line.Condition.SEALED, lot=make_lot(received_on=RECEIVED))
    return plans.describe(line, Packing(contract_marks=marks, pack_date=pack_date), None)


def words(packing: Packing) -> list[str]:
    return [one.reading.words for one in pack_dates.readings_of(packing)]


def test_every_reading_of_the_date_is_there_and_none_is_dropped() -> None:
    packing = packs("3/53")
    every = datecodes.readings("3/53", Window(identity.FIRST_YEAR, RECEIVED.year))
    assert every and sorted(words(packing)) == sorted(one.words for one in every)


def test_they_are_ranked_by_the_years_of_the_type() -> None:
    type = make_type("12AX7")
    type.first_registered = 1947
    type.first_registered_source = type.heater_source
    type.save()
    found = pack_dates.readings_of(packs("5312"))
    points = [one.points for one in found if one.possible]
    assert points == sorted(points, reverse=True) and len(found) > 1


def test_a_buyer_reads_the_date_as_printed_and_the_reading_taken(by: User) -> None:
    packing = packs("5312")
    assert pack_dates.in_words(packing) == "5312"
    first, *others = pack_dates.readings_of(packing)
    pack_dates.choose(packing, first.reading.key, by)
    told = f"5312, which we read as {first.reading.words} ({len(others)} other reading"
    assert others and pack_dates.in_words(packing).startswith(told)
    pack_dates.choose(packing, "", by)
    assert pack_dates.in_words(packing) == "5312"


def test_a_date_inside_the_contract_marks_is_found() -> None:
    assert "June 1953" in words(packs("", "CONTRACT K-1951 JUN 1953"))
    assert words(packs("", "no date here")) == []


def test_the_chosen_reading_is_kept_with_all_the_others(by: User) -> None:
    packing = packs("5312")
    ranked = pack_dates.readings_of(packing)
    wanted = ranked[1].reading
    kept = pack_dates.choose(packing, wanted.key, by)
    assert kept.words == wanted.words and len(kept.alternatives) == len(ranked)
    assert pack_dates.current(packing) == kept
    assert wanted.words in Entry.objects.get(action="pack-date-read").text
    again = pack_dates.choose(packing, ranked[0].reading.key, by)
    assert PackDateReading.objects.count() == 2 and PackDateReading.objects.get(current=True) == again
    assert f"not {wanted.words}" in Entry.objects.filter(action="pack-date-read").order_by("-pk")[0].text
    pack_dates.choose(packing, "", by)
    undecided = pack_dates.current(packing)
    assert undecided is not None and undecided.words == "" and len(undecided.alternatives) == len(ranked)


def test_a_reading_that_the_date_cannot_have_is_refused(by: User) -> None:
    with pytest.raises(pack_dates.NoSuchPackReading):
        pack_dates.choose(packs("5312"), "EIA|322|week 1 of 1901", by)
    assert not PackDateReading.objects.exists()


def test_another_date_as_printed_is_read_anew(by: User) -> None:
    packing = packs("3/53")
    pack_dates.choose(packing, pack_dates.readings_of(packing)[0].reading.key, by)
    plans.describe(packing.line, Packing(pack_date="4/53"), by)
    packing = Packing.objects.get()
    assert pack_dates.current(packing) is None and not PackDateReading.objects.filter(current=True).exists()


def test_a_valve_younger_than_its_pack_is_pointed_out(by: User) -> None:
    packing = packs("JUN 1953")
    (valve,) = make_valves(line=packing.line, count=1)
    identity.record(valve, MarksSeen(code="1960-W10", chosen="ISO_WEEK||week 10 of 1960"), by)
    assert not valve.warnings.exists()
    pack_dates.choose(packing, pack_dates.readings_of(packing)[0].reading.key, by)
    warning = Valve.objects.get().warnings.get()
    assert warning.subject == Subject.DATE_AND_PACK.value


def test_the_page_shows_them_all_and_keeps_the_one_that_is_chosen(logged_in: Callable[..., Client]) -> None:
    packing = packs("5312")
    line = packing.line
    page_at = reverse("sealed", args=[line.lot.number, line.number])
    client = logged_in(Role.RECEIVING)
    page = unescape(client.get(page_at).content.decode())
    ranked = pack_dates.readings_of(packing)
    assert all(one.reading.words in page for one in ranked) and f"can mean {len(ranked)} things" in page
    at = reverse("sealed-date", args=[line.lot.number, line.number])
    answer = client.post(at, {"reading": ranked[0].reading.key}, follow=True)
    assert f"5312 is read as {ranked[0].reading.words}." in unescape(answer.content.decode())
    wrong = client.post(at, {"reading": "x"}, follow=True).content.decode()
    assert "Choose one of the readings shown." in wrong
    assert logged_in(Role.SALES).post(at, {"reading": ""}).status_code == 403
