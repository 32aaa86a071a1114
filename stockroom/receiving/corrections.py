"""A lot or a line that was booked in by mistake is taken off the books; the daybook keeps what stood there."""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db import models, transaction

from stockroom.models import Entry, Line, Lot
from stockroom.pure.written import plural
from stockroom.receiving import booking
from stockroom.receiving.booking import ReceivingError
from stockroom.signals import lot_removed


class StandsOnIt(ReceivingError):
    """Something else was recorded about it, so it cannot be taken off the books."""


def remove_line(line: Line, why: str, by: User | None) -> None:
    """
    Raises:
        StandsOnIt: pieces have serials, or something was noted, drawn, claimed or photographed.
        NothingCarriesTheCost: the lot's other lines have no piece to carry its cost.
    """
    with transaction.atomic():
        lot = booking.locked(line.lot_id)
        line = Line.objects.select_related("type", "maker").get(pk=line.pk)
        _remove(lot, line, why, by)
        booking.bring_up_to_date(lot, by)


def remove_lot(lot: Lot, why: str, by: User | None) -> None:
    """Its number is not given again.

    Raises:
        StandsOnIt
    """
    with transaction.atomic():
        lot = booking.locked(lot.pk)
        for line in lot.lines.select_related("type", "maker").order_by("-number"):
            _remove(lot, line, why, by)
        _refuse_if_anything_stands_on(lot, f"Lot {lot}", ("entries", "lines", "charges", "files"))
        charges = ", ".join(booking.charge_in_words(charge) for charge in lot.charges.all()) or "no charges"
        lot.files.all().delete()
        lot.entries.update(lot=None)
        Entry.write(by, "lot-removed", f"Lot {lot} from {lot.supplier} taken off the books: {why}. It had {charges}.")
        lot_removed.send(Lot, lot=lot, by=by)
        lot.delete()


def _remove(lot: Lot, line: Line, why: str, by: User | None) -> None:
    _refuse_if_anything_stands_on(line, f"Line {line.number}", ("entries",))
    line.entries.update(line=None)
    text = f"Line {line.number} taken off the books: {why}. It was: {booking.line_in_words(line)}"
    Entry.write(by, "line-removed", text, lot=lot)
    line.delete()


def _refuse_if_anything_stands_on(thing: models.Model, name: str, apart_from: tuple[str, ...]) -> None:
    found = []
    for relation in thing._meta.related_objects:
        kind = relation.related_model
        many = kind._base_manager.filter(**{relation.field.name: thing}).count()
        if many and relation.get_accessor_name() not in apart_from:
            found.append(plural(many, str(kind._meta.verbose_name), str(kind._meta.verbose_name_plural)))
    if found:
        raise StandsOnIt(
            f"{name} stays: {', '.join(found)} belong to it. What should not have been booked in is put right by its "
            "count, or written off."
        )
