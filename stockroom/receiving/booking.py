"""Receiving: a lot is booked in, counted, its cost shared over the pieces, and serials given out.

Each change locks its lot, writes the daybook, shares the cost anew and settles the lot's state, all in one
transaction.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from decimal import Decimal
from itertools import zip_longest
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Count, Max

from catalog.models import ValveType
from stockroom.models import Charge, Counter, Credit, Entry, Line, Lot, Maker, Movement, Pack, Shop, Valve
from stockroom.models.daybook import LONGEST
from stockroom.pure.money import minor_places, shown, to_minor
from stockroom.pure.refused import Refused
from stockroom.pure.serials import serial
from stockroom.pure.written import plural
from stockroom.receiving.pure import costing
from stockroom.signals import lines_counted, lot_changed
from stockroom.site.changes import differences, told
from stockroom.site.chunks import chunked
from stockroom.site.saving import save_named
from stockroom.tally import refresh_lots
from stockroom.types import keeping

MANY_PIECES = 20_000  # in one line: more is asked about
MOST_PIECES = 1_000_000  # more is a slip of the keyboard, or a serial scanned into a count
LOT_FIELDS = ("supplier", "received_on", "note")
LINE_FIELDS = ("type", "as_marked", "maker", "condition", "expected", "counted", "weight", "place", "note")


class ReceivingError(Refused):
    """Cannot be done; the message says why and what to do instead."""


class FewerThanSerials(ReceivingError):
    """Fewer pieces than have serials already."""


class NothingCarriesTheCost(ReceivingError):
    """A lot with a cost whose lines have no piece, or no weight, to carry it."""


class CreditedMoreThanCost(ReceivingError):
    """The supplier's credits and rebates would come to more than the lot cost."""


class NotInBulk(ReceivingError):
    """More pieces were asked for than there are in bulk, or none."""


class AlreadyNamed(ReceivingError):
    """The line has a type."""


class TypeIsSettled(ReceivingError):
    """Readings or other records stand on the type of the line's valves."""


def book_in(lot: Lot, charges: Sequence[Charge], by: User | None) -> Lot:
    """Give a new lot its number and store it with its charges. A new supplier is stored first."""
    with transaction.atomic():
        lot.supplier = save_named(lot.supplier, by)
        lot.number = f"L{Counter.take('lot')[0]:04}"
        lot.created_by = by
        lot.save()
        for charge in charges:
            charge.lot = lot
            charge.save()
        check_cost(lot, Shop.own().currency)
        costs = ", ".join(charge_in_words(charge) for charge in charges) or "no charges yet"
        Entry.write(by, "lot-booked-in", f"Lot {lot} from {lot.supplier} booked in; {costs}.", lot=lot)
        lot_changed.send(Lot, lot=lot, by=by)
    return lot


def change_lot(lot: Lot, charges: Sequence[Charge], by: User | None) -> Lot:
    """Store a lot that was changed and replace its charges, then share the cost anew."""
    with transaction.atomic():
        before = locked(lot.pk)
        lot.supplier = save_named(lot.supplier, by)
        changed = differences(before, lot, LOT_FIELDS)
        lot.save(update_fields=LOT_FIELDS)
        for kind in Charge.Kind:
            was = [charge_in_words(charge) for charge in lot.charges.filter(kind=kind).order_by("pk")]
            new = [charge for charge in charges if charge.kind == kind]
            now = [charge_in_words(charge) for charge in new]
            if was == now:
                continue
            for place, (one, other) in enumerate(zip_longest(was, now)):
                none = f"no {'more ' if place else ''}{kind.label.lower()}"
                if one != other:
                    changed.append(f"{one or none} → {other or none}")
            lot.charges.filter(kind=kind).delete()
            for charge in new:
                charge.lot = lot
                charge.save()
        if changed:
            Entry.write(by, "lot-changed", told(f"Lot {lot}: ", changed), lot=lot)
        bring_up_to_date(lot, by)
    return lot


