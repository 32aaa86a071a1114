"""What happens to one valve apart from tests: it is identified by its glass, or written off.

- `identify(valve, type, maker, date_code, by)`
- `write_off(valve, reason, by)`
"""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db import transaction

from catalog.models import ValveType
from grading import judging, progress
from stockroom.models import Entry, Maker, Valve


class CannotWriteOff(Exception):
    """The valve is promised to somebody or something. The message says what to do first."""


@transaction.atomic
def identify(valve: Valve, type_: ValveType, maker: Maker | None, date_code: str, by: User) -> None:
    """Record what the glass says. A change of type throws out the standing grade: the test point is another."""
    valve = Valve.objects.select_for_update(of=("self",)).select_related("type", "maker", "line__lot").get(pk=valve.pk)
    changes = (
        ("type", valve.type, type_),
        ("marked maker", valve.maker, maker),
        ("code as stamped", valve.date_code, date_code),
    )
    told = [f"{name} {was or '–'} → {now or '–'}" for name, was, now in changes if was != now]
    if not told:
        return
    if valve.type != type_:
        judging.withdraw(valve)
    valve.type, valve.maker, valve.date_code = type_, maker, date_code
    valve.save()
    Entry.write(by, "identified", "Identified: " + "; ".join(told), valve=valve, lot=valve.line.lot)
    progress.refresh([valve.pk])


@transaction.atomic
def write_off(valve: Valve, reason: str, by: User) -> None:
    """Broken or lost: it counts as stock no longer."""
    valve = Valve.objects.select_for_update(of=("self",)).select_related("line__lot").get(pk=valve.pk)
    for records, hindrance in (
        (valve.allocations, "it is set aside for an order: put it back"),
        (valve.memberships, "it is in a set: break the set up"),
        (valve.listings, "it is listed: end the listing"),
    ):
        if records.filter(live=True).exists():
            raise CannotWriteOff(f"{valve} cannot be written off: {hindrance} first.")
    valve.written_off = reason
    valve.save()
    Entry.write(by, "written-off", f"Written off: {reason}", valve=valve, lot=valve.line.lot)
    progress.refresh([valve.pk])
