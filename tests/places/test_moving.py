"""Moving valves between places with a scanner."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client

from stockroom.models import Entry, Movement, Valve
from stockroom.places import moving
from stockroom.pure.serials import serial
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import make_line, make_place, make_user, make_valve, make_valves

pytestmark = pytest.mark.django_db


@pytest.fixture
def packer(logged_in) -> Client:
    return logged_in(Role.SALES)


def scan(client: Client, place: str, valves: str) -> Any:
    return client.post(f"/move/?place={place}", {"valves": valves}, follow=True)


def stands(valve: Valve) -> str:
    valve.refresh_from_db()
    return str(valve.place)


def test_scanning_a_place_then_a_valve_moves_it(packer: Client) -> None:
    valve = make_valve(place=make_place("A1"))
    make_place("B2")
    assert packer.get("/move/", {"place": "b2"}).context["place"].code == "B2"
    page = scan(packer, "B2", valve.serial).content.decode()
    assert f"{valve.serial}, 12AX7, moved to B2." in page
    assert stands(valve) == "B2"


def test_a_move_is_kept_with_where_from_and_who() -> None:
    valve = make_valve(place=make_place("A1"))
    by = make_user("rosa", Role.BENCH)
    moving.move([valve], make_place("B2"), by)
    movement = Movement.objects.get()
    assert (str(movement.from_place), str(movement.to_place), movement.by) == ("A1", "B2", by)
    entry = Entry.objects.exclude(action="logged-in").get()
    assert entry.text == f"{valve.serial} moved from A1 to B2."
    assert (entry.valve, entry.lot, entry.by) == (valve, valve.line.lot, by)
    assert list(Entry.objects.for_valve(valve)) == [entry]


def test_a_valve_without_a_place_is_put_away(packer: Client) -> None:
    valve = make_valve()
    make_place("B2")
    scan(packer, "B2", valve.serial)
    assert Entry.objects.get(valve=valve).text == f"{valve.serial} moved from no place to B2."


def test_a_valve_that_is_there_already_is_left_alone(packer: Client) -> None:
    valve = make_valve(place=make_place("B2"))
    assert f"{valve.serial}, 12AX7, is in B2 already." in scan(packer, "B2", valve.serial).content.decode()
    assert not Movement.objects.exists()


def test_the_cursor_waits_for_the_next_valve(packer: Client) -> None:
    make_place("B2")
    for address in ("/move/", "/move/?place=B2"):
        page = packer.get(address).content.decode()
        assert page.count(" autofocus") == 1
    assert re.search(r'name="valves" value=""[^>]* autofocus', page)


def test_scanning_another_place_goes_on_there(packer: Client) -> None:
    make_place("B2")
    make_place("C 3")
    answer = packer.post("/move/?place=B2", {"valves": "c 3"})
    assert answer["Location"] == "/move/?place=C+3"


@pytest.mark.parametrize("between", ["\n", "\r\n", " ", ", ", ";", "\t"])
def test_many_are_pasted_at_once(packer: Client, between: str) -> None:
    valves = make_valves(count=20)
    make_place("B2")
    page = scan(packer, "B2", between.join(valve.serial for valve in valves)).content.decode()
    assert "20 valves moved to B2." in page
    assert {stands(valve) for valve in valves} == {"B2"}


def test_a_serial_pasted_twice_moves_once(packer: Client) -> None:
    valve, other = make_valves(count=2)
    make_place("B2")
    scan(packer, "B2", f"{valve.serial}\n{other.serial}\n{valve.serial}")
    assert Movement.objects.count() == 2


def test_one_bad_serial_moves_nothing_and_each_is_named(packer: Client) -> None:
    good = make_valve()
    gone = make_valve(state=State.DESPATCHED)
    broken = make_valve(state=State.WRITTEN_OFF, written_off="dropped")
    make_place("B2")
    typed = "\n".join([good.serial, "10000013", "12ax7", serial(9999), gone.serial, broken.serial])
    answer = scan(packer, "B2", typed)
    page = answer.content.decode()
    assert answer.context["problems"] == [
        "“10000013” has a wrong digit or two digits swapped: its check digit does not agree.",
        "“12ax7” is not a serial: a serial is 8 digits.",
        f"{serial(9999)}: no valve here has this serial.",
        f"{gone.serial} was despatched; take it back as a return before it is put on a shelf.",
        f"{broken.serial} is written off: dropped.",
    ]
    assert "Nothing was moved." in page
    assert all(text in page for text in typed.split("\n"))  # kept, to be put right
    assert page.count(" autofocus") == 1
    assert stands(good) == "None" and not Movement.objects.exists()


def test_nothing_scanned_is_said(packer: Client) -> None:
    make_place("B2")
    assert "Nothing was scanned." in scan(packer, "B2", "  ").content.decode()


def test_an_unknown_place_is_named_and_kept(packer: Client) -> None:
    page = packer.get("/move/", {"place": "Z99"}).content.decode()
    assert "No place has the code “Z99”." in page
    assert 'value="Z99"' in page
    assert "Scan the label on the shelf" in packer.get("/move/", {"place": ""}).content.decode()


def test_a_valve_cannot_be_moved_to_an_unknown_place(packer: Client) -> None:
    valve = make_valve()
    page = packer.post("/move/?place=Z99", {"valves": valve.serial})
    assert page.status_code == 200 and not Movement.objects.exists()


def test_the_queries_do_not_grow_with_the_valves(django_assert_max_num_queries) -> None:
    valves = make_valves(line=make_line(count=400, place=None), count=400, place=make_place("A1"))
    place = make_place("B2")
    with django_assert_max_num_queries(30):  # rows go in by the hundred, as SQLite allows
        found = moving.read_valves("\n".join(valve.serial for valve in valves))
        assert len(moving.move(found, place, None)) == 400


@pytest.mark.parametrize("role", [Role.RECEIVING, Role.BENCH, Role.SALES])
def test_everybody_with_work_in_the_house_may_move(logged_in, role: Role) -> None:
    valve = make_valve()
    make_place("B2")
    scan(logged_in(role), "B2", valve.serial)
    assert stands(valve) == "B2"


def test_a_login_without_a_role_may_not_move(logged_in) -> None:
    make_place("B2")
    assert logged_in().post("/move/?place=B2", {"valves": "10000012"}).status_code == 403