def add_lines(lot: Lot, lines: Sequence[Line], by: User | None) -> list[Line]:
    """Number the new lines after those there are and store them.

    A new maker or place is stored first; lines that share it must share the object.
    """
    with transaction.atomic():
        lot = locked(lot.pk)
        last = lot.lines.aggregate(last=Max("number"))["last"] or 0
        for number, line in enumerate(lines, last + 1):
            line.lot, line.number = lot, number
            _save_what_is_new(line, by)
        added = Line.objects.bulk_create(lines)
        Entry.objects.bulk_create(
            [Entry(by=by, action="line-added", text=line_in_words(line), lot=lot, line=line) for line in added]
        )
        bring_up_to_date(lot, by)
    return added


def change_line(line: Line, by: User | None) -> Line:
    """Store a line that was changed.

    A corrected type or mark passes on to the line's valves that still bear the old one; the type only while
    nothing has been recorded about them.
    """
    with transaction.atomic():
        lot = locked(line.lot_id)
        before = Line.objects.select_related("type", "maker", "place").get(pk=line.pk)
        _save_what_is_new(line, by)
        changed = differences(before, line, LINE_FIELDS)
        check_pieces(line.received, line.valves.count(), line)
        if line.type_id != before.type_id:
            if _anything_stands_on_its_valves(line):
                raise TypeIsSettled(
                    f"Valves of line {line.number} have records as {before.type}, so the line stays {before.type}. "
                    "Add a line for the other type, and change the counts of both."
                )
            line.valves.filter(type=before.type_id).update(type=line.type)
        if line.as_marked != before.as_marked:
            line.valves.filter(type=line.type, as_marked=before.as_marked).update(as_marked=line.as_marked)
        if line.maker_id != before.maker_id:
            line.valves.filter(maker=before.maker_id).update(maker=line.maker)
        line.save(update_fields=LINE_FIELDS)
        if changed:
            Entry.write(by, "line-changed", told(f"Line {line.number}: ", changed), lot=lot, line=line)
        bring_up_to_date(lot, by)
    return line


def count_lines(lot: Lot, counts: Mapping[int, int | None], by: User | None) -> list[Line]:
    """Write down what was counted, by the line's primary key; None takes a count back.

    Returns the lines whose count changed.
    """
    with transaction.atomic():
        lot = locked(lot.pk)
        changed: list[Line] = []
        entries: list[Entry] = []
        for line in lot.lines.annotate(serialised=Count("valves")).order_by("number"):
            if line.pk not in counts or line.counted == counts[line.pk]:
                continue
            line.counted = counts[line.pk]
            check_pieces(line.received, line.serialised, line, where=f"Line {line.number}: ")
            changed.append(line)
            text = f"Line {line.number}: {_counted_in_words(line)}."
            entries.append(Entry(by=by, action="counted", text=text, lot=lot, line=line))
        Line.objects.bulk_update(changed, ["counted"], batch_size=200)
        Entry.objects.bulk_create(entries)
        bring_up_to_date(lot, by)
        if changed:
            lines_counted.send(Line, line_ids=[line.pk for line in changed], by=by)
    return changed


def check_pieces(received: int, serialised: int, line: Line, where: str = "") -> None:
    """Refuse a count below the serials that are given out and the pieces that have left the line's bulk."""
    left = line.sent_back + line.taken_out
    if received < serialised + left:
        gone = f" and {plural(left, 'piece has', 'pieces have')} left the line" if left else ""
        raise FewerThanSerials(
            f"{where}{serialised} valves have serials already{gone}, so there cannot be only {received}. "
            "Write off a valve that is broken or lost on its own page."
        )


def difference_in_words(expected: int, counted: int | None) -> str:
    """
    >>> difference_in_words(240, 237), difference_in_words(60, 62), difference_in_words(60, None)
    ('short 3', 'over 2', 'not yet counted')
    """
    if counted is None:
        return "not yet counted"
    if counted < expected:
        return f"short {expected - counted}"
    return f"over {counted - expected}" if counted > expected else "as expected"


