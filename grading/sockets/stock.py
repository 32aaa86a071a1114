"""What is in house of the types that the adviser names: by grade and price, and the nearest alike at a position."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Count, Min

from catalog.models import ValveType
from catalog.physics.curves import SheetPoint
from catalog.physics.positions import Position
from catalog.physics.sheets import SectionSheet, TypeSheet
from catalog.physics.stages import CannotWork, stage_of
from grading.metrology.quantities import Quantity
from grading.models import Grade
from grading.verdicts.values import Value
from stockroom.models import Listing, Valve
from stockroom.pure import money
from stockroom.states import State

FREE = (State.GRADED, State.MATCHED, State.LISTED)
MOST_FITTED = 200  # valves of one type whose own curves are drawn while somebody waits


class GradeInStock(NamedTuple):
    name: str
    rank: int
    pieces: int
    least_price: Decimal | None  # of those that are listed singly
    currency: str

    @property
    def in_words(self) -> str:
        price = f", from {money.shown(self.least_price, self.currency)}" if self.least_price is not None else ""
        return f"{self.pieces} {self.name}{price}"


class StockInHouse(NamedTuple):
    grades: tuple[GradeInStock, ...] = ()

    @property
    def total(self) -> int:
        return sum(grade.pieces for grade in self.grades)

    @property
    def in_words(self) -> str:
        return "; ".join(grade.in_words for grade in self.grades)


NOTHING = StockInHouse()


def in_stock(types: Collection[int]) -> dict[int, StockInHouse]:
    """Of these types: the graded valves that may be sold and nobody has, the best grades first. Two queries."""
    counted = (
        Grade.objects.filter(current=True, saleable=True, valve__type__in=types, valve__state__in=FREE)
        .exclude(valve__allocations__live=True)
        .values_list("valve__type", "name", "rank")
        .annotate(n=Count("valve", distinct=True))
        .order_by("rank")
    )
    prices = _least_prices(types)
    found: dict[int, list[GradeInStock]] = defaultdict(list)
    for type_, name, rank, count in counted:
        price, currency = prices.get((type_, name), (None, ""))
        found[type_].append(GradeInStock(name, rank, count, price, currency))
    return {type_: StockInHouse(tuple(grades)) for type_, grades in found.items()}


def _least_prices(types: Collection[int]) -> dict[tuple[int, str], tuple[Decimal, str]]:
    """By type and grade, of what is listed singly. Another currency than the first is left out: there is no rate."""
    singles = Listing.objects.for_public_display().annotate(pieces=Count("listed")).filter(pieces=1)
    rows = (
        Listing.objects.filter(pk__in=singles.values("pk"), listed__valve__grades__current=True)
        .filter(listed__valve__type__in=types)
        .values_list("listed__valve__type", "listed__valve__grades__name", "currency")
        .annotate(least=Min("price"))
        .order_by("currency")
    )
    found: dict[tuple[int, str], tuple[Decimal, str]] = {}
    for type_, name, currency, least in rows:
        found.setdefault((type_, name), (least, currency))
    return found


class Near(NamedTuple):
    """Valves that rest nearest together in the position: the largest current over the smallest, less one."""

    valves: tuple[Valve, ...]
    anode_ma: tuple[float, ...]

    @property
    def spread(self) -> float:
        return max(self.anode_ma) / min(self.anode_ma) - 1


def nearest(type_: ValveType, sheet: TypeSheet, section: int, position: Position, size: int) -> Near | None:
    """The set of `size` among free graded valves nearest together at this position's own point, by their readings."""
    grades = (
        Grade.objects.filter(current=True, saleable=True, valve__type=type_, valve__state=State.GRADED)
        .exclude(valve__allocations__live=True)
        .select_related("valve")
        .order_by("rank", "valve__serial")[:MOST_FITTED]
    )
    resting = sorted(_resting(grades, sheet.sections[section - 1], section, position), key=lambda found: found[0])
    windows = [resting[start : start + size] for start in range(len(resting) - size + 1)]
    if not windows:
        return None
    best = min(windows, key=lambda window: window[-1][0] / window[0][0])
    return Near(tuple(valve for _, valve in best), tuple(current for current, _ in best))


def _resting(
    grades: Iterable[Grade], sheet: SectionSheet, section: int, position: Position
) -> Iterable[tuple[float, Valve]]:
    for grade in grades:
        own = with_readings(sheet, section, [Value.read(row) for row in grade.measured])
        fitted = own.fitted if own else None
        if fitted is None or not fitted.usable:
            continue
        try:
            yield stage_of(fitted.curve, position).rest.anode_ma, grade.valve
        except CannotWork:
            continue


def with_readings(sheet: SectionSheet, section: int, values: Sequence[Value]) -> SectionSheet | None:
    """The section with one valve's readings in place of the type's: its points carried by what it read of the nominal.

    None where its anode current was not read, or the sheet has no nominal for it.
    """
    shares = {
        value.quantity: value.value / value.nominal
        for value in values
        if value.section == section and value.nominal and value.value > 0
    }
    if Quantity.ANODE_CURRENT.value not in shares:
        return None
    current = shares[Quantity.ANODE_CURRENT.value]
    gm = shares.get(Quantity.GM.value, current)
    return replace(sheet, points=tuple(_carried(point, current, gm) for point in sheet.points))


def _carried(point: SheetPoint, current: float, gm: float) -> SheetPoint:
    return point._replace(
        anode_current_ma=point.anode_current_ma * current,
        gm_ma_per_v=None if point.gm_ma_per_v is None else point.gm_ma_per_v * gm,
        screen_current_ma=None if point.screen_current_ma is None else point.screen_current_ma * current,
    )
