"""What became of what a supplier sent: how much of it was usable, of which grade, and what a usable valve cost.

A valve is usable when its grade may be sold. The shares are of the pieces that are known: graded, or written off
without a grade (broken or lost, hence not usable). The others are not tested yet and say nothing; the interval
(`stockroom.pure.yields`, Wilson) is the wider the fewer are known. Grades are those that stand now.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Count, QuerySet

from grading.models import Grade
from stockroom.models import Line, Shop, Supplier, Valve
from stockroom.pure import yields
from stockroom.pure.money import minor_places
from stockroom.pure.yields import UnitCost, Yield
from stockroom.states import State


class GradeCount(NamedTuple):
    """So many of one grade; `share` is of the known pieces."""

    name: str
    rank: int
    saleable: bool
    share: Yield


@dataclass(frozen=True)
class GoodsRecord:
    """Counts of pieces, and what the known ones cost in the home currency."""

    expected: int
    received: int
    sent_back: int
    grades: Mapping[tuple[int, str, bool], int]  # by rank, name and whether it may be sold
    written_off: int  # without a grade
    cost: Decimal
    cost_of_known: Decimal  # their part of the cost, not rounded
    places: int

    @property
    def known(self) -> int:
        return sum(self.grades.values()) + self.written_off

    @property
    def usable(self) -> int:
        return sum(count for (_, _, saleable), count in self.grades.items() if saleable)

    @property
    def not_tested(self) -> int:
        return self.received - self.sent_back - self.known

    @property
    def usable_share(self) -> Yield:
        return yields.usable_yield(self.usable, self.known)

    @property
    def received_in_words(self) -> str:
        back = f", of these {self.sent_back} sent back" if self.sent_back else ""
        return f"{self.received}{back}"

    @property
    def known_in_words(self) -> str:
        """What is known of them, and how many are not."""
        lost = f", of these {self.written_off} written off without a grade" if self.written_off else ""
        return f"{self.known}{lost}; {self.not_tested} not tested yet"

    @property
    def grades_in_words(self) -> str:
        counts = [f"{grade.share.usable} {grade.name}" for grade in self.by_grade]
        return ", ".join([*counts, f"{self.written_off} written off"] if self.written_off else counts)

    @property
    def by_grade(self) -> list[GradeCount]:
        """The best first."""
        ordered = sorted(self.grades.items())
        shares = yields.by_grade({f"{key}": count for key, count in ordered}, self.known)
        return [GradeCount(key[1], key[0], key[2], shares[f"{key}"]) for key, _ in ordered]

    @property
    def cost_per_usable(self) -> UnitCost:
        return yields.cost_per_usable(self.cost_of_known, self.usable_share, self.places)


class LineRecord(NamedTuple):
    line: Line
    record: GoodsRecord


def records_of(lines: Collection[Line]) -> list[LineRecord]:
    """The record of each line, in order. For a page of lines: it asks by their keys."""
    return _records(lines, "line", [line.pk for line in lines])


def _records(lines: Collection[Line], path: str, keys: Collection[int]) -> list[LineRecord]:
    """The record of each of these lines, which are all whose `path` (seen from a valve) is among the keys."""
    places = minor_places(Shop.own().currency)
    current = Grade.objects.filter(current=True, **{f"valve__{path}__in": keys}).order_by()
    grades: dict[int, dict[tuple[int, str, bool], int]] = defaultdict(dict)
    for key, rank, name, saleable, count in current.values_list("valve__line", "rank", "name", "saleable").annotate(
        n=Count("pk")
    ):
        grades[key][rank, name, saleable] = count
    lost = Valve.objects.filter(state=State.WRITTEN_OFF, **{f"{path}__in": keys})
    lost = lost.exclude(grades__current=True).order_by()
    written_off = dict(lost.values_list("line").annotate(n=Count("pk")))
    unjudged = _went_back(lost, {line.pk: line.returned_positions for line in lines if line.returned_positions})
    return [
        LineRecord(line, _record(line, grades[line.pk], written_off.get(line.pk, 0), unjudged[line.pk], places))
        for line in lines
    ]


def _went_back(lost: QuerySet[Valve], positions: Mapping[int, Collection[int]]) -> Counter[int]:
    """By line, the pieces that had serials and went back to the supplier without a grade: nobody knows of them."""
    rows = lost.filter(line__in=list(positions)).values_list("line", "position") if positions else []
    return Counter(line for line, position in rows if position in positions[line])


def _record(
    line: Line, grades: Mapping[tuple[int, str, bool], int], written_off: int, unjudged: int, places: int
) -> GoodsRecord:
    written_off -= unjudged
    known = sum(grades.values()) + written_off
    bearing = line.bearing_cost
    return GoodsRecord(
        expected=line.expected,
        received=line.received,
        sent_back=line.sent_back + unjudged,
        grades=grades,
        written_off=written_off,
        cost=line.cost,
        cost_of_known=line.cost * min(known, bearing) / bearing if bearing else Decimal(0),
        places=places,
    )


def together(records: Sequence[GoodsRecord], places: int) -> GoodsRecord:
    """The sums. A grade of the same name and rank counts as one, whatever version of the policy gave it."""
    grades: Counter[tuple[int, str, bool]] = Counter()
    for record in records:
        grades.update(record.grades)
    return GoodsRecord(
        expected=sum(record.expected for record in records),
        received=sum(record.received for record in records),
        sent_back=sum(record.sent_back for record in records),
        grades=grades,
        written_off=sum(record.written_off for record in records),
        cost=sum((record.cost for record in records), Decimal(0)),
        cost_of_known=sum((record.cost_of_known for record in records), Decimal(0)),
        places=places,
    )


class SupplierRecord(NamedTuple):
    supplier: Supplier
    lines: int
    record: GoodsRecord


def by_supplier(suppliers: Collection[Supplier]) -> list[SupplierRecord]:
    """The record of everything each supplier sent, in order."""
    lines = list(Line.objects.filter(lot__supplier__in=suppliers).select_related("lot"))
    found: dict[int, list[GoodsRecord]] = defaultdict(list)
    for line, record in _records(lines, "line__lot__supplier", [supplier.pk for supplier in suppliers]):
        found[line.lot.supplier_id].append(record)
    places = minor_places(Shop.own().currency)
    return [
        SupplierRecord(supplier, len(found[supplier.pk]), together(found[supplier.pk], places))
        for supplier in suppliers
    ]
