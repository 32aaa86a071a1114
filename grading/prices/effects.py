"""What a drafted change of the price book would do to the stock, and the new prices of live listings; both are jobs.

The effect is reckoned against one state of the book, listing by listing and then over the rest of the stock. A listing
whose price is not the book's was priced by hand: it is shown, and changed only where somebody says so too.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.urls import reverse

from grading.listings import publishing
from grading.models import DraftedPrice, MatchedSet, Member, PriceDraft
from grading.prices import book, changing, facts
from grading.prices.pure.book import Book, BookPrice
from stockroom.jobs import kinds
from stockroom.jobs.kinds import JobRefused, Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Job, Line, ListedValve, Listing, Valve
from stockroom.pure.money import shown
from stockroom.pure.refused import Refused
from stockroom.site.people import Role
from stockroom.tally import tally_lines

EFFECT, REPRICE = "price effect", "re-price"
PIECE = 200  # items priced together
WRITTEN = 25  # listings changed in one transaction
NOUGHT = Decimal(0)
OF_VALVE = tuple(f"valve__{name}" for name in facts.FETCHED)


@dataclass(frozen=True)
class OfDraft:
    draft: int


@dataclass(frozen=True)
class ByDraft:
    """New prices for the listings that a draft bears on, those priced by hand too where `by_hand`."""

    draft: int
    by_hand: bool = False


class Effects(NamedTuple):
    """Sums of a drafted change, in the home currency."""

    listings: int  # before the public
    changed: int  # of these, priced by the book, and differently from now on
    asked: Decimal  # for those together, and from now on
    asked_after: Decimal
    by_hand: int  # priced by hand, where the book's price changes
    hand_asked: Decimal
    hand_after: Decimal
    unpriced: int  # listed, and the book will have no price for them any more
    foreign: int  # in another currency: left as they are
    pieces: int  # in the house, in bulk too
    pieces_changed: int
    worth: Decimal  # the pieces that change, by the book before and after
    worth_after: Decimal


OTHER_BOOK = "The book is not as this change left it: the new prices would not be the book’s."
MONEY = frozenset({"asked", "asked_after", "hand_asked", "hand_after", "worth", "worth_after"})


def _page(job: Job) -> str:
    return reverse("price-draft", args=[job.question["draft"]])


def _key(what: str, draft: int) -> str:
    return f"{what} of draft {draft}"


def start_effect(draft: PriceDraft, by: User) -> Job:
    title = f"What {_named(draft)} would do"
    return kinds.start(EFFECT, OfDraft(draft.pk), title, by, key=_key(EFFECT, draft.pk))


def start_repricing(draft: PriceDraft, by: User, *, by_hand: bool) -> Job:
    """
    Raises:
        CannotPrice: the book is not as this change left it.
    """
    if draft.became_id is None or draft.became_id != book.version():
        raise changing.CannotPrice(f"{OTHER_BOOK} Listings keep their prices.")
    title = f"New prices by {draft.became}"
    return kinds.start(REPRICE, ByDraft(draft.pk, by_hand), title, by, key=_key(REPRICE, draft.pk))


def latest(what: str, draft: PriceDraft) -> Job | None:
    return Job.objects.keyed(_key(what, draft.pk)).select_related("made_by").first()


def effects_of(draft: PriceDraft) -> Effects | None:
    """None until they are reckoned."""
    if not draft.sums:
        return None
    return Effects._make((Decimal if name in MONEY else int)(draft.sums.get(name, 0)) for name in Effects._fields)


def _named(draft: PriceDraft) -> str:
    return (
        "ending a price rule"
        if draft.withdrawn
        else "a change of a price rule"
        if draft.replaces
        else "a new price rule"
    )


# What it would do


@kinds.kind(EFFECT, "RuleEffect of a price rule", Lane.RECORDS, OfDraft, address=_page)
def effect(asked: OfDraft, hand: Hand) -> dict[str, Any]:
    """An interrupted one begins anew: it reckons fast."""
    draft = PriceDraft.objects.select_related("replaces").filter(pk=asked.draft).first()
    if draft is None or draft.became_id:
        raise JobRefused("This change is in force already, or nobody drafted it.")
    with transaction.atomic():
        hand.save(begun=True)
        draft.prices.all().delete()
        draft.book, draft.sums = book.version(), {}
        draft.save(update_fields=["book", "sums"])
    books = (book.book_of_version(draft.book), changing.changed_book(draft))
    sums: defaultdict[str, Any] = defaultdict(int)
    for name, work in (("listings", _listings), ("sets", _sets), ("singles", _singles), ("pieces in bulk", _bulk)):
        done = 0
        for rows in work(books, sums):
            done += PIECE
            with transaction.atomic():
                hand.save(begun=True)
                DraftedPrice.objects.bulk_create(DraftedPrice(draft=draft, **row) for row in rows)
            hand.go_on(f"{done} {name} looked at" if rows else f"{name} looked at")
    with transaction.atomic():
        hand.save(begun=True)
        draft.sums = {name: str(sums[name] or 0) for name in Effects._fields}
        draft.save(update_fields=["sums"])
    return {"changed": sums["changed"]}


Books = tuple[Book, Book]
Rows = list[dict[str, Any]]


def _listings(books: Books, sums: defaultdict[str, Any]) -> Iterable[Rows]:
    """Rows for `DraftedPrice`: the live listings whose price by the book changes."""
    currency = books[0].currency
    live = Listing.objects.live().order_by("pk")
    sums["foreign"] = live.exclude(currency=currency).count()
    for listings in _after(lambda last: live.filter(currency=currency, pk__gt=last)):
        items = _valves_of(listings)
        rows: Rows = []
        before, after = book.price_by(books, items)
        for listing in listings:
            sums["listings"] += 1
            if listing.pk not in items:
                continue
            old, new = before[listing.pk], after[listing.pk]
            if old.amount == new.amount:
                continue
            by_hand = listing.price != old.amount
            if new.amount is None:
                sums["unpriced"] += 1
            else:
                sums["by_hand" if by_hand else "changed"] += 1
                sums["hand_asked" if by_hand else "asked"] += listing.price
                sums["hand_after" if by_hand else "asked_after"] += new.amount
            rows.append(
                {
                    "listing": listing,
                    "asked": listing.price,
                    "before": old.amount,
                    "after": new.amount,
                    "by_hand": by_hand,
                    "why": new.in_words,
                }
            )
        yield rows


def _valves_of(listings: Sequence[Listing]) -> dict[int, list[Valve]]:
    rows = ListedValve.objects.filter(listing__in=listings, live=True).order_by("id")
    return _by_item((row.listing_id, row.valve) for row in rows.select_related(*OF_VALVE))


def _sets(books: Books, sums: defaultdict[str, Any]) -> Iterable[Rows]:
    live = MatchedSet.objects.live().order_by("pk")
    for some in _after(lambda last: live.filter(pk__gt=last)):
        here = Member.objects.filter(set__in=some, live=True, valve__in=Valve.objects.in_house()).order_by("position")
        _count(books, _by_item((row.set_id, row.valve) for row in here.select_related(*OF_VALVE)), sums)
        yield []


def _by_item(rows: Iterable[tuple[int, Valve]]) -> dict[int, list[Valve]]:
    items: defaultdict[int, list[Valve]] = defaultdict(list)
    for item, valve in rows:
        items[item].append(valve)
    return dict(items)


def _singles(books: Books, sums: defaultdict[str, Any]) -> Iterable[Rows]:
    alone = Valve.objects.in_house().exclude(memberships__live=True).select_related(*facts.FETCHED).order_by("pk")
    for some in _after(lambda last: alone.filter(pk__gt=last)):
        _count(books, {valve.pk: [valve] for valve in some}, sums)
        yield []


def _count(books: Books, items: Mapping[int, Sequence[Valve]], sums: defaultdict[str, Any]) -> None:
    before, after = book.price_by(books, items) if items else ({}, {})
    for key, valves in items.items():
        _add(before[key], after[key], len(valves), sums)


def _add(before: BookPrice, after: BookPrice, pieces: int, sums: defaultdict[str, Any], times: int = 1) -> None:
    sums["pieces"] += pieces
    if before.amount != after.amount:
        sums["pieces_changed"] += pieces
        sums["worth"] += times * (before.amount or NOUGHT)
        sums["worth_after"] += times * (after.amount or NOUGHT)


def _bulk(books: Books, sums: defaultdict[str, Any]) -> Iterable[Rows]:
    lines = Line.objects.select_related("type", "maker").order_by("pk")
    for some in _after(lambda last: lines.filter(pk__gt=last)):
        before, after = (book.price_lines(some, one) for one in books)
        tallies = tally_lines([line.pk for line in some])
        for key in before:
            if left := max(tallies[key].in_bulk, 0):
                _add(before[key], after[key], left, sums, left)
        yield []


def _after(rows: Callable[[int], Any]) -> Iterable[list[Any]]:
    """PIECE rows at a time, by key."""
    last = 0
    while some := list(rows(last)[:PIECE]):
        yield some
        last = some[-1].pk


# The change


@kinds.kind(REPRICE, "Re-price listings", Lane.RECORDS, ByDraft, Role.SALES, address=_page)
def reprice(asked: ByDraft, hand: Hand) -> dict[str, int]:
    """A few at a time; each keeps what became of it, so that an interrupted job goes on behind the last."""
    draft = PriceDraft.objects.select_related("became").get(pk=asked.draft)
    if draft.became_id is None or draft.became_id != book.version():
        raise JobRefused(OTHER_BOOK)
    wanted = draft.prices.filter(after__isnull=False)
    if not asked.by_hand:
        wanted = wanted.filter(by_hand=False)
    of = wanted.count()
    while some := list(wanted.filter(outcome="").select_related("listing").order_by("listing")[:WRITTEN]):
        with transaction.atomic():
            for row in some:
                row.outcome = _reprice(row, draft, hand.by)
            DraftedPrice.objects.bulk_update(some, ["outcome"])
            hand.save(done=hand.saved.get("done", 0) + len(some))
        hand.go_on(f"{hand.saved['done']} of {of} listings", hand.saved["done"], of)
    return {"listings": of}


CHANGED = "changed"


def _reprice(row: DraftedPrice, draft: PriceDraft, by: User | None) -> str:
    """What became of it, in words."""
    listing = Listing.objects.select_for_update(no_key=True).get(pk=row.listing_id)
    if listing.price != row.asked:
        return f"left at {shown(listing.price, listing.currency)}: its price was changed meanwhile"
    assert row.after is not None
    try:
        publishing.reprice(listing, row.after, by, f"by {draft.became}")
    except Refused as refused:
        return str(refused)[:200]
    return CHANGED
