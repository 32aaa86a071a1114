"""An invented shop with a past, made from fixtures/demo.toml and a fixed seed.

- `is_empty()`, `is_demo()`: what stands in the database now
- `make(day)`: two lots received, tested, graded, matched, listed and partly sold in the weeks before `day`
- `add_valves(count, day)`: one large lot more, tested and graded
- `PASSWORD`: of every login; each login is named after its role

Everything is done by the functions that the pages call, so the records are what the shop's work leaves
behind; only the readings are simulated (grading/demo_readings.py). The same day gives the same shop.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from functools import cache
from random import Random
from typing import Any

from django.conf import settings
from django.contrib.auth.models import Group, User
from django.db import models, transaction
from django.db.models import Max
from django.utils import timezone

from catalog.models import Section, TestPoint, ValveType
from grading import bench, judging, listing, progress, pulling, sets
from grading.demo_readings import mistype, read_meters, strengths
from grading.models import Grade, MatchedSet, Policy, Reading, Shift, Tester
from stockroom import keeping, receiving
from stockroom.changes import fitted
from stockroom.models import (
    Allocation,
    Charge,
    Counter,
    Customer,
    Despatch,
    Entry,
    Line,
    Listing,
    Lot,
    Maker,
    Movement,
    Order,
    OrderLine,
    Place,
    Return,
    Shop,
    Supplier,
    Valve,
)
from stockroom.people import Role
from stockroom.states import State

NOTICE = "Demonstration: everything here is invented."
PASSWORD = "warm-cathode-1950"  # for a demonstration only, and printed by the command
SEED = 1950

A_SHIFT = 45  # valves
A_VALVE = timedelta(minutes=3)

# What happened when is told by these; `at` sets them back.
TIMES: dict[type[models.Model], str] = {
    Allocation: "made_at", Despatch: "at", Entry: "at", Grade: "given_at", Listing: "listed_at", Lot: "created_at",
    MatchedSet: "made_at", Movement: "at", Order: "placed_at", Return: "at", Valve: "created_at",
}  # fmt: skip


def is_demo() -> bool:
    return Shop.objects.filter(notice=NOTICE).exists()


def is_empty() -> bool:
    """Nobody has begun to work in this shop."""
    begun: tuple[type[models.Model], ...] = (User, Supplier, Lot, Customer, Order, Reading)
    return not any(model._default_manager.exists() for model in begun)


@cache
def _plan() -> dict[str, Any]:
    return tomllib.loads((settings.BASE_DIR / "fixtures" / "demo.toml").read_text())


@transaction.atomic
def make(day: date) -> None:
    """Fill an empty shop. The valve types and a policy must be loaded."""
    rng = Random(SEED)
    people = _settle_in(_plan())
    received = [_receive(plan, people, day) for plan in _plan()["lot"]]
    for lot, plan in zip(received, _plan()["lot"], strict=True):
        _test(lot, plan, people, rng, day)
    _trade(people, day)


@transaction.atomic
def add_valves(count: int, day: date) -> Lot:
    """A lot of `count` valves, all tested and graded. Needs the shop that `make` made."""
    plan = _plan()["large_lot"]
    lines = [{**line, "pieces": pieces} for line, pieces in _parted(plan["line"], count) if pieces]
    shifts = -(-count // (4 * A_SHIFT))
    people = {role.value: User.objects.filter(groups__name=role)[0] for role in (Role.RECEIVING, Role.BENCH)}
    cost = {"kind": "goods", "amount": Decimal(plan["price_each"]) * count, "currency": plan["currency"]}
    lot_plan = {
        "supplier": plan["supplier"], "received": shifts + 4, "note": plan["note"],
        "charges": [{**cost, "rate": plan["rate"]}],
        "line": [
            {**line, "expected": line["pieces"], "counted": line["pieces"], "serials": line["pieces"],
             "tested": line["pieces"], "place": plan["place"]}
            for line in lines
        ],
    }  # fmt: skip
    lot = _receive(lot_plan, people, day)
    _test(lot, lot_plan, people, Random(f"{SEED} {lot}"), day, a_shift=4 * A_SHIFT)
    return lot


def _parted(lines: Sequence[dict[str, Any]], count: int) -> Iterator[tuple[dict[str, Any], int]]:
    """The count over the lines by their parts; the last takes what is left over."""
    whole = sum(line["part"] for line in lines)
    left = count
    for line in lines[:-1]:
        pieces = count * line["part"] // whole
        left -= pieces
        yield line, pieces
    yield lines[-1], left


def moment(day: date, working_days_ago: int, hour: int, minute: int = 0) -> datetime:
    """A time of day so many working days before `day`."""
    while working_days_ago:
        day -= timedelta(days=1)
        working_days_ago -= day.weekday() < 5
    return timezone.make_aware(datetime.combine(day, time(hour, minute)))


@contextmanager
def at(when: datetime) -> Iterator[None]:
    """What is done inside happened then."""
    before = {model: model._default_manager.aggregate(last=Max("pk"))["last"] or 0 for model in TIMES}
    yield
    for model, field in TIMES.items():
        model._default_manager.filter(pk__gt=before[model]).update(**{field: when})


def _settle_in(plan: dict[str, Any]) -> dict[str, User]:
    """The shop itself, its people and what they know. People by role."""
    Shop.objects.update_or_create(pk=1, defaults={**plan["shop"], "notice": NOTICE})
    people = {}
    for person in plan["person"]:
        names = {key: person[key] for key in ("first_name", "last_name")}
        user = User.objects.create_user(person["role"], password=PASSWORD, **names)
        user.groups.set(Group.objects.filter(name=person["role"]))
        people[person["role"]] = user
    for model, rows in ((Supplier, plan["supplier"]), (Maker, plan["maker"]), (Place, plan["place"]),
                        (Customer, plan["customer"]), (Tester, plan["tester"])):
        for row in rows:
            model._default_manager.create(**row)
    return people


def _receive(plan: dict[str, Any], people: dict[str, User], day: date) -> Lot:
    """Book in, count, give serials."""
    by = people["receiving"]
    arrived = moment(day, plan["received"], 10, 20)
    with at(arrived):
        lot = Lot(
            supplier=Supplier.objects.get(name=plan["supplier"]), received_on=arrived.date(), note=plan["note"]
        )
        charges = [
            Charge(**{**row, "amount": Decimal(row["amount"]), "rate": Decimal(row["rate"])}) for row in plan["charges"]
        ]
        receiving.book_in(lot, charges, by)
        lines = receiving.add_lines(lot, [_line(row) for row in plan["line"]], by)
    with at(moment(day, plan["received"] - 1, 9, 40)):
        counts: dict[int, int | None] = {
            line.pk: row["counted"] for line, row in zip(lines, plan["line"], strict=True)
        }
        receiving.count_lines(lot, counts, by)
        for line, row in zip(lines, plan["line"], strict=True):
            receiving.allot_serials(line, row["serials"], by)
            _read_the_glass(line, row.get("date_codes", []), by)
    return lot


def _line(row: dict[str, Any]) -> Line:
    maker = row.get("maker")
    return Line(
        type=ValveType.objects.get(designation=row["type"]),
        maker=Maker.objects.get(name=maker) if maker else None,
        condition=row["condition"], expected=row["expected"], weight=Decimal(row.get("weight", "1")),
        place=Place.objects.get(code=row["place"]), note=row.get("note", ""),
    )  # fmt: skip


def _read_the_glass(line: Line, codes: Sequence[str], by: User) -> None:
    """The first valves of the line show these stamped codes."""
    for valve, code in zip(line.valves.order_by("position"), codes, strict=False):
        valve.date_code = code
        valve.save()
        Entry.write(by, "identified", f"Identified: code as stamped – → {code}", valve=valve, lot=line.lot)


def _test(
    lot: Lot, plan: dict[str, Any], people: dict[str, User], rng: Random, day: date, a_shift: int = A_SHIFT
) -> None:
    """Take the lot to the bench shift by shift, and grade after each."""
    rows = dict(enumerate(plan["line"], 1))
    faults = {(fault["line"], fault["position"]): fault for fault in plan.get("fault", [])}
    valves = Valve.objects.filter(line__lot=lot).select_related("line__lot").order_by("line__number", "position")
    waiting = [valve for valve in valves if valve.position < rows[valve.line.number]["tested"]]
    points = _test_points({valve.type_id for valve in waiting})
    direct = set(ValveType.objects.filter(cathode="direct").values_list("pk", flat=True))
    testers = list(Tester.objects.filter(in_use=True).order_by("name"))
    by = people["bench"]
    for number, start in enumerate(range(0, len(waiting), a_shift)):
        begun = moment(day, plan["received"] - 2 - number, 9, 5)
        batch = waiting[start : start + a_shift]
        shift = Shift.objects.create(
            tester=testers[number % len(testers)], operator=by, started_at=begun,
            ended_at=begun + A_VALVE * (len(batch) + 2),
        )  # fmt: skip
        readings: dict[int, list[Reading]] = {}
        slips: list[tuple[Reading, float]] = []
        for place, valve in enumerate(batch, 1):
            row, fault = rows[valve.line.number], faults.get((valve.line.number, valve.position), {})
            factors = strengths(rng, len(points[valve.type_id]), row.get("strength", 1), row.get("wear", 0))
            readings[valve.pk] = []
            for point, factor in zip(points[valve.type_id], factors, strict=True):
                mine = fault if fault.get("section") == point.section.number else {}
                reading = read_meters(rng, point, factor, mine, leaks=valve.type_id not in direct)
                reading.valve, reading.shift, reading.taken_at = valve, shift, begun + A_VALVE * place
                if mine.get("slip"):
                    slips.append((reading, mistype(reading)))
                readings[valve.pk].append(reading)
        _keep(batch, readings, shift)
        for wrong, right in slips:
            with at(wrong.taken_at + A_VALVE / 2):
                reason = f"gm typed as {wrong.gm_ma_per_v:g}; the meter showed {right:g}"
                bench.correct(wrong, replace(bench.Taken.of(wrong), gm_ma_per_v=right), reason, by)


def _keep(valves: Sequence[Valve], readings: dict[int, list[Reading]], shift: Shift) -> None:
    """As `bench.take` does valve by valve, for a whole shift and at the times that the readings bear."""
    by, entries = shift.operator, []
    Reading.objects.bulk_create([one for some in readings.values() for one in some], batch_size=progress.CHUNK)
    grades = judging.grade(valves, Policy.current(), by)
    for valve in valves:
        taken, grade = readings[valve.pk], grades[valve.pk]
        grade.given_at = taken[0].taken_at
        text = fitted(f"Tested at {shift.tester}: {bench.in_words(taken)}. {grade}.")
        about = {"valve": valve, "line": valve.line, "lot": valve.line.lot}
        entries.append(Entry(at=grade.given_at, by=by, action="tested", text=text, **about))
    Grade.objects.bulk_update(grades.values(), ["given_at"], batch_size=100)
    Entry.objects.bulk_create(entries, batch_size=progress.CHUNK)


def _test_points(types: set[int]) -> dict[int, list[TestPoint]]:
    """The bench's own test point of each section, by type."""
    found: dict[int, list[TestPoint]] = {type_id: [] for type_id in types}
    for section in Section.objects.filter(type__in=types).prefetch_related("test_points").order_by("number"):
        if section.test_point:
            found[section.type_id].append(section.test_point)
    return found


