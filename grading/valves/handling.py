"""What happens to one valve apart from tests: it is identified by its glass, or written off.

- `identify(valve, sheet, by)`
- `write_off(valve, reason, by)`
"""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db import transaction

from grading.sealed import acceptance
from grading.verdicts import judging, states
from stockroom.marks import identity
from stockroom.marks.identity import Sheet
from stockroom.models import Entry, Valve


class CannotWriteOff(Exception):
    """The valve is promised to somebody or something. The message says what to do first."""


@transaction.atomic
def identify(valve: Valve, sheet: Sheet, by: User) -> bool:
    """Record what the glass says. A change of type throws out the standing grade: the test point is another."""
    if sheet.type is not None and Valve.objects.select_for_update().get(pk=valve.pk).type_id != sheet.type.pk:
        judging.withdraw(valve, by)
    changed = identity.record(valve, sheet, by)
    states.refresh([valve.pk])
    return changed


@transaction.atomic
def write_off(valve: Valve, reason: str, by: User | None) -> None:
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
    states.refresh([valve.pk])
    acceptance.follow([valve.pk], by)
