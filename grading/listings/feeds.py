"""What is listed as a table for any other program: CSV (RFC 4180, UTF-8) and JSON (RFC 8259).

The columns are our own, and stay as they are: a new one is added at the end, none changes its meaning. Nothing here
grows with the stock: the CSV is written while a few hundred listings at a time are read, the JSON comes in pages.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

from django.urls import reverse

from grading.listings import shown
from grading.listings.parts import part_of
from grading.models import Grade
from grading.verdicts.graded import PREFETCHED
from grading.verdicts.values import Bench
from stockroom.files.cells import defused
from stockroom.models import Attachment, Listing, Valve
from stockroom.models.listings import ListingQuerySet
from stockroom.models.orders import SEALED_WORDS, UNTESTED_WORDS
from stockroom.pure.money import to_minor

FORM = "listings, form 1"
CHUNK = 200

Address = Callable[[str], str]  # the full address of a path


class FeedRow(NamedTuple):
    listing: Listing
    valves: list[Valve]
    grades: list[Grade]
    images: list[int]  # keys of public photographs
    address: Address


class FeedColumn(NamedTuple):
    name: str
    holds: str
    write: Callable[[FeedRow], Any]


def _joined(values: Sequence[str]) -> str:
    return "; ".join(dict.fromkeys(filter(None, values)))


def _tested(row: FeedRow) -> str:
    if row.grades:
        return "tested"
    return UNTESTED_WORDS if row.listing.untested else SEALED_WORDS


COLUMNS = (
    FeedColumn("number", "the listing's own number, which never changes", lambda r: r.listing.number),
    FeedColumn("title", "what it is, in words", lambda r: r.listing.title),
    FeedColumn("type", "the type's designation", lambda r: r.valves[0].type.designation),
    FeedColumn(
        "as_marked", "the names on the glass, where they are others", lambda r: _joined([v.as_marked for v in r.valves])
    ),
    FeedColumn(
        "marked_maker", "whose marks are on the glass", lambda r: _joined([str(v.maker or "") for v in r.valves])
    ),
    FeedColumn(
        "base",
        "the base that the socket must fit",
        lambda r: r.valves[0].type.basing.base if r.valves[0].type.basing else "",
    ),
    FeedColumn("pieces", "how many valves there are together", lambda r: len(r.valves)),
    FeedColumn("sold_as", "single, matched pair, matched quad ...", lambda r: shown.kind_in_words(r.valves, r.grades)),
    FeedColumn("tested", f"“tested”, “{UNTESTED_WORDS}” or “{SEALED_WORDS}”", _tested),
    FeedColumn("grades", "by the shop's own policy", lambda r: _joined([grade.name for grade in r.grades])),
    FeedColumn(
        "condition",
        "as the goods were bought in",
        lambda r: _joined([v.line.get_condition_display() for v in r.valves]),
    ),
    FeedColumn("price", "for all pieces together", lambda r: f"{to_minor(r.listing.price, r.listing.currency):f}"),
    FeedColumn("currency", "of the price, by ISO 4217", lambda r: r.listing.currency),
    FeedColumn("listed_on", "the day, by ISO 8601", lambda r: f"{r.listing.listed_at:%Y-%m-%d}"),
    FeedColumn("address", "of its page", lambda r: r.address(r.listing.get_absolute_url())),
    FeedColumn(
        "image",
        "of a photograph, where there is one",
        lambda r: r.address(reverse("public-photograph", args=[r.images[0], "large"])) if r.images else "",
    ),
    FeedColumn("serials", "of its valves", lambda r: _joined([v.serial for v in r.valves])),
)


def listed() -> ListingQuerySet:
    """What can be bought, in the order in which it was listed."""
    rows: ListingQuerySet = Listing.objects.for_public_display().order_by("pk")
    return rows


def csv_lines(address: Address) -> Iterator[str]:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")

    def written(cells: Sequence[object]) -> str:
        buffer.seek(0)
        buffer.truncate()
        writer.writerow(cells)
        return buffer.getvalue()

    yield written([column.name for column in COLUMNS])
    last = 0
    while some := list(listed().filter(pk__gt=last)[:CHUNK]):
        last = some[-1].pk
        for row in _rows(some, address, prefetched=()):
            cells = [column.write(row) for column in COLUMNS]
            yield written([defused(cell) if isinstance(cell, str) else cell for cell in cells])


def json_items(listings: Sequence[Listing], address: Address) -> list[dict[str, Any]]:
    """The same columns and, of what was tested, each value with its unit and its uncertainty."""
    bench = Bench()
    return [
        {column.name: column.write(row) for column in COLUMNS}
        | {"values": [value._asdict() for value in shown.values_shown(row.grades, bench)]}
        for row in _rows(listings, address, prefetched=PREFETCHED)
    ]


def _rows(listings: Sequence[Listing], address: Address, prefetched: Sequence[str]) -> Iterator[FeedRow]:
    """What is not for sale any more though its listing lives, such as packs of a lot that is no longer accepted, is
    left out."""
    wanted = Listing.objects.filter(pk__in=[listing.pk for listing in listings]).order_by("pk")
    related = [f"listed__valve__{name}" for name in ("type__basing", "maker", "line")]
    found = list(wanted.prefetch_related(*related))
    grades = shown.speaking_grades(found, prefetched)
    photographs: dict[int, list[int]] = {}
    public = Attachment.objects.for_public_display().filter(
        valve__listings__listing__in=found, valve__listings__live=True
    )
    for key, of_listing in public.values_list("pk", "valve__listings__listing"):
        photographs.setdefault(of_listing, []).append(key)
    for listing in found:
        valves, of = shown.valves_of(listing), grades.get(listing.pk, [])
        part = None if of or listing.untested else part_of(valves)
        if valves and not (part and part.why_not):
            yield FeedRow(listing, valves, of, photographs.get(listing.pk, []), address)