def _trade(people: dict[str, User], day: date) -> None:
    """Sets are made, items listed, orders taken, one sent, one valve back."""
    tester, sales = people["bench"], people["sales"]
    repairs, private, studio = Customer.objects.order_by("pk")

    with at(moment(day, 14, 15, 10)):
        quads = _match("EL84", 4, 2, 5, tester)
        pairs = _match("6SN7GT", 2, 3, 8, tester) + _match("6550", 2, 1, 10, tester)
        boxed = [member.valve for made in (*quads, *pairs) for member in made.members.select_related("valve")]
        keeping.move(boxed, Place.objects.get(code="M1"), tester)
    with at(moment(day, 13, 11)):
        broken = Valve.objects.filter(type__designation="12AX7", state=State.RECEIVED).order_by("serial")[0]
        _write_off(broken, "dropped while unpacking; glass in the bin for sharps", people["receiving"])

    sent = moment(day, 10, 14, 30)
    with at(moment(day, 11, 16)):
        order = _order(repairs, sales, "four for two amplifiers; quiet ones please")
        line = _ask(order, sales, "12AX7", 1, 4, price="24.00")
        for _ in range(4):
            pulling.accept(line, pulling.options(line)[0].valves, sales)
    with at(sent):
        valves = list(Valve.objects.filter(allocations__order_line=line).order_by("serial"))
        for valve in valves:
            pulling.pull(order, valve, sales)
        Allocation.objects.filter(order_line=line).update(pulled_at=sent)
        order.refresh_from_db()
        pulling.despatch(order, "Tallowmere Carriers", "TC 4417 093", sales)
    with at(moment(day, 3, 10, 45)):
        order.refresh_from_db()
        pulling.take_back(order, valves[1], "hums in one channel, the customer says", sales)

    with at(moment(day, 9, 12)):
        _publish(quads[1], "168.00", sales)
        _publish(pairs[0], "58.00", sales)
    with at(moment(day, 8, 12)):
        _publish(_best_single("6SN7GT"), "27.50", sales)

    with at(moment(day, 2, 11, 20)):
        order = _order(private, sales, "")
        line = _ask(order, sales, "EL84", 4, 1, within=5, price="160.00")
        ready = [option for option in pulling.options(line) if option.set == quads[0]]
        pulling.accept(line, ready[0].valves, sales)
    with at(moment(day, 1, 17, 5)):
        order = _order(studio, sales, "no hurry")
        _ask(order, sales, "6SN7GT", 2, 2, within=10, price="55.00")
        _ask(order, sales, "12AX7", 1, 6, price="24.00")


