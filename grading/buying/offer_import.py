"""Lines for an offer out of the supplier's list, read as a lot's list is: the same columns, words and faults."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import cast

from django.contrib.auth.models import User
from django.db import transaction

from catalog.models import ValveType
from grading.buying.offering import add_lines, held
from grading.models import LotOffer, LotOfferLine, OfferFile
from stockroom.files.cells import plain
from stockroom.imports.keeping import NotReady
from stockroom.models import Entry, Line, Maker
from stockroom.pure.money import shown, to_minor
from stockroom.receiving.list_import import ListPreview, PlannedLine, look_at
from stockroom.receiving.list_layout import ListChoices, SupplierLists

OFFER_LISTS = SupplierLists[OfferFile]()
LONGEST_MARK = 40


def receive(offer: LotOffer, name: str, data: bytes, by: User | None) -> OfferFile:
    """Keep the file for mapping. The same file for the same offer, not yet imported, is taken up again.

    Raises:
        NotATable: it cannot be read as a table.
    """
    file = OfferFile(offer=offer, name=name, data=data, uploaded_by=by)
    return OFFER_LISTS.keep(file, OfferFile.objects.filter(offer=offer))


def look(file: OfferFile) -> ListPreview:
    """What taking the file in would do. Nothing is stored."""
    return look_at(OFFER_LISTS.layout(file))


def take_in(file: OfferFile, by: User | None) -> list[LotOfferLine]:
    """Every line of the file, or none. Where nobody named a price, those of its column make one.

    Raises:
        NotReady: it has faults, or words that are not known.
        ImportedBefore: it was imported already.
        OfferRefused: the offer cannot take the lines.
    """
    layout = OFFER_LISTS.layout(file)
    preview = look_at(layout)
    if not preview.ready:
        raise NotReady("The file still has faults or unknown words; nothing was imported.")
    with transaction.atomic():
        file = OFFER_LISTS.locked_as_read(file)
        lines = _lines(preview.planned)
        add_lines(file.offer, lines, by, of_file=file.name)
        OFFER_LISTS.imported(file, by)
        file.line_count = len(lines)
        file.save(update_fields=["imported_at", "imported_by", "line_count"])
        OFFER_LISTS.remember(file, layout)
        if "weight" in cast(ListChoices, layout.choices).columns:
            _price_of_the_list(held(file.offer), preview.planned, by)
    return lines


def _price_of_the_list(offer: LotOffer, planned: Sequence[PlannedLine], by: User | None) -> None:
    asked = sum((one.weight * one.expected for one in planned), Decimal(0))
    if offer.price is None and asked:
        offer.price = to_minor(asked, offer.currency)
        offer.save(update_fields=["price"])
        Entry.write(
            by, "offer-changed", f"Offer {offer}: {shown(offer.price, offer.currency)} asked, as its list says."
        )


def _lines(planned: Sequence[PlannedLine]) -> list[LotOfferLine]:
    """Not stored yet; those with the same new maker share the object. A name that is to become a type is kept on the
    glass of goods not identified: a lot makes types, an offer does not."""
    makers = {plain(one.name): one for one in Maker.objects.all()}
    found = []
    for one in planned:
        known = one.type.pk is not None
        found.append(
            LotOfferLine(
                type=one.type if known else ValveType.objects.not_identified(),
                as_marked=one.as_marked if known else one.type.designation[:LONGEST_MARK],
                maker=makers.setdefault(plain(one.maker), Maker(name=one.maker)) if one.maker else None,
                condition=one.condition or Line.Condition.BULK,
                pieces=one.expected,
                note=one.note,
            )
        )
    return found
