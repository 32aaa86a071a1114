"""Matched sets from graded stock: propose, make, break.

- `pool(type, best_grades)`: the graded valves that a set may be made of, as pieces to match
- `propose(type, size, tolerance_percent, ...)`: disjoint sets within the tolerance
- `make_set(valves, ...)`: record one; the database refuses a valve that is in another
- `break_set(set, reason, by)`
- `spread_of(set)`: what the set's own readings say, quantity by quantity
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.utils import timezone

from catalog.models import ValveType
from grading import matching, progress
from grading.models import Grade, MatchedSet, Member, Policy, Reading
from stockroom.models import Counter, Entry, Valve
from stockroom.states import State


class CannotMatch(Exception):
    """The set cannot be made as asked. The message says which valve and why."""


class Quantity(NamedTuple):
    """One column of a set's figures: "gm, section 2" in mA/V."""

    section: int
    label: str
    unit: str

    def __str__(self) -> str:
        return f"{self.label}, section {self.section}"


class Figures(NamedTuple):
    """What is matched of each valve, in the order of `quantities`."""

    quantities: tuple[Quantity, ...]
    rows: dict[int, tuple[float, ...]]  # by valve


class Proposal(NamedTuple):
    valves: tuple[Valve, ...]
    spread: tuple[float, ...]
    worst: float


def figures(grades: Sequence[Grade]) -> Figures:
    """Anode current and gm of every section, from the readings each grade rests on.

    Needs the grades' readings prefetched with their test points. A quantity that the type's test point has
    no nominal for (a rectifier's gm) is left out; a valve that lacks a reading of a quantity is left out too.
    """
    quantities: list[Quantity] = []
    readings = {grade.valve_id: sorted(grade.readings.all(), key=lambda r: r.section) for grade in grades}
    for reading in next(iter(readings.values()), []):
        quantities.append(Quantity(reading.section, "Ia", "mA"))
        if reading.test_point.gm_ma_per_v is not None:
            quantities.append(Quantity(reading.section, "gm", "mA/V"))
    rows = {}
    for valve_id, of_valve in readings.items():
        values = _values(of_valve, quantities)
        if values is not None:
            rows[valve_id] = values
    return Figures(tuple(quantities), rows)


def _values(readings: Sequence[Reading], quantities: Sequence[Quantity]) -> tuple[float, ...] | None:
    by_section = {reading.section: reading for reading in readings}
    values = []
    for quantity in quantities:
        reading = by_section.get(quantity.section)
        value = reading and (reading.anode_current_ma if quantity.label == "Ia" else reading.gm_ma_per_v)
        if not value or value <= 0:
            return None
        values.append(value)
    return tuple(values)


def available(type_: ValveType, best_grades: int) -> list[Grade]:
    """The standing grades of valves that are graded, free, and good enough for a set."""
    return list(
        Grade.objects.filter(
            standing=True, saleable=True, rank__lte=best_grades, valve__type=type_, valve__state=State.GRADED
        )
        .exclude(valve__allocations__live=True)
        .select_related("valve__place", "valve__maker")
        .prefetch_related("readings__test_point")
        .order_by("valve__serial")
    )


def propose(
    type_: ValveType, size: int, tolerance_percent: float, best_grades: int, *,
    same_maker: bool = False, same_grade: bool = False, time_limit_s: float = 10,
) -> list[Proposal]:  # fmt: skip
    """Disjoint sets from free graded stock, tightest first."""
    grades = available(type_, best_grades)
    found = figures(grades)
    valves: dict[Hashable, Valve] = {grade.valve_id: grade.valve for grade in grades}
    pieces = [
        matching.Piece(
            key=grade.valve_id,
            quantities=found.rows[grade.valve_id],
            maker=str(grade.valve.maker) if grade.valve.maker else None,
            grade=grade.name,
        )
        for grade in grades
        if grade.valve_id in found.rows
    ]
    tier = matching.Tier("asked", tolerance_percent / 100, 1.0)
    rules = matching.Rules(same_maker=same_maker, same_grade=same_grade)
    outcome = matching.find_sets(pieces, size, [tier], rules, time_limit_s=time_limit_s)
    proposals = [
        Proposal(tuple(valves[key] for key in made.keys), made.spread, max(made.spread))
        for made in outcome.sets
    ]
    return sorted(proposals, key=lambda proposal: (proposal.worst, proposal.valves[0].serial))


def spread_of(members: Sequence[Member]) -> list[tuple[Quantity, float]]:
    """The spread of each quantity by the readings that the set was made on: largest over smallest, less one.

    Needs the members' grades with their readings and test points.
    """
    found = figures([member.grade for member in members])
    pieces = [matching.Piece(key, values) for key, values in found.rows.items()]
    return list(zip(found.quantities, matching.spread(pieces), strict=True))