def _match(designation: str, size: int, count: int, within: float, by: User) -> list[MatchedSet]:
    """The first `count` sets that the page would propose."""
    type = ValveType.objects.get(designation=designation)
    proposals = sets.propose(type, size, within, best_grades=3, same_maker=True, time_limit_s=5)
    return [sets.make_set(proposal.valves, within, by) for proposal in proposals[:count]]


def _write_off(valve: Valve, reason: str, by: User) -> None:
    valve.written_off = reason
    valve.save()
    Entry.write(by, "written-off", f"Written off: {reason}", valve=valve, lot=valve.line.lot)
    progress.refresh([valve.pk])


def _order(customer: Customer, by: User, note: str) -> Order:
    order = Order.objects.create(
        number=f"R{Counter.take('order')[0]:04d}", customer=customer, note=note, placed_by=by
    )
    Entry.write(by, "order-taken", f"Took {order} from {customer}", order=order)
    return order


def _ask(
    order: Order, by: User, designation: str, size: int, quantity: int, *, price: str, within: float | None = None
) -> OrderLine:
    line = OrderLine.objects.create(
        order=order, type=ValveType.objects.get(designation=designation), set_size=size, quantity=quantity,
        max_spread_percent=within, unit_price=Decimal(price),
    )  # fmt: skip
    Entry.write(by, "order-line", f"{order}: {line.asked}", order=order)
    return line


def _best_single(designation: str) -> Sequence[Valve]:
    """A valve of the best grade that is free and in no set."""
    found = sets.available(ValveType.objects.get(designation=designation), best_grades=1)
    return [found[0].valve]


def _publish(item: MatchedSet | Sequence[Valve], price: str, by: User) -> Listing:
    if isinstance(item, MatchedSet):
        wanted = Valve.objects.filter(memberships__set=item).order_by("memberships__position")
    else:
        wanted = Valve.objects.filter(pk__in=[valve.pk for valve in item])
    valves = list(wanted.select_related("type", "maker", "line__lot"))
    return listing.publish(
        valves, listing.title(valves), listing.describe(valves), Decimal(price), Shop.own().currency, by
    )