def send_back(line: Line, count: int, why: str, by: User | None) -> None:
    """Take `count` pieces of the line's bulk out of the house, and share the cost over those that stay.

    Raises:
        NotInBulk: there are not so many.
        NothingCarriesTheCost: no piece would stay, and the lot has a cost.
    """
    with transaction.atomic():
        lot = locked(line.lot_id)
        line = Line.objects.get(pk=line.pk)
        in_bulk = line.pieces - line.valves.count()
        if not 1 <= count <= in_bulk:
            raise NotInBulk(f"Line {line.number} has {in_bulk} in bulk, so {count} cannot be sent back.")
        line.sent_back += count
        line.save(update_fields=["sent_back"])
        text = f"Line {line.number}: {plural(count, 'piece')} sent back to the supplier: {why}"
        Entry.write(by, "sent-back", text, lot=lot, line=line)
        bring_up_to_date(lot, by)


def send_back_serials(line: Line, positions: Collection[int], why: str, by: User | None) -> None:
    """Pieces with serials go back to the supplier with their lot: those that stay carry the cost.

    What becomes of the valves' own state is for the caller. Where every piece of the lot has gone, its cost stays on
    its lines until the supplier's credit.
    """
    with transaction.atomic():
        lot = locked(line.lot_id)
        line = Line.objects.get(pk=line.pk)
        gone = set(positions) - set(line.returned_positions)
        if not gone:
            return
        line.returned_positions = sorted({*line.returned_positions, *gone})
        line.save(update_fields=["returned_positions"])
        many = plural(len(gone), "piece with a serial", "pieces with serials")
        text = f"Line {line.number}: {many} sent back to the supplier: {why}"
        Entry.write(by, "sent-back", text, lot=lot, line=line)
        bring_up_to_date(lot, by)


def in_home(charge: Charge | Credit, currency: str) -> Decimal:
    """The charge or credit in the home currency, rounded to its minor unit."""
    return to_minor(charge.amount * charge.rate, currency)


def cost_of(lot: Lot, currency: str) -> Decimal:
    """All the lot's charges, but for import tax that is claimed back, less the credits that stand, at home."""
    charged = sum((in_home(charge, currency) for charge in lot.charges.all() if charge.is_cost), Decimal(0))
    return charged - sum((in_home(credit, currency) for credit in lot.credits.all() if credit.stands), Decimal(0))


class GoodsCost(NamedTuple):
    """What the goods of a lot cost, rebates taken off."""

    amount: Decimal
    currency: str


def goods_cost(charges: Iterable[Charge]) -> GoodsCost | None:
    """In the currency of the first bill for goods; another currency at the rates that both were paid at."""
    bills = sorted((charge for charge in charges if charge.kind == Charge.Kind.GOODS), key=lambda charge: charge.pk)
    if not bills:
        return None
    first = bills[0]
    whole = sum(
        (bill.amount * (1 if bill.currency == first.currency else bill.rate / first.rate) for bill in bills), Decimal(0)
    )
    return GoodsCost(to_minor(whole, first.currency), first.currency)


def check_cost(lot: Lot, currency: str) -> Decimal:
    """The cost of the lot.

    Raises:
        CreditedMoreThanCost: credits and rebates come to more than the charges.
    """
    total = cost_of(lot, currency)
    if total < 0:
        raise CreditedMoreThanCost(
            f"The supplier's credits and rebates would come to {shown(-total, currency)} more than lot {lot} cost. "
            "Look over the charges and the credits."
        )
    return total


