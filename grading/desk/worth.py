"""What the stock is worth on a day: at cost, at its prices, and at the lower of the two.

What was before the public is worth what its listing asked for that day; the rest what the price book of that day asks,
a set as one item, a piece in bulk as it lies. What has no price is worth its cost. The lower is taken item by item:
IAS 2 Inventories, paragraph 29. The price stands for what the item would bring; what selling it costs is not taken off,
nor is tax that a price includes.

What was here, and at what cost, is what the books say (`stockroom.ledger`), so a day that is past stays as it was. What
a line cost is spread evenly over the pieces of it that were here: an item may be out by a minor unit a piece, never the
whole.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, NamedTuple

from django.contrib.auth.models import User

from grading.desk.written import read_amounts, written_amounts
from grading.models import Member
from grading.prices import book, facts, past
from stockroom.jobs import kinds
from stockroom.jobs.kinds import Lane
from stockroom.jobs.worker import Hand
from stockroom.ledger import valuation
from stockroom.models import Job, Line, ListedValve, Shop, Valve
from stockroom.pure.money import minor_places, to_minor
from stockroom.pure.written import day as day_in_words
from stockroom.receiving.pure.costing import piece_cost
from stockroom.site.chunks import chunked

KIND = "stock worth"


class Worth(NamedTuple):
    """Of the stock at the end of a day, in the home currency."""

    cost: Decimal  # all of it, charges of lots without lines with it
    listed: int  # pieces that were before the public
    listed_price: Decimal
    by_book: int  # pieces that the price book has a price for
    book_price: Decimal
    cost_of_priced: Decimal
    unpriced: int
    lower: Decimal  # of cost and price, for what has a price; the cost of the rest
    not_counted: Decimal  # cost of lines of which the books do not say how many pieces there were

    @property
    def price(self) -> Decimal:
        return self.listed_price + self.book_price

    @property
    def cost_of_rest(self) -> Decimal:
        return self.cost - self.cost_of_priced

    @property
    def written_down(self) -> Decimal:
        """By how much the lower is below cost."""
        return self.cost - self.lower


class _Sum:
    """Adds items up."""

    def __init__(self) -> None:
        self.pieces, self.price, self.cost, self.down = 0, Decimal(0), Decimal(0), Decimal(0)

    def add(self, pieces: int, cost: Decimal, price: Decimal, times: int = 1) -> None:
        self.pieces += pieces * times
        self.price += price * times
        self.cost += cost * times
        self.down += max(cost - price, Decimal(0)) * times


class _Here(NamedTuple):
    """What was here at the end of the day."""

    lines: Mapping[int, valuation.LineStock]
    costs: dict[int, Decimal]  # of each valve
    in_bulk: dict[int, list[tuple[Decimal, int]]]  # of each line: what a piece cost, and how many cost that


def worth_on(day: date, hand: Hand | None = None) -> Worth:
    """Takes seconds for each ten thousand valves: a job asks it, not a page."""
    moment, home = past.end_of(day), Shop.own().currency
    here = _here(day, moment, minor_places(home))
    listed, by_book = _Sum(), _Sum()
    on_listings = _listed(here.costs, moment, home, listed)
    rest = [key for key in here.costs if key not in on_listings]
    done = 0
    for items in _in_parts(_items(rest, moment)):
        _by_the_book(items, here.costs, moment, by_book)
        done += sum(len(item) for item in items)
        if hand:
            hand.go_on("What each piece is worth", done, len(rest))
    _bulk(here, moment, by_book)
    counted = sum(max(line.pieces, 0) for line in here.lines.values())
    cost = valuation.at_cost(day)
    return Worth(
        cost=cost,
        listed=listed.pieces,
        listed_price=listed.price,
        by_book=by_book.pieces,
        book_price=by_book.price,
        cost_of_priced=listed.cost + by_book.cost,
        unpriced=counted - listed.pieces - by_book.pieces,
        lower=cost - listed.down - by_book.down,
        not_counted=sum((line.cost for line in here.lines.values() if line.pieces <= 0), Decimal(0)),
    )


def _here(day: date, moment: datetime, places: int) -> _Here:
    lines = {one.line: one for one in valuation.by_line(day)}
    serialised: defaultdict[int, list[int]] = defaultdict(list)
    there = Valve.objects.filter(created_at__lte=moment).exclude(pk__in=valuation.had_left(day))
    for valve, line in there.order_by("line", "position").values_list("pk", "line"):
        if line in lines and lines[line].pieces > len(serialised[line]):
            serialised[line].append(valve)
    costs: dict[int, Decimal] = {}
    in_bulk: dict[int, list[tuple[Decimal, int]]] = {}
    for key, of_line in lines.items():
        if of_line.pieces <= 0:
            continue
        valves = serialised[key]
        for place, valve in enumerate(valves):
            costs[valve] = piece_cost(of_line.cost, of_line.pieces, place, places)
        in_bulk[key] = _alike(of_line, len(valves), places)
    return _Here(lines, costs, in_bulk)


def _alike(line: valuation.LineStock, first: int, places: int) -> list[tuple[Decimal, int]]:
    """What the pieces from `first` on cost, and how many cost that: some may be a minor unit dearer than the rest."""
    count = line.pieces - first
    if not count:
        return []
    dear, cheap = (piece_cost(line.cost, line.pieces, place, places) for place in (first, line.pieces - 1))
    if dear == cheap:
        return [(cheap, count)]
    before = sum((piece_cost(line.cost, line.pieces, place, places) for place in range(first)), Decimal(0))
    dearer = int((line.cost - before - cheap * count) / (dear - cheap))
    return [(dear, dearer), (cheap, count - dearer)]


def _listed(costs: Mapping[int, Decimal], moment: datetime, home: str, listed: _Sum) -> set[int]:
    """Adds the listings in the home currency whose valves were all here; returns these valves."""
    found: set[int] = set()
    live = {one.pk: one for one in past.live_at(moment).filter(currency=home)}
    asked = past.asked_at(list(live.values()), moment)
    valves: defaultdict[int, list[int]] = defaultdict(list)
    for keys in chunked(list(live)):
        for listing, valve in ListedValve.objects.filter(listing__in=keys).values_list("listing", "valve"):
            valves[listing].append(valve)
    for listing, on_it in valves.items():
        if all(valve in costs and valve not in found for valve in on_it):
            cost = sum((costs[valve] for valve in on_it), Decimal(0))
            listed.add(len(on_it), cost, to_minor(asked[listing].price, home))
            found.update(on_it)
    return found


def _items(valves: Sequence[int], moment: datetime) -> Iterator[list[int]]:
    """The sets that were whole then and of which every valve is among these; the others one by one."""
    among, sets = set(valves), defaultdict(list)
    together = Member.objects.filter(set__made_at__lte=moment).exclude(set__broken_at__lte=moment)
    for keys in chunked(valves):
        for set_, valve in together.filter(valve__in=keys).order_by().values_list("set", "valve"):
            sets[set_].append(valve)
    sizes: dict[int, int] = {}
    for keys in chunked(list(sets)):
        sizes |= dict(together.filter(set__in=keys).order_by().values_list("set", "set__size").distinct())
    for key, members in sets.items():
        if len(members) == sizes[key] and among.issuperset(members):
            among.difference_update(members)
            yield members
    yield from ([valve] for valve in valves if valve in among)


def _in_parts(items: Iterable[list[int]], at_once: int = 500) -> Iterator[list[list[int]]]:
    part: list[list[int]] = []
    for item in items:
        part.append(item)
        if len(part) == at_once:
            yield part
            part = []
    if part:
        yield part


def _by_the_book(items: Sequence[Sequence[int]], costs: Mapping[int, Decimal], moment: datetime, found: _Sum) -> None:
    valves: dict[int, Valve] = {}
    for keys in chunked([valve for item in items for valve in item]):
        valves |= Valve.objects.select_related(*facts.FETCHED).in_bulk(keys)
    prices = book.price_items({place: [valves[key] for key in item] for place, item in enumerate(items)}, moment)
    for place, item in enumerate(items):
        price = prices[place].amount
        if price is not None:
            found.add(len(item), sum((costs[key] for key in item), Decimal(0)), price)


def _bulk(here: _Here, moment: datetime, found: _Sum) -> None:
    then = book.book_at(moment)
    for keys in chunked([key for key, pieces in here.in_bulk.items() if pieces]):
        lines = Line.objects.filter(pk__in=keys).select_related("type", "maker")
        for key, priced in book.price_lines(lines, then).items():
            if priced.amount is not None:
                for cost, pieces in here.in_bulk[key]:
                    found.add(1, cost, priced.amount, pieces)


# The job


@dataclass(frozen=True)
class WorthOn:
    on: str  # the day, as ISO 8601


@kinds.kind(KIND, "What the stock is worth", Lane.RECORDS, WorthOn)
def reckon(asked: WorthOn, hand: Hand) -> dict[str, Any]:
    return written_amounts(worth_on(date.fromisoformat(asked.on), hand)._asdict())


def key_of(day: date) -> str:
    return f"stock worth {day.isoformat()}"


def start(day: date, by: User | None) -> Job:
    title = f"What the stock is worth at the end of {day_in_words(day)}"
    return kinds.start(KIND, WorthOn(day.isoformat()), title, by, key=key_of(day))


def read(result: Mapping[str, Any]) -> Worth:
    return Worth(**read_amounts(result))
