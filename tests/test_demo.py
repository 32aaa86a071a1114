"""The demonstration shop: what is in it, and that it says it is invented."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date
from io import StringIO
from statistics import correlation, mean, stdev
from typing import NamedTuple

import pytest
from django.contrib.auth.models import Group, User
from django.core.management import call_command
from django.db import transaction
from django.test import Client

from grading import demo, pulling
from grading.models import Grade, MatchedSet, Member, Reading
from stockroom.models import Allocation, Entry, Line, Listing, Lot, Order, Return, Shop, Valve
from stockroom.people import Role
from stockroom.states import State

DAY = date(2024, 5, 31)


class Made(NamedTuple):
    said: str
    first: list[tuple[object, ...]]
    again: list[tuple[object, ...]]


@pytest.fixture(scope="module")
def shop(django_db_setup: None, django_db_blocker) -> Iterator[Made]:
    """The shop as the command makes it, for the whole module: made once, undone, and made again."""
    with django_db_blocker.unblock(), transaction.atomic():
        with transaction.atomic():
            call_command("demo", date=DAY, stdout=StringIO())
            first = _contents()
            transaction.set_rollback(True)
        said = StringIO()
        call_command("demo", date=DAY, stdout=said)
        yield Made(said.getvalue(), first, _contents())
        transaction.set_rollback(True)


def _contents() -> list[tuple[object, ...]]:
    return [
        *Valve.objects.order_by("serial").values_list("serial", "type__designation", "state", "created_at"),
        *Reading.objects.order_by("taken_at", "valve__serial", "section").values_list(
            "valve__serial", "section", "anode_current_ma", "gm_ma_per_v", "taken_at"),
        *Grade.objects.order_by("valve__serial", "given_at").values_list("valve__serial", "name", "given_at"),
        *Member.objects.order_by("valve__serial").values_list("set__number", "valve__serial", "set__made_at"),
        *Entry.objects.order_by("at", "text", "valve__serial").values_list("at", "text"),
    ]  # fmt: skip


def lot_of_pieces(count: int) -> Lot:
    return next(lot for lot in Lot.objects.all() if sum(line.pieces for line in lot.lines.all()) == count)


def test_it_says_that_it_is_invented_and_how_to_log_in(shop: Made, db: None) -> None:
    assert demo.NOTICE in shop.said
    for role in Role:
        assert role in shop.said
        client = Client()
        assert client.login(username=role.value, password=demo.PASSWORD)
        page = client.get("/")
        assert page.status_code == 200
        assert demo.NOTICE in page.content.decode()
        assert User.objects.get(username=role.value).groups.get() == Group.objects.get(name=role.value)
    assert demo.PASSWORD in shop.said


def test_one_lot_has_240_new_valves_and_the_other_60_used_ones(shop: Made, db: None) -> None:
    new, used = lot_of_pieces(240), lot_of_pieces(60)
    assert {line.condition for line in used.lines.all()} == {Line.Condition.USED}
    assert Line.Condition.USED not in {line.condition for line in new.lines.all()}
    assert new.supplier.currency != Shop.own().currency
    assert new.lines.values("type").distinct().count() >= 3


def test_the_counts_differ_a_little_from_what_was_expected(shop: Made, db: None) -> None:
    differences = [line.discrepancy for line in Line.objects.all()]
    assert None not in differences
    assert {-1, 0, 1} == set(differences)


def test_the_cost_of_each_lot_is_shared_to_the_penny(shop: Made, db: None) -> None:
    from stockroom.receiving import cost_of

    for lot in Lot.objects.all():
        cost = cost_of(lot, "GBP")
        assert cost > 0
        assert sum(line.cost for line in lot.lines.all()) == cost
        pieces = [line.cost_of(place, "GBP") for line in lot.lines.all() for place in range(line.pieces)]
        assert sum(pieces) == cost


def test_some_pieces_are_in_bulk_and_some_valves_untested(shop: Made, db: None) -> None:
    assert any(line.pieces > line.valves.count() for line in Line.objects.all())
    untested = Valve.objects.filter(readings=None, state=State.RECEIVED).count()
    assert 0 < untested < 20


def test_most_valves_are_graded_by_readings_of_every_section(shop: Made, db: None) -> None:
    graded = Grade.objects.filter(standing=True).count()
    assert graded > 0.85 * Valve.objects.count()
    assert {grade.name for grade in Grade.objects.filter(standing=True)} == {"Excellent", "Good", "Usable", "Unfit"}


def test_new_valves_spread_about_their_nominals_as_the_trade_finds(shop: Made, db: None) -> None:
    logs_ia: list[float] = []
    logs_gm: list[float] = []
    halves: dict[int, list[float]] = {}
    rows = Reading.objects.filter(
        valve__line__lot=lot_of_pieces(240), superseded_by=None, shorted=False
    ).select_related("test_point")
    for reading in rows:
        assert reading.anode_current_ma and reading.gm_ma_per_v and reading.test_point.gm_ma_per_v
        logs_ia.append(math.log(reading.anode_current_ma / reading.test_point.anode_current_ma))
        logs_gm.append(math.log(reading.gm_ma_per_v / reading.test_point.gm_ma_per_v))
        halves.setdefault(reading.valve_id, []).append(logs_ia[-1])
    assert len(logs_ia) > 300
    assert abs(mean(logs_ia)) < 0.05 and abs(mean(logs_gm)) < 0.05
    assert 0.07 < stdev(logs_ia) < 0.15
    assert 0.06 < stdev(logs_gm) < 0.13
    assert 0.4 < correlation(logs_ia, logs_gm) < 0.85
    first, second = zip(*[pair for pair in halves.values() if len(pair) == 2], strict=True)
    assert correlation(first, second) > 0.4


def test_used_valves_are_weaker_than_new_ones(shop: Made, db: None) -> None:
    def share(lot: Lot) -> float:
        rows = Reading.objects.filter(valve__line__lot=lot, shorted=False).select_related("test_point")
        return mean(row.anode_current_ma / row.test_point.anode_current_ma for row in rows if row.anode_current_ma)

    assert share(lot_of_pieces(60)) < share(lot_of_pieces(240)) - 0.05


def test_there_are_shorts_leakage_weak_sections_noise_and_a_corrected_slip(shop: Made, db: None) -> None:
    assert Reading.objects.filter(shorted=True).exclude(short_between="").count() >= 2
    assert Reading.objects.filter(heater_cathode_leakage_ua__gt=20).exists()
    assert Reading.objects.filter(noise=Reading.Noise.NOISY).exists()
    assert any(
        reading.gm_ma_per_v and reading.test_point.gm_ma_per_v
        and reading.gm_ma_per_v < 0.7 * reading.test_point.gm_ma_per_v
        for reading in Reading.objects.filter(valve__line__lot=lot_of_pieces(240)).select_related("test_point")
    )  # fmt: skip
    correction = Reading.objects.exclude(supersedes=None).get()
    assert correction.reason
    assert correction.supersedes is not None and correction.supersedes.gm_ma_per_v != correction.gm_ma_per_v
    assert correction.taken_at == correction.supersedes.taken_at  # it says what the meter showed then
    assert Entry.objects.filter(valve=correction.valve, action="reading-corrected").exists()
    grade = Grade.objects.get(valve=correction.valve, standing=True)
    assert correction in grade.readings.all() and correction.supersedes not in grade.readings.all()


def test_two_matched_quads_are_made_and_some_pairs(shop: Made, db: None) -> None:
    quads = MatchedSet.objects.live().filter(size=4)
    assert quads.count() == 2
    assert {quad.type.designation for quad in quads} == {"EL84"}
    assert MatchedSet.objects.live().filter(size=2).count() >= 3
    assert Member.objects.filter(live=True).values("valve").distinct().count() == Member.objects.count()


def test_one_order_waits_to_be_pulled_one_is_open_and_one_was_sent(shop: Made, db: None) -> None:
    assert sorted(Order.objects.values_list("state", flat=True)) == ["despatched", "open", "reserved"]
    waiting = Order.objects.get(state=Order.State.RESERVED)
    assert Allocation.objects.filter(order_line__order=waiting, live=True, pulled_at=None).count() == 4
    open_line = Order.objects.get(state=Order.State.OPEN).lines.first()
    assert open_line is not None and pulling.options(open_line)  # something in stock meets it


def test_a_valve_came_back_and_waits_for_the_bench(shop: Made, db: None) -> None:
    back = Return.objects.get()
    assert back.valve.state == State.RECEIVED
    assert not Grade.objects.filter(valve=back.valve, standing=True).exists()


def test_a_set_and_a_single_are_before_the_public(shop: Made, db: None) -> None:
    sizes = [listing.listed.count() for listing in Listing.objects.for_public_display()]
    assert 1 in sizes and 4 in sizes
    assert Client().get("/for-sale/").status_code == 200


def test_everything_happened_in_the_weeks_before_the_day(shop: Made, db: None) -> None:
    days = {entry.at.date() for entry in Entry.objects.all()}
    days |= {reading.taken_at.date() for reading in Reading.objects.all()}
    days |= {grade.given_at.date() for grade in Grade.objects.all()}
    assert max(days) < DAY
    assert (DAY - min(days)).days < 60
    assert len(days) > 12
    for reading in Reading.objects.select_related("shift", "valve__line__lot"):
        assert reading.shift.ended_at is not None
        assert reading.shift.started_at <= reading.taken_at <= reading.shift.ended_at
        assert reading.valve.created_at < reading.taken_at
        assert reading.valve.line.lot.received_on < reading.taken_at.date()


def test_the_stored_states_agree_with_the_records(shop: Made, db: None) -> None:
    call_command("check_states", stdout=StringIO())


def test_a_second_time_it_is_left_as_it_is(shop: Made, db: None) -> None:
    before = (Valve.objects.count(), Entry.objects.count(), User.objects.count())
    said = StringIO()
    call_command("demo", date=DAY, stdout=said)
    assert "there already" in said.getvalue()
    assert demo.PASSWORD in said.getvalue()
    assert (Valve.objects.count(), Entry.objects.count(), User.objects.count()) == before


def test_more_valves_are_added_tested_and_graded(shop: Made, db: None) -> None:
    said = StringIO()
    call_command("demo", date=DAY, valves=77, stdout=said)
    lot = lot_of_pieces(77)
    assert str(lot) in said.getvalue()
    assert Valve.objects.filter(line__lot=lot).exclude(state=State.GRADED).count() == 0
    assert Grade.objects.filter(valve__line__lot=lot, standing=True).count() == 77
    assert lot.state == State.GRADED
    call_command("check_states", stdout=StringIO())


def test_the_same_day_gives_the_same_shop(shop: Made, db: None) -> None:
    assert len(shop.first) > 1000
    assert shop.again == shop.first