def share_cost(lot: Lot, by: User | None) -> None:
    """Share the lot's cost over its lines by weight times pieces; write old and new shares where they differ.

    A lot without lines waits. `Line.cost_of` carries a line's share on to its pieces.

    Raises:
        NothingCarriesTheCost: there is a cost and there are lines, but no piece with a weight.
        CreditedMoreThanCost: the credits come to more than the charges.
    """
    currency = Shop.own().currency
    total = check_cost(lot, currency)
    lines = list(lot.lines.order_by("number"))
    if not lines:
        return
    bearing = [line.bearing_cost for line in lines]
    if not any(bearing) and any(line.returned_positions for line in lines):
        bearing = [line.received for line in lines]  # all of it went back: a loss, until the supplier's credit
    try:
        parts = [line.weight * pieces for line, pieces in zip(lines, bearing, strict=True)]
        shares = costing.share(total, parts, minor_places(currency))
    except costing.NothingToShareAmong:
        raise NothingCarriesTheCost(
            f"Lot {lot} cost {shown(total, currency)} and no piece would be left to carry it. Leave the count empty "
            "until a piece is there, give a line a weight above 0, or first put the lot's charges to what was paid."
        ) from None
    changed: list[Line] = []
    phrases: list[str] = []
    for line, new in zip(lines, shares, strict=True):
        if line.cost != new:
            phrases.append(f"line {line.number} {to_minor(line.cost, currency)} → {new}")
            line.cost = new
            changed.append(line)
    Line.objects.bulk_update(changed, ["cost"], batch_size=200)
    pieces = sum(line.bearing_cost for line in lines)
    over = plural(pieces, "piece") if pieces else "lines whose pieces all went back"
    head = f"Cost {shown(total, currency)} shared over {over}: "
    Entry.objects.bulk_create(
        [Entry(by=by, action="cost-shared", text=text, lot=lot) for text in _packed(head, phrases)]
    )


def name_pieces(
    line: Line, count: int, type_: ValveType, by: User | None, *, as_marked: str = "", maker: Maker | None = None
) -> Line:
    """Some of a line that was not identified are of this type: they become a line beside it, their share with them.

    Raises:
        NotInBulk: there are not so many without a serial; name one with a serial on its own page.
        AlreadyNamed: the line has a type.
    """
    with transaction.atomic():
        lot = locked(line.lot_id)
        line = Line.objects.select_related("type", "place").get(pk=line.pk)
        in_bulk = line.pieces - line.valves.count()
        if line.type.is_identified:
            raise AlreadyNamed(f"Line {line.number} is of {line.type} already.")
        if not 1 <= count <= in_bulk:
            raise NotInBulk(f"Line {line.number} has {in_bulk} in bulk, so {count} cannot be named.")
        of_expected = min(count, line.expected)
        line.expected -= of_expected
        line.counted = None if line.counted is None else line.counted - count
        line.save(update_fields=["expected", "counted"])
        named = Line(
            type=type_,
            as_marked=as_marked,
            maker=maker or line.maker,
            condition=line.condition,
            expected=max(of_expected, 1),
            counted=None if line.counted is None else count,
            weight=line.weight,
            place=line.place,
            note=f"from line {line.number}",
        )
        Entry.write(
            by,
            "pieces-named",
            f"Line {line.number}: {plural(count, 'piece')} named {named.called}.",
            lot=lot,
            line=line,
        )
        add_lines(lot, [named], by)
    return named


def allot_serials(line: Line, count: int | None, by: User | None) -> list[Valve]:
    """Give serials to `count` pieces of the line's bulk, or to all of it, in one go.

    Raises:
        NotInBulk: there are not so many.
    """
    with transaction.atomic():
        lot = locked(line.lot_id)
        line = Line.objects.get(pk=line.pk)
        taken = line.valves.count()
        in_bulk = line.pieces - taken
        wanted = in_bulk if count is None else count
        if not in_bulk:
            raise NotInBulk(f"Line {line.number} has no pieces in bulk: all {taken} have their serials.")
        if not 1 <= wanted <= in_bulk:
            raise NotInBulk(f"Line {line.number} has {in_bulk} in bulk; ask for 1 to {in_bulk} serials.")
        numbers = Counter.take("valve", wanted)
        valves = [_valve(line, position, number) for position, number in enumerate(numbers, taken)]
        Valve.objects.bulk_create(valves, batch_size=500)
        Entry.write(by, "serials-allotted", _allotted_in_words(line, valves), lot=lot, line=line)
        refresh_lots([lot.pk])
    return valves


