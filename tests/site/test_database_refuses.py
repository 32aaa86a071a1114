"""What must never be true is refused by the database itself, whatever program asks: rows are made here without
any of the shop's own functions."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.utils import timezone

from grading.models import Grade, MatchedSet, Member, Policy, Reading, Shift
from stockroom.models import Allocation, Charge, Customer, Line, ListedValve, Listing, Order, OrderLine, Valve
from tests import factories

pytestmark = pytest.mark.django_db


@contextmanager
def refused(*names: str) -> Iterator[None]:
    """What is done inside breaks a rule. PostgreSQL's message names the constraint; SQLite's names it when it is
    a check, and the columns when it is a unique one."""
    with pytest.raises(IntegrityError) as problem, transaction.atomic():
        yield
    assert any(name in str(problem.value) for name in names), problem.value


@pytest.fixture
def valve() -> Valve:
    valve = factories.make_valve()
    factories.graded(valve)
    return valve


def make_set(number: str, valve: Valve) -> MatchedSet:
    return MatchedSet.objects.create(
        number=number, type=valve.type, size=2, tolerance_percent=5, policy=Policy.current()
    )


def make_order_line(number: str) -> OrderLine:
    customer = Customer.objects.create(name="Ada Quill")
    return Order.objects.create(number=number, customer=customer).lines.create(type=factories.make_type())


def make_listing(number: str) -> Listing:
    return Listing.objects.create(number=number, title="One", price=Decimal(20), currency="GBP")


def join(matched: MatchedSet, valve: Valve, position: int = 1, *, live: bool = True) -> Member:
    return Member.objects.create(set=matched, valve=valve, grade=valve.grades.get(), position=position, live=live)


def test_a_valve_in_two_live_sets_is_refused(valve: Valve) -> None:
    first, second = make_set("S00001", valve), make_set("S00002", valve)
    member = join(first, valve)
    with refused("a_valve_is_in_one_live_set_at_most", "grading_member.valve_id"):
        join(second, valve)
    Member.objects.filter(pk=member.pk).update(live=False)
    join(second, valve)  # the first set is broken, so the second may have it
    with refused("a_valve_is_in_one_live_set_at_most", "grading_member.valve_id"):
        Member.objects.filter(pk=member.pk).update(live=True)
    assert Member.objects.filter(valve=valve, live=True).count() == 1


def test_a_valve_in_any_number_of_broken_sets_is_allowed(valve: Valve) -> None:
    for number in ("S00001", "S00002", "S00003"):
        join(make_set(number, valve), valve, live=False)
    assert valve.memberships.count() == 3


def test_two_valves_in_one_position_of_a_set_are_refused(valve: Valve) -> None:
    other = factories.make_valve()
    factories.graded(other)
    matched = make_set("S00001", valve)
    join(matched, valve, 1)
    with refused("one_member_per_position", "grading_member.set_id, grading_member.position"):
        join(matched, other, 1)


def test_a_valve_on_two_orders_is_refused(valve: Valve) -> None:
    first, second = make_order_line("R0001"), make_order_line("R0002")
    taken = Allocation.objects.create(order_line=first, item=1, valve=valve)
    with refused("a_valve_is_on_one_order_at_most", "stockroom_allocation.valve_id"):
        Allocation.objects.create(order_line=second, item=1, valve=valve)
    Allocation.objects.filter(pk=taken.pk).update(live=False)
    Allocation.objects.create(order_line=second, item=1, valve=valve)
    with refused("a_valve_is_on_one_order_at_most", "stockroom_allocation.valve_id"):
        Allocation.objects.filter(pk=taken.pk).update(live=True)
    assert Allocation.objects.filter(valve=valve, live=True).count() == 1


def test_a_valve_twice_on_one_order_is_refused(valve: Valve) -> None:
    line = make_order_line("R0001")
    Allocation.objects.create(order_line=line, item=1, valve=valve)
    with refused("a_valve_is_on_one_order_at_most", "stockroom_allocation.valve_id"):
        Allocation.objects.create(order_line=line, item=2, valve=valve)


def test_a_valve_on_two_live_listings_is_refused(valve: Valve) -> None:
    first, second = make_listing("A00001"), make_listing("A00002")
    row = ListedValve.objects.create(listing=first, valve=valve)
    with refused("a_valve_is_on_one_live_listing", "stockroom_listedvalve.valve_id"):
        ListedValve.objects.create(listing=second, valve=valve)
    ListedValve.objects.filter(pk=row.pk).update(live=False)
    ListedValve.objects.create(listing=second, valve=valve)
    assert ListedValve.objects.filter(valve=valve, live=True).count() == 1


def test_a_bulk_insert_is_refused_as_a_whole(valve: Valve) -> None:
    other = factories.make_valve()
    line = make_order_line("R0001")
    with refused("a_valve_is_on_one_order_at_most", "stockroom_allocation.valve_id"):
        Allocation.objects.bulk_create(
            [Allocation(order_line=line, item=item, valve=one) for item, one in enumerate((other, valve, valve), 1)]
        )
    assert not Allocation.objects.exists()


def test_two_standing_grades_are_refused(valve: Valve) -> None:
    with refused("one_current_grade", "grading_grade.valve_id"):
        Grade.objects.create(valve=valve, policy=Policy.current(), name="Good", rank=2, saleable=True)


def test_two_policies_in_force_are_refused(valve: Valve) -> None:
    with refused("one_policy_in_force", "grading_policy.in_force"):
        Policy.objects.create(version=2, title="Another", rules={}, in_force=True)


def test_two_valves_with_one_serial_are_refused(valve: Valve) -> None:
    with refused("serial"):
        Valve.objects.create(serial=valve.serial, line=valve.line, position=1, type=valve.type)


def test_two_valves_in_one_position_of_a_line_are_refused(valve: Valve) -> None:
    with refused("one_valve_per_position", "stockroom_valve.line_id, stockroom_valve.position"):
        Valve.objects.create(serial="90000000", line=valve.line, position=valve.position, type=valve.type)


def test_two_lines_with_one_number_are_refused(valve: Valve) -> None:
    with refused("line_numbers_differ", "stockroom_line.lot_id, stockroom_line.number"):
        Line.objects.create(lot=valve.line.lot, number=valve.line.number, type=valve.type, condition="used", expected=1)


def test_a_charge_without_a_rate_is_refused(valve: Valve) -> None:
    with refused("a_charge_has_a_rate"):
        Charge.objects.create(lot=valve.line.lot, kind="duty", amount=-1, currency="GBP", rate=0)


def test_a_person_on_two_shifts_is_refused(valve: Valve) -> None:
    shift = factories.make_shift()
    with refused("a_person_is_on_one_shift", "grading_shift.operator_id"):
        Shift.objects.create(tester=shift.tester, operator=shift.operator)
    Shift.objects.filter(pk=shift.pk).update(ended_at=timezone.now())
    Shift.objects.create(tester=shift.tester, operator=shift.operator)


def reading_like(reading: Reading, **changed: Any) -> Reading:
    return Reading(
        **{
            "valve": reading.valve,
            "section": reading.section,
            "test_point": reading.test_point,
            "shift": reading.shift,
            **changed,
        }
    )


@pytest.mark.parametrize("field", ["anode_current_ma", "gm_ma_per_v", "heater_cathode_leakage_ua"])
def test_a_negative_reading_is_refused(valve: Valve, field: str) -> None:
    reading = valve.readings.all()[0]
    with refused("readings_not_negative"):
        Reading.objects.bulk_create([reading_like(reading, **{field: -0.1})])


def test_a_correction_without_a_reason_and_a_second_correction_are_refused(valve: Valve) -> None:
    reading = valve.readings.all()[0]
    with refused("a_correction_says_why"):
        Reading.objects.bulk_create([reading_like(reading, supersedes=reading)])
    Reading.objects.bulk_create([reading_like(reading, supersedes=reading, reason="a slip")])
    with refused("supersedes_id"):
        Reading.objects.bulk_create([reading_like(reading, supersedes=reading, reason="another slip")])


@pytest.mark.parametrize("statement", ["UPDATE grading_reading SET gm_ma_per_v = 2", "DELETE FROM grading_reading"])
def test_a_change_of_a_reading_by_any_program_is_refused(valve: Valve, statement: str) -> None:
    before = list(Reading.objects.order_by("pk").values_list("pk", "gm_ma_per_v"))
    Grade.readings.through.objects.all().delete()  # so that nothing but the rule itself stands in the way
    with (
        pytest.raises(DatabaseError, match="never edited or deleted"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)
    assert list(Reading.objects.order_by("pk").values_list("pk", "gm_ma_per_v")) == before


@pytest.mark.parametrize("table", ["valve", "lot", "order"])
def test_forgetting_what_records_stand_on_is_refused(valve: Valve, table: str) -> None:
    """A foreign key holds: a valve with readings, a lot with lines and an order with lines stay."""
    line = make_order_line("R0001")
    key = {"valve": valve.pk, "lot": valve.line.lot_id, "order": line.order_id}[table]
    with pytest.raises(IntegrityError), transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute(f"DELETE FROM stockroom_{table} WHERE id = %s", [key])
        connection.check_constraints()
