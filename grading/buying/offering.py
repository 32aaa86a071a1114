"""An offer from the day it is made: its lines, its terms, and what was decided. It may be declined, or become a lot."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Max
from django.urls import reverse
from django.utils import timezone

from grading.models import LotOffer, LotOfferLine
from stockroom.models import Charge, Counter, Entry, Line, Lot, Maker, Shop
from stockroom.pure.money import shown
from stockroom.pure.refused import Refused
from stockroom.pure.written import plural
from stockroom.receiving.booking import add_lines as add_lot_lines
from stockroom.receiving.booking import book_in
from stockroom.site.changes import differences, told
from stockroom.site.saving import save_named

FIELDS = (
    "supplier",
    "offered_on",
    "price",
    "currency",
    "rate",
    "charges",
    "return_percent",
    "selling_percent",
    "hour_cost",
    "pack_cost",
    "months",
    "note",
)
LINE_FIELDS = ("type", "as_marked", "maker", "condition", "pieces", "pack_size", "price_each", "note")
MOST_LINES = 60


class OfferRefused(Refused):
    """Cannot be done with the offer as asked; the message says why."""


def add_offer(offer: LotOffer, by: User | None) -> LotOffer:
    """Give a new offer its number and store it. A new supplier is stored first."""
    with transaction.atomic():
        offer.supplier = save_named(offer.supplier, by)
        offer.number = f"F{Counter.take('offer')[0]:04}"
        offer.made_by = by
        offer.save()
        Entry.write(by, "offer-added", f"Offer {offer} from {offer.supplier}: {asked_in_words(offer)}.")
    return offer


def change_offer(offer: LotOffer, by: User | None) -> LotOffer:
    with transaction.atomic():
        before = held(offer)
        offer.supplier = save_named(offer.supplier, by)
        changed = differences(before, offer, FIELDS)
        if changed:
            offer.changed_at = timezone.now()
            offer.save(update_fields=[*FIELDS, "changed_at"])
            Entry.write(by, "offer-changed", told(f"Offer {offer}: ", changed))
    return offer


def asked_in_words(offer: LotOffer) -> str:
    return "no price asked yet" if offer.price is None else f"{shown(offer.price, offer.currency)} asked"


def add_lines(offer: LotOffer, lines: Sequence[LotOfferLine], by: User | None, *, of_file: str = "") -> None:
    """Number the new lines after those there are and store them; a new maker is stored first.

    Raises:
        OfferRefused: it is decided, or would have more lines than a forecast takes.
    """
    with transaction.atomic():
        held(offer)
        there = offer.lines.aggregate(last=Max("number"))["last"] or 0
        if offer.lines.count() + len(lines) > MOST_LINES:
            raise OfferRefused(
                f"An offer has {MOST_LINES} lines at most. Put lines that are alike together, or leave the small ones "
                "out: what is not in it counts for nothing."
            )
        for number, line in enumerate(lines, there + 1):
            line.offer, line.number = offer, number
            if line.maker is not None:
                line.maker = _maker(line.maker, by)
        LotOfferLine.objects.bulk_create(lines)
        _changed(offer)
        pieces = sum(line.pieces for line in lines)
        came = f" from {of_file}" if of_file else ""
        many = f"{plural(len(lines), 'line')}, {plural(pieces, 'piece')}"
        Entry.write(by, "offer-lines-added", f"Offer {offer}: {many}{came}.")


def _maker(maker: Maker, by: User | None) -> Maker:
    return maker if maker.pk else save_named(maker, by)


def change_line(line: LotOfferLine, by: User | None) -> None:
    with transaction.atomic():
        held(line.offer)
        before = LotOfferLine.objects.select_related("type", "maker").get(pk=line.pk)
        if line.maker is not None:
            line.maker = _maker(line.maker, by)
        changed = differences(before, line, LINE_FIELDS)
        if changed:
            line.save(update_fields=LINE_FIELDS)
            _changed(line.offer)
            Entry.write(by, "offer-changed", told(f"Offer {line.offer}, line {line.number}: ", changed))


def drop_line(line: LotOfferLine, by: User | None) -> None:
    with transaction.atomic():
        held(line.offer)
        line.delete()
        _changed(line.offer)
        Entry.write(by, "offer-changed", f"Offer {line.offer}: line {line.number}, {line.called}, taken out.")


def decline(offer: LotOffer, why: str, by: User | None) -> None:
    with transaction.atomic():
        offer = held(offer)
        offer.state, offer.declined_because, offer.decided_at = LotOffer.State.DECLINED, why, timezone.now()
        offer.save(update_fields=["state", "declined_because", "decided_at"])
        Entry.write(by, "offer-declined", f"Offer {offer} from {offer.supplier} declined: {why}.")


def buy(offer: LotOffer, by: User | None) -> Lot:
    """Book it in as a lot of today, with what is asked for it and every line; the two stay linked.

    Raises:
        OfferRefused: it is decided, has no lines, or nobody has said what it costs.
    """
    with transaction.atomic():
        offer = held(offer)
        lines = list(offer.lines.select_related("type", "maker").order_by("number"))
        if not lines:
            raise OfferRefused(f"Offer {offer} has no lines yet. Type them in, or import the list.")
        if offer.price is None:
            raise OfferRefused(f"Give the price of offer {offer} first: what it was bought for.")
        charges = [Charge(kind=Charge.Kind.GOODS, amount=offer.price, currency=offer.currency, rate=offer.rate)]
        if offer.charges:
            home = Shop.own().currency
            charges.append(Charge(kind=Charge.Kind.OTHER, amount=offer.charges, currency=home, rate=Decimal(1)))
        lot = book_in(Lot(supplier=offer.supplier, note=f"Offer {offer}. {offer.note}".strip()), charges, by)
        add_lot_lines(
            lot,
            [
                Line(
                    type=line.type,
                    as_marked=line.as_marked,
                    maker=line.maker,
                    condition=line.condition,
                    expected=line.pieces,
                    note=line.note,
                )
                for line in lines
            ],
            by,
        )
        offer.state, offer.lot, offer.decided_at = LotOffer.State.BOUGHT, lot, timezone.now()
        offer.save(update_fields=["state", "lot", "decided_at"])
        Entry.write(by, "offer-bought", f"Offer {offer} bought: lot {lot}.", lot=lot)
    return lot


def lot_taken_off(lot: Lot, by: User | None) -> None:
    """The lot was booked in by mistake: its offer is open again."""
    offer = LotOffer.objects.select_for_update(no_key=True).filter(lot=lot).first()
    if offer is not None:
        offer.state, offer.lot, offer.decided_at = LotOffer.State.OPEN, None, None
        offer.save(update_fields=["state", "lot", "decided_at"])
        Entry.write(by, "offer-open-again", f"Offer {offer} is open again: its lot was booked in by mistake.")


def held(offer: LotOffer) -> LotOffer:
    """The offer as it stands, nobody else changing it meanwhile.

    Raises:
        OfferRefused: it is decided.
    """
    now = LotOffer.objects.select_for_update(no_key=True, of=("self",)).select_related("supplier").get(pk=offer.pk)
    if not now.is_open:
        raise OfferRefused(f"Offer {now} is {now.get_state_display()} already, so it stays as it is.")
    return now


def _changed(offer: LotOffer) -> None:
    offer.changed_at = timezone.now()
    offer.save(update_fields=["changed_at"])


def offer_of(text: str) -> str | None:
    """Where the scan box leads with an offer's number."""
    found = LotOffer.objects.filter(number=text.strip().upper()).first()
    return reverse("offer", args=[found.number]) if found else None
