"""The demonstration's people, places and lots."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import Group, User

from catalog.models import ValveType
from grading.demo.clock import at, moment
from stockroom.models import Charge, Customer, Entry, Line, Lot, Maker, Place, Shop, Supplier
from stockroom.receiving import booking


def settle_in(plan: dict[str, Any], notice: str, password: str) -> dict[str, User]:
    """The shop itself, its people, and whom and what they know. People by role."""
    Shop.objects.update_or_create(pk=1, defaults={**plan["shop"], "notice": notice})
    people = {}
    for person in plan["person"]:
        names = {key: person[key] for key in ("first_name", "last_name")}
        user = User.objects.create_user(person["role"], password=password, **names)
        user.groups.set(Group.objects.filter(name=person["role"]))
        people[person["role"]] = user
    for model, rows in (
        (Supplier, plan["supplier"]),
        (Maker, plan["maker"]),
        (Place, plan["place"]),
        (Customer, plan["customer"]),
    ):
        for row in rows:
            model._default_manager.create(**row)
    return people


def receive(plan: dict[str, Any], people: dict[str, User], day: date) -> Lot:
    """Book in, count, give serials."""
    by = people["receiving"]
    arrived = moment(day, plan["received"], 10, 20)
    with at(arrived):
        lot = Lot(supplier=Supplier.objects.get(name=plan["supplier"]), received_on=arrived.date(), note=plan["note"])
        charges = [
            Charge(**{**row, "amount": Decimal(row["amount"]), "rate": Decimal(row["rate"])}) for row in plan["charges"]
        ]
        booking.book_in(lot, charges, by)
        lines = booking.add_lines(lot, [_line(row) for row in plan["line"]], by)
    with at(moment(day, plan["received"] - 1, 9, 40)):
        counts: dict[int, int | None] = {line.pk: row["counted"] for line, row in zip(lines, plan["line"], strict=True)}
        booking.count_lines(lot, counts, by)
        for line, row in zip(lines, plan["line"], strict=True):
            if row["serials"]:
                booking.allot_serials(line, row["serials"], by)
            _read_the_glass(line, row.get("date_codes", []), by)
    return lot


def _line(row: dict[str, Any]) -> Line:
    maker = row.get("maker")
    return Line(
        type=ValveType.objects.get(designation=row["type"]),
        maker=Maker.objects.get(name=maker) if maker else None,
        condition=row["condition"],
        expected=row["expected"],
        weight=Decimal(row.get("weight", "1")),
        place=Place.objects.get(code=row["place"]),
        note=row.get("note", ""),
    )


def _read_the_glass(line: Line, codes: Sequence[str], by: User) -> None:
    """The first valves of the line show these stamped codes."""
    for valve, code in zip(line.valves.order_by("position"), codes, strict=False):
        valve.date_code = code
        valve.save()
        Entry.write(by, "identified", f"Identified: code as stamped – → {code}", valve=valve, lot=line.lot)
