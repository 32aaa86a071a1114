"""The date printed on sealed packs: every reading it can have, and which one is taken.

The date as printed is read whole; where no rule reads it so, and in the contract marks, the dates in the text are.
"""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db import transaction

from stockroom.marks import identity
from stockroom.marks.pure.datecodes import DateMeaning, find_dates, readings
from stockroom.marks.pure.identification import Ranked, rank
from stockroom.marks.register import Register, type_facts
from stockroom.models import Entry, Line, PackDateReading, Packing, Valve
from stockroom.pure.refused import Refused
from stockroom.receiving import booking


class NoSuchPackReading(Refused):
    """What was chosen is none of the date's readings."""


def readings_of(packing: Packing) -> list[Ranked]:
    line = Line.objects.select_related("lot", "type__first_registered_source").get(pk=packing.line_id)
    window = identity.window_to(line.lot.received_on)
    found: dict[DateMeaning, None] = {}
    if packing.pack_date.strip():
        found |= dict.fromkeys(readings(packing.pack_date, window))
    if not found:
        texts = f"{packing.pack_date} {packing.contract_marks}"
        found |= {one: None for _, some in find_dates(texts, window) for one in some}
    others = identity.others_of_line(line, [])
    makers = Register().for_type(line.type_id)
    return rank(list(found), type_facts(line.type), makers, others, line.lot.received_on)


def as_printed(packing: Packing) -> str:
    """What the readings are readings of."""
    return (packing.pack_date or packing.contract_marks)[:40]


def current(packing: Packing) -> PackDateReading | None:
    """Nothing once the packs were described anew with another date."""
    saved = packing.date_readings.filter(current=True).select_related("by").first()
    return saved if saved is not None and saved.code == as_printed(packing) else None


def in_words(packing: Packing) -> str:
    """As a buyer reads it: the date as printed, and the reading taken, if one is."""
    saved = current(packing)
    if saved is None or not saved.words:
        return packing.pack_date
    others = len(saved.alternatives) - 1
    doubt = f" ({others} other reading{'s are' if others > 1 else ' is'} possible)" if others > 0 else ""
    printed = packing.pack_date or "these marks"
    return f"{printed}, which we read as {saved.words}{doubt}"


def choose(packing: Packing, key: str, by: User | None) -> PackDateReading:
    """Keep the reading of that key, or with an empty key that none is decided on; and all the others beside it.

    Raises:
        NotAReading.
    """
    with transaction.atomic():
        lot = booking.locked(packing.line.lot_id)
        ranked = readings_of(packing)
        chosen = {one.reading.key: one.reading for one in ranked}.get(key)
        if key and chosen is None:
            raise NoSuchPackReading("Choose one of the readings shown.")
        before = current(packing)
        packing.date_readings.filter(current=True).update(current=False)
        row = PackDateReading(packing=packing, code=as_printed(packing), by=by)
        identity.decide(row, chosen, ranked)
        row.save()
        was = f", not {before.words}" if before is not None and before.words else ""
        said = f"read as {row.words}{was}" if chosen else f"left undecided{was}"
        others = len(ranked) - bool(chosen)
        text = f"Line {packing.line.number}, packs: {row.code} {said}; {others} other readings kept."
        Entry.write(by, "pack-date-read", text, lot=lot, line=packing.line)
        identity.reassess(Valve.objects.filter(line=packing.line_id), by)
    return row
