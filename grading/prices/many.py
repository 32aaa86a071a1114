"""Many items put before the public as one action: what may be listed, each with its price; what is refused is told
by item, and the rest is listed all the same."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import QuerySet
from django.urls import reverse

from grading.listings import publishing
from grading.listings.publishing import CannotList
from grading.listings.untested import UNGRADED, never_graded
from grading.models import Grade, MatchedSet, Member
from grading.prices import book, facts
from grading.prices.pure.book import BookPrice
from stockroom.jobs import kinds
from stockroom.jobs.kinds import Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Job, Listing, Shop, Valve
from stockroom.site.chunks import chunked
from stockroom.site.locks import hold_valves
from stockroom.site.people import Role
from stockroom.states import State

KIND = "list many"
PIECE = 20  # listed in one transaction
NO_PRICE = "The price book has no price for it, and none was typed."


class What(StrEnum):
    SINGLES = "singles"
    SETS = "sets"
    UNTESTED = "untested"


def listable_valves(what: What) -> QuerySet[Valve]:
    """Single valves that may be listed as tested, or as received."""
    if what is What.UNTESTED:
        found = never_graded().filter(state__in=UNGRADED)
    else:
        found = Valve.objects.filter(state=State.GRADED, grades__current=True, grades__saleable=True)
    return found.exclude(allocations__live=True).select_related(*facts.FETCHED, "line__lot", "place").order_by("serial")


def listable_sets() -> QuerySet[MatchedSet]:
    return (
        MatchedSet.objects.free()
        .filter(members__valve__state=State.MATCHED)
        .exclude(members__valve__listings__live=True)
        .select_related("type")
        .order_by("number")
        .distinct()
    )


class Listable(NamedTuple):
    key: int
    name: str
    title: str
    valves: list[Valve]
    grades: str
    cost: Decimal
    price: BookPrice


def rows_of(what: What, things: Collection[Any]) -> list[Listable]:
    """Each with its price from the book; a few questions for all of them."""
    items = _valves_of(what, things)
    prices = book.price_items(items)
    names: defaultdict[int, str] = defaultdict(str)
    every = [valve.pk for valves in items.values() for valve in valves]
    for some in chunked(every):
        names |= dict(Grade.objects.filter(valve__in=some, current=True).order_by().values_list("valve", "name"))
    currency = Shop.own().currency
    return [
        Listable(
            thing.pk,
            str(thing) if what is not What.SETS else thing.number,
            publishing.title(items[thing.pk])[:120],
            items[thing.pk],
            ", ".join(sorted({names[valve.pk] for valve in items[thing.pk] if names[valve.pk]})),
            sum((valve.line.cost_of(valve.position, currency) for valve in items[thing.pk]), Decimal(0)),
            prices[thing.pk],
        )
        for thing in things
        if items.get(thing.pk)
    ]


def _valves_of(what: What, things: Collection[Any]) -> dict[int, list[Valve]]:
    if what is not What.SETS:
        return {valve.pk: [valve] for valve in things}
    items: defaultdict[int, list[Valve]] = defaultdict(list)
    fetched = (f"valve__{name}" for name in (*facts.FETCHED, "line__lot"))
    for row in Member.objects.filter(set__in=things, live=True).select_related(*fetched).order_by("position"):
        items[row.set_id].append(row.valve)
    return dict(items)


def things_by_key(what: What, keys: Collection[int]) -> list[Any]:
    """Those that are there, whether or not they may still be listed, in the order of the keys."""
    rows: dict[int, Any] = {}
    for some in chunked(keys):
        if what is What.SETS:
            rows |= MatchedSet.objects.select_related("type").in_bulk(some)
        else:
            rows |= Valve.objects.select_related(*facts.FETCHED, "line__lot", "place").in_bulk(some)
    return [rows[key] for key in keys if key in rows]


class ListedMany(NamedTuple):
    made: dict[int, Listing]
    refused: dict[int, str]


@transaction.atomic
def list_rows(rows: Sequence[Listable], prices: dict[int, Decimal], by: User) -> ListedMany:
    """Each row at its price; one that is refused keeps no other from being listed."""
    hold_valves([valve.pk for row in rows for valve in row.valves])
    made: dict[int, Listing] = {}
    refused: dict[int, str] = {}
    currency = Shop.own().currency
    for row in rows:
        price = prices.get(row.key)
        if price is None:
            refused[row.key] = NO_PRICE
            continue
        try:
            with transaction.atomic():
                text = publishing.describe(row.valves)
                made[row.key] = publishing.publish(row.valves, row.title, text, price, currency, by)
        except CannotList as why:
            refused[row.key] = str(why)
    return ListedMany(made, refused)


# More than a page


@dataclass(frozen=True)
class ListThese:
    """Valves or sets by key, at the prices of the book."""

    what: str
    keys: tuple[int, ...]


def start(what: What, keys: Sequence[int], by: User) -> Job:
    return kinds.start(KIND, ListThese(what, tuple(keys)), f"List {len(keys)} {_called(what)}", by, key=key_of(what))


def _called(what: What) -> str:
    return {What.SINGLES: "valves", What.SETS: "sets", What.UNTESTED: "untested valves"}[what]


def key_of(what: What) -> str:
    return f"{KIND}, {what}"


def latest(what: What) -> Job | None:
    return Job.objects.keyed(key_of(what)).select_related("made_by").first()


@kinds.kind(
    KIND,
    "List many",
    Lane.RECORDS,
    ListThese,
    Role.SALES,
    address=lambda job: reverse("list-many", args=[job.question["what"]]),
)
def list_these(asked: ListThese, hand: Hand) -> dict[str, Any]:
    """A piece at a time, by the book that is in force then."""
    what, of = What(asked.what), len(asked.keys)
    assert hand.by is not None
    for start_at in range(hand.saved.get("done", 0), of, PIECE):
        rows = rows_of(what, things_by_key(what, asked.keys[start_at : start_at + PIECE]))
        prices = {row.key: row.price.amount for row in rows if row.price.amount is not None}
        done = min(of, start_at + PIECE)
        with transaction.atomic():
            answer = list_rows(rows, prices, hand.by)
            names = {row.key: row.name for row in rows}
            troubles = [f"{names[key]}: {why}" for key, why in answer.refused.items()]
            saved = hand.saved
            hand.save(
                done=done,
                made=saved.get("made", 0) + len(answer.made),
                troubles=[*saved.get("troubles", []), *troubles],
            )
        hand.go_on(f"{done} of {of} {_called(what)}", done, of)
    return {"made": 0, "troubles": [], **hand.saved}
