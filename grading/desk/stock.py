"""What there is, by type: graded, sealed, not tested, in bulk; how old it is, and what it cost.

Everything is added up by the database, by line; what a line's stock costs is what the books say, spread over its pieces
to the minor unit.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Count, Exists, FilteredRelation, OuterRef, Q

from catalog.models import ValveType
from stockroom.ledger import valuation
from stockroom.models import Allocation, Line, Pack, Shop, Valve
from stockroom.models.goods import pieces_of_line
from stockroom.pure.money import minor_places
from stockroom.receiving.pure.costing import share
from stockroom.site.chunks import chunked

SEALED, NOT_TESTED, IN_BULK = NOT_GRADED = "sealed", "not tested", "in bulk"
AGES = (  # up to so many days
    ("under 3 months", 91),
    ("3 to 6 months", 183),
    ("6 to 12 months", 365),
    ("1 to 2 years", 731),
    ("2 to 5 years", 1826),
    ("over 5 years", None),
)


class StockGroup(NamedTuple):
    """Pieces of a line that are alike."""

    line: int
    type: int
    kind: str  # a grade's name, or one of the three above
    pieces: int
    ready: bool = False  # may be sold as it lies, and set aside for nobody
    aside: bool = False


@dataclass
class OfType:
    """What there is of a type."""

    name: str
    kinds: Counter[str] = field(default_factory=Counter)
    ready: int = 0
    aside: int = 0
    not_graded: int = 0  # and not ready for another reason, such as an accepted sample
    cost: Decimal = Decimal(0)
    oldest: date | None = None

    @property
    def pieces(self) -> int:
        return self.kinds.total()


class OfAge(NamedTuple):
    label: str
    pieces: int
    cost: Decimal


class OnHand(NamedTuple):
    columns: tuple[str, ...]  # the kinds, grades first, the best before the others
    types: dict[int, OfType]
    ages: list[OfAge]


def on_hand(today: date) -> OnHand:
    grades: dict[str, int] = {}
    groups = [*_with_serials(grades), *_in_bulk()]
    lines: dict[int, list[StockGroup]] = defaultdict(list)
    for group in groups:
        lines[group.line].append(group)
    received = dict(Line.objects.order_by().values_list("pk", "lot__received_on"))
    costs = {one.line: one.cost for one in valuation.by_line(today)}
    names = names_of({group.type for group in groups})
    places = minor_places(Shop.own().currency)
    types: dict[int, OfType] = {}
    pieces_of_age: Counter[str] = Counter()
    cost_of_age: defaultdict[str, Decimal] = defaultdict(Decimal)
    for line, of_line in lines.items():
        came = received[line]
        for group, cost in zip(of_line, _spread(costs.get(line, Decimal(0)), of_line, places), strict=True):
            row = types.setdefault(group.type, OfType(names[group.type]))
            row.kinds[group.kind] += group.pieces
            row.ready += group.pieces if group.ready else 0
            row.aside += group.pieces if group.aside else 0
            row.not_graded += group.pieces if group.kind in NOT_GRADED and not group.ready and not group.aside else 0
            row.cost += cost
            row.oldest = came if row.oldest is None else min(row.oldest, came)
            age = age_of(came, today)
            pieces_of_age[age] += group.pieces
            cost_of_age[age] += cost
    columns = (*sorted(grades, key=lambda name: (grades[name], name)), SEALED, NOT_TESTED, IN_BULK)
    return OnHand(columns, types, [OfAge(label, pieces_of_age[label], cost_of_age[label]) for label, _ in AGES])


def names_of(types: Collection[int]) -> dict[int, str]:
    """What the shop calls these types."""
    return {pk: str(one) for keys in chunked(types) for pk, one in ValveType.objects.in_bulk(keys).items()}


def _spread(cost: Decimal, groups: Sequence[StockGroup], places: int) -> list[Decimal]:
    return share(cost, [group.pieces for group in groups], places)


def age_of(came: date, today: date) -> str:
    """
    >>> age_of(date(2026, 1, 1), date(2026, 1, 31)), age_of(date(2019, 1, 1), date(2026, 1, 31))
    ('under 3 months', 'over 5 years')
    """
    days = (today - came).days
    return next(label for label, most in AGES if most is None or days < most)


def _with_serials(grades: dict[str, int]) -> Iterator[StockGroup]:
    """Valves in the house; the names of their grades, with their ranks, are put into `grades`."""
    rows = (
        Valve.objects.in_house()
        .annotate(
            grade=FilteredRelation("grades", condition=Q(grades__current=True)),
            shut=Exists(Pack.objects.under_seal().filter(valve=OuterRef("pk"))),
            aside=Exists(Allocation.objects.filter(valve=OuterRef("pk"), live=True)),
        )
        .order_by()
        .values_list("line", "type", "grade__name", "grade__rank", "grade__saleable", "shut", "aside")
        .annotate(pieces=Count("pk"))
    )
    for line, type_, grade, rank, saleable, shut, aside, pieces in rows:
        if grade and not shut:
            grades[grade] = min(rank, grades.get(grade, rank))
        kind = SEALED if shut else grade or NOT_TESTED
        yield StockGroup(line, type_, kind, pieces, ready=not aside and (shut or bool(saleable)), aside=aside)


def _in_bulk() -> Iterator[StockGroup]:
    """Pieces without a serial."""
    lines = Line.objects.order_by().annotate(there=pieces_of_line(), numbered=Count("valves"))
    for line, type_, condition, there, numbered in lines.values_list("pk", "type", "condition", "there", "numbered"):
        if there > numbered:
            yield StockGroup(line, type_, SEALED if condition == Line.Condition.SEALED else IN_BULK, there - numbered)