def locked(valves: Sequence[Valve]) -> list[Valve]:
    """The same valves in the same order as they stand now, held until the transaction ends."""
    fresh = Valve.objects.select_for_update(of=("self",)).select_related("type", "line__lot")
    by_key = {valve.pk: valve for valve in fresh.filter(pk__in=[valve.pk for valve in valves]).order_by("pk")}
    return [by_key[valve.pk] for valve in valves]


@transaction.atomic
def make_set(valves: Sequence[Valve], tolerance_percent: float, by: User) -> MatchedSet:
    """Record a set of these valves, judged within the tolerance by their standing grades' readings.

    Raises:
        CannotMatch: a valve is of another type, is not free, has no standing grade that may be sold, or the
            set's spread is beyond the tolerance. Nothing is recorded then.
    """
    if not matching.words.SMALLEST_SET <= len(valves) <= matching.words.LARGEST_SET:
        raise CannotMatch(f"A set has 2 to 12 valves, not {len(valves)}.")
    if len({valve.pk for valve in valves}) != len(valves):
        raise CannotMatch("The same valve is named twice.")
    valves = locked(valves)
    grades = {
        grade.valve_id: grade
        for grade in Grade.objects.filter(standing=True, valve__in=valves).prefetch_related("readings__test_point")
    }
    for valve in valves:
        if valve.type_id != valves[0].type_id:
            raise CannotMatch(f"{valve} is a {valve.type}, {valves[0]} is a {valves[0].type}: a set is of one type.")
        if valve.pk not in grades:
            raise CannotMatch(f"{valve} has no grade: test it first.")
        if not grades[valve.pk].saleable:
            raise CannotMatch(f"{valve} is graded {grades[valve.pk]} and is not for sale.")
        if valve.state != State.GRADED:
            raise CannotMatch(f"{valve} is {valve.state}: only a graded valve that is free can join a set.")
    found = figures(list(grades.values()))
    for valve in valves:
        if valve.pk not in found.rows:
            raise CannotMatch(f"{valve} lacks a reading that matching needs: test it again.")
    worst = max(matching.spread([matching.Piece(v.pk, found.rows[v.pk]) for v in valves]))
    if worst > tolerance_percent / 100 + matching.words.LOG_TOLERANCE:
        raise CannotMatch(f"These valves differ by {100 * worst:.2f} %, more than {tolerance_percent:g} %.")

    matched = MatchedSet.objects.create(
        number=f"S{Counter.take('set')[0]:05d}", type=valves[0].type, size=len(valves),
        tolerance_percent=tolerance_percent, policy=Policy.current(), made_by=by,
    )  # fmt: skip
    try:
        with transaction.atomic():
            Member.objects.bulk_create(
                Member(set=matched, valve=valve, grade=grades[valve.pk], position=place)
                for place, valve in enumerate(valves, start=1)
            )
    except IntegrityError as clash:
        raise CannotMatch("One of these valves has just been put in another set. Look again.") from clash
    for valve in valves:
        Entry.write(by, "set-made", f"Put in {matched.name} {matched.number}", valve=valve, lot=valve.line.lot)
    progress.refresh([valve.pk for valve in valves])
    return matched


@transaction.atomic
def break_set(matched: MatchedSet, reason: str, by: User) -> None:
    """The set is no more; its valves are free to be matched again.

    Raises:
        CannotMatch: it is broken already, is listed, or is set aside for an order.
    """
    matched = MatchedSet.objects.select_for_update().get(pk=matched.pk)
    members = list(matched.members.select_related("valve__line__lot"))
    if matched.broken_at:
        raise CannotMatch(f"{matched.number} is broken already.")
    valve_ids = [member.valve_id for member in members]
    if Valve.objects.filter(pk__in=valve_ids, allocations__live=True).exists():
        raise CannotMatch(f"{matched.number} is set aside for an order: take it off the order first.")
    if Valve.objects.filter(pk__in=valve_ids, listings__live=True).exists():
        raise CannotMatch(f"{matched.number} is listed for sale: end the listing first.")
    matched.broken_at, matched.broken_by, matched.broken_because = timezone.now(), by, reason
    matched.save()
    matched.members.update(live=False)
    for member in members:
        text = f"Taken out of {matched.number}: {reason}"
        Entry.write(by, "set-broken", text[:400], valve=member.valve, lot=member.valve.line.lot)
    progress.refresh(valve_ids)
