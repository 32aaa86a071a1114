"""Broken or lost: a valve that is written off counts as stock no longer."""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db import transaction

from stockroom.models import Entry, Valve
from stockroom.pure.refused import Refused
from stockroom.signals import valve_written_off
from stockroom.site.locks import hold_valves
from stockroom.states import State


class CannotWriteOff(Refused):
    """The valve is promised to somebody or something. The message says what to do first."""


@transaction.atomic
def write_off(valve: Valve, reason: str, by: User | None) -> None:
    """Raises CannotWriteOff."""
    (valve,) = hold_valves([valve.pk])
    if valve.state in (State.WRITTEN_OFF, State.DESPATCHED):
        raise CannotWriteOff(f"{valve} is {valve.state} already.")
    for records, hindrance in (
        (valve.allocations, "it is set aside for an order: return it to stock first"),
        (valve.memberships, "it is in a set: break the set up"),
        (valve.listings, "it is listed: end the listing"),
    ):
        if records.filter(live=True).exists():
            raise CannotWriteOff(f"{valve} cannot be written off: {hindrance} first.")
    valve.written_off = reason
    valve.save(update_fields=["written_off"])
    Entry.write(by, "written-off", f"Written off: {reason}", valve=valve, lot=valve.line.lot)
    valve_written_off.send(Valve, valve=valve, by=by)
