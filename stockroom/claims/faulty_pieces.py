"""What becomes of pieces that came as another type, or broken: the stock follows what was noted of them.

They stay among the pieces that were expected, counted and charged for on their own line, so that a claim on them does
not change. What is whole is booked in on a line of its own type at the same weight, so that each piece costs what it
did; what is broken costs nothing, and those that stay carry its share until the supplier's credit.
"""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from stockroom.claims.claiming import NotNow
from stockroom.models import Entry, Fault, Line, Lot
from stockroom.models.claims import FaultKind
from stockroom.pure.written import plural
from stockroom.receiving import booking
from stockroom.signals import lines_counted


def book_as_found(fault: Fault, by: User | None) -> Line:
    """Book wrong pieces in as the type they are.

    Raises:
        NotNow: they are broken, of a type that nobody has said, or no longer in the line's bulk.
        booking.ReceivingError
    """
    with transaction.atomic():
        lot, fault = _in_bulk(fault)
        line = fault.line
        if fault.kind != FaultKind.WRONG_TYPE or fault.found_type is None:
            raise NotNow("Only pieces that came as a type which you name can be booked in as it.")
        _take_out(fault)
        new = Line(
            type=fault.found_type,
            condition=line.condition,
            expected=fault.pieces,
            counted=fault.pieces,
            weight=line.weight,
            place=line.place,
            found_in=line,
            note=f"found in line {line.number}",
        )
        fault.booked_in = booking.add_lines(lot, [new], by)[0]
        fault.save(update_fields=["booked_in"])
        many = plural(fault.pieces, "piece")
        text = f"Line {line.number}: {many} booked in as {fault.found_type} on line {fault.booked_in.number}."
        Entry.write(by, "booked-as-found", text, lot=lot, line=line)
        lines_counted.send(Line, line_ids=[line.pk], by=by)
    return fault.booked_in


def write_off_broken(fault: Fault, by: User | None) -> None:
    """Broken pieces are stock no longer: no serial, no label, no share of the cost.

    Raises:
        NotNow: they are not broken, or no longer in the line's bulk.
        booking.ReceivingError: no piece would be left to carry the cost.
    """
    with transaction.atomic():
        lot, fault = _in_bulk(fault)
        if fault.kind != FaultKind.BROKEN:
            raise NotNow("Only broken pieces are written off here.")
        _take_out(fault)
        fault.written_off_at = timezone.now()
        fault.save(update_fields=["written_off_at"])
        text = f"Line {fault.line.number}: {plural(fault.pieces, 'broken piece')} written off."
        Entry.write(by, "broken-written-off", text, lot=lot, line=fault.line)
        booking.bring_up_to_date(lot, by)
        lines_counted.send(Line, line_ids=[fault.line_id], by=by)


def _in_bulk(fault: Fault) -> tuple[Lot, Fault]:
    """The lot, locked, and the fault as it is now, its pieces still in the line's bulk."""
    lot = booking.locked(fault.line.lot_id)
    fault = Fault.objects.select_related("line__place", "found_type").get(pk=fault.pk)
    if fault.withdrawn_at or fault.is_out_of_its_line:
        raise NotNow("This was withdrawn, or the pieces have left the line already.")
    in_bulk = fault.line.pieces - fault.line.valves.count()
    if in_bulk < fault.pieces:
        raise NotNow(
            f"Only {plural(in_bulk, 'piece')} of line {fault.line.number} have no serial yet. Give the "
            "valves that have one their type, or write them off, on their own pages."
        )
    return lot, fault


def _take_out(fault: Fault) -> None:
    fault.line.taken_out += fault.pieces
    fault.line.save(update_fields=["taken_out"])