def allot_whole(lot: Lot, lines: Sequence[Line], by: User | None) -> list[list[Valve]]:
    """Give serials to every piece of these new lines of the lot, however many lines they are.

    Raises:
        NotInBulk: a piece has its serial already.
    """
    with transaction.atomic():
        lot = locked(lot.pk)
        for keys in chunked([line.pk for line in lines]):
            if Valve.objects.filter(line__in=keys).exists():
                raise NotInBulk(f"Lot {lot}: pieces of these lines have serials already.")
        numbers = iter(Counter.take("valve", sum(line.pieces for line in lines)))
        allotted = [[_valve(line, position, next(numbers)) for position in range(line.pieces)] for line in lines]
        Valve.objects.bulk_create([valve for valves in allotted for valve in valves], batch_size=500)
        Entry.objects.bulk_create(
            Entry(by=by, action="serials-allotted", text=_allotted_in_words(line, valves), lot=lot, line=line)
            for line, valves in zip(lines, allotted, strict=True)
            if valves
        )
        refresh_lots([lot.pk])
    return allotted


def give_serial(line: Line, by: User | None) -> Valve:
    """One piece from the line's bulk, with a serial, for the bench."""
    return allot_serials(line, 1, by)[0]


def locked(lot_id: int) -> Lot:
    """The lot, which nobody else changes until our transaction ends."""
    return Lot.objects.select_for_update(no_key=True, of=("self",)).select_related("supplier").get(pk=lot_id)


def bring_up_to_date(lot: Lot, by: User | None) -> None:
    share_cost(lot, by)
    refresh_lots([lot.pk])
    lot_changed.send(Lot, lot=lot, by=by)


def _valve(line: Line, position: int, number: int) -> Valve:
    return Valve(
        serial=serial(number),
        line=line,
        position=position,
        type_id=line.type_id,
        as_marked=line.as_marked,
        maker_id=line.maker_id,
        place_id=line.place_id,
    )


def _allotted_in_words(line: Line, valves: Sequence[Valve]) -> str:
    which = valves[0].serial if len(valves) == 1 else f"{valves[0].serial} to {valves[-1].serial}"
    return f"Line {line.number}: {plural(len(valves), 'serial')} given, {which}."


def _save_what_is_new(line: Line, by: User | None) -> None:
    if line.type.pk is None:
        # The form's row is only a name; what is stored is what others in the lot share too.
        line.type.pk = keeping.enter({"designation": line.type.designation}, by).pk
    line.type = line.type
    for name in ("maker", "place"):
        thing = getattr(line, name)
        if thing is not None and thing.pk is None:
            setattr(line, name, save_named(thing, by))
        elif thing is not None:
            setattr(line, name, thing)  # its key, when an earlier line has just stored it


def _anything_stands_on_its_valves(line: Line) -> bool:
    """Does any row but movements, the daybook and the pack it came in refer to a valve of the line?"""
    return any(
        relation.related_model._base_manager.filter(**{f"{relation.field.name}__line": line}).exists()
        for relation in Valve._meta.related_objects
        if relation.related_model not in (Movement, Entry, Pack)
    )


def charge_in_words(charge: Charge) -> str:
    note = f" ({charge.note})" if charge.note else ""
    words = f"{charge.called.lower()} {shown(abs(charge.amount), charge.currency)}"
    return f"{words}{note}" if charge.rate == 1 else f"{words} at {charge.rate.normalize():f}{note}"


def line_in_words(line: Line) -> str:
    maker = f", marked {line.maker}" if line.maker else ""
    return (
        f"Line {line.number}: {line.called_and_type}{maker}, {line.get_condition_display()}; {_counted_in_words(line)}."
    )


def _counted_in_words(line: Line) -> str:
    difference = difference_in_words(line.expected, line.counted)
    if line.counted is None:
        return f"expected {line.expected}, {difference}"
    return f"expected {line.expected}, counted {line.counted}, {difference}"


def _packed(head: str, phrases: Sequence[str]) -> list[str]:
    """`head` and the phrases, in as many texts as an entry's length needs."""
    texts: list[str] = []
    for phrase in phrases:
        if texts and len(texts[-1]) + len(phrase) + 3 <= LONGEST:
            texts[-1] += f", {phrase}"
        else:
            texts.append(head + phrase)
    return [f"{text}." for text in texts]
