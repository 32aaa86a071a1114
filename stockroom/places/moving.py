"""Where each valve stands, and moving it to another place."""

from __future__ import annotations

import re
from collections.abc import Collection

from django.contrib.auth.models import User
from django.db import transaction

from stockroom.models import Entry, Movement, Place, Valve
from stockroom.pure.refused import Refused
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.site.chunks import chunked
from stockroom.site.locks import hold_valves
from stockroom.states import State

IN_HOUSE = frozenset(State) - {State.DESPATCHED, State.WRITTEN_OFF}


class UnknownPlace(Refused):
    """No place has this code."""


class BadScans(Refused):
    """Some of what was scanned cannot be moved. `problems` has one message for each."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__(" ".join(problems))
        self.problems = problems


def read_place(text: str) -> Place:
    """The place with this code, in capitals or not; `UnknownPlace` when there is none."""
    code = " ".join(text.split()).casefold()
    for place in Place.objects.all():
        if place.code.casefold() == code:
            return place
    if not code:
        raise UnknownPlace("No place was given. Scan the label on the shelf or type its code.")
    raise UnknownPlace(f"No place has the code “{text.strip()}”. Add it under Places, or scan again.")


def read_valves(text: str) -> list[Valve]:
    """The valves in house whose serials stand in `text`, in its order, each once.

    Serials are parted by line ends, commas, semicolons or tabs; or by spaces when each is written without.

    Raises:
        BadScans: naming every serial that is not one, is not ours, or is out of the house.
    """
    problems: list[str] = []
    serials: list[str] = []
    for scan in _scans(text):
        try:
            serials.append(read_serial(scan))
        except BadSerial as problem:
            problems.append(str(problem))
    if not serials and not problems:
        raise BadScans(["Nothing was scanned. Scan a label or type its eight digits."])
    serials = list(dict.fromkeys(serials))
    found = {
        valve.serial: valve
        for start in range(0, len(serials), 500)
        for valve in Valve.objects.for_rows().filter(serial__in=serials[start : start + 500])
    }
    for serial in serials:
        if serial not in found:
            problems.append(f"{serial}: no valve here has this serial.")
        elif gone := _gone(found[serial]):
            problems.append(gone)
    if problems:
        raise BadScans(problems)
    return [found[serial] for serial in serials]


def _gone(valve: Valve) -> str:
    """Why there is nothing to put on a shelf; nothing while the valve is in the house."""
    if valve.state == State.DESPATCHED:
        return f"{valve} was despatched; take it back as a return before it is put on a shelf."
    return f"{valve} is written off: {valve.written_off}." if valve.state == State.WRITTEN_OFF else ""


def _refuse_what_has_gone(valves: Collection[Valve]) -> None:
    if problems := [gone for valve in valves if (gone := _gone(valve))]:
        raise BadScans(problems)


def move(valves: Collection[Valve], place: Place, by: User | None) -> list[Valve]:
    """Put the valves in `place`; returns those that were not there already.

    Raises:
        BadScans: one has left the house meanwhile.
    """
    with transaction.atomic():
        valves_now = hold_valves([valve.pk for valve in valves], "place")
        _refuse_what_has_gone(valves_now)
        moved = [valve for valve in valves_now if valve.place_id != place.pk]
        Movement.objects.bulk_create(
            [Movement(valve=valve, from_place=valve.place, to_place=place, by=by) for valve in moved]
        )
        Entry.objects.bulk_create(
            [
                Entry(
                    by=by,
                    action="moved",
                    text=f"{valve.serial} moved from {valve.place or 'no place'} to {place}.",
                    valve=valve,
                    line=valve.line,
                    lot_id=valve.line.lot_id,
                )
                for valve in moved
            ]
        )
        for keys in chunked([valve.pk for valve in moved]):
            Valve.objects.filter(pk__in=keys).update(place=place)
    for valve in moved:
        valve.place = place
    return moved


def _scans(text: str) -> list[str]:
    """The scans in a text. "1000 0012" on its own is one serial; "10000012 10000025" is two."""
    scans: list[str] = []
    for part in re.split(r"[\n\r,;\t]+", text):
        words = part.split()
        if any(re.fullmatch(r"\d{8}|\S*/valves/\d+/?", word) for word in words):
            scans += words
        elif words:
            scans.append(" ".join(words))
    return scans
