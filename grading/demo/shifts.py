"""The demonstration's weeks at the bench: studies, checks of the reference valves, and shifts of testing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from random import Random
from typing import Any, NamedTuple

from django.contrib.auth.models import User

from catalog.models import Section, TestPoint, ValveType
from grading.bench import readings as bench
from grading.demo.clock import a_time, at, moment
from grading.demo.readings import Meter, Strength, mistype, read_meters, strengths
from grading.demo.testers import meter
from grading.models import Grade, Policy, Quantity, Reading, ReferenceValve, Shift, Study, Tester, TesterCondition
from grading.testers import conditions, house_nominals, reference_checks, studies
from grading.verdicts import judging
from grading.verdicts.waiting import grade_them, waiting_for
from stockroom.models import Entry, Lot, Valve
from stockroom.site.chunks import CHUNK

A_SHIFT = 45  # valves
A_VALVE = timedelta(minutes=3)
A_STUDY_READING = timedelta(minutes=2)
THE_CHECK = timedelta(minutes=5)


class DemoSection(NamedTuple):
    """A valve with what only the simulation knows of it; one strength, point and fault a section."""

    valve: Valve
    points: Sequence[TestPoint]
    strengths: Sequence[Strength]
    faults: Sequence[dict[str, Any]]
    leaks: bool


Sessions = dict[tuple[int, str], list[DemoSection]]  # by working days ago and the tester's name


def valves_of(lot: Lot, plan: dict[str, Any], rng: Random) -> dict[int, list[DemoSection]]:
    """By the number of the line, in the order of their positions."""
    faults = {(fault["line"], fault["position"], fault["section"]): fault for fault in plan.get("fault", [])}
    valves = list(Valve.objects.filter(line__lot=lot).select_related("line__lot").order_by("line__number", "position"))
    points = _test_points({valve.type_id for valve in valves})
    direct = set(ValveType.objects.filter(cathode="direct").values_list("pk", flat=True))
    found: dict[int, list[DemoSection]] = defaultdict(list)
    for valve in valves:
        number, mine = valve.line.number, points[valve.type_id]
        row = plan["line"][number - 1]
        drawn = strengths(rng, len(mine), row.get("strength", 1), row.get("wear", 0))
        at_fault = [faults.get((number, valve.position, point.section.number), {}) for point in mine]
        found[number].append(DemoSection(valve, mine, drawn, at_fault, valve.type_id not in direct))
    return found


def _test_points(types: set[int]) -> dict[int, list[TestPoint]]:
    """The bench's own test point of each section, by type."""
    found: dict[int, list[TestPoint]] = {type_id: [] for type_id in types}
    for section in Section.objects.filter(type__in=types).prefetch_related("test_points").order_by("number"):
        if section.test_point:
            found[section.type_id].append(section.test_point)
    return found


def sessions(valves: Mapping[int, Sequence[DemoSection]], plan: dict[str, Any], a_shift: int = A_SHIFT) -> Sessions:
    """The lines of the lot one after the other, shift after shift on each tester."""
    queues: dict[str, list[DemoSection]] = defaultdict(list)
    for number, row in enumerate(plan["line"], 1):
        start = 0
        for tester, count in row["tested"].items():
            queues[tester] += valves[number][start : start + count]
            start += count
    return {
        (plan["begun"][tester] - place, tester): queue[start : start + a_shift]
        for tester, queue in queues.items()
        for place, start in enumerate(range(0, len(queue), a_shift))
    }


# A study


def study(
    row: dict[str, Any],
    plan: dict[str, Any],
    valves: Sequence[DemoSection],
    people: dict[str, User],
    day: date,
    seed: int,
) -> None:
    """`row["operators"]` read everything, each with a hand of their own; those in `row["waits_for"]` have not begun."""
    tester = Tester.objects.get(name=row["tester"])
    quantity = Quantity(row["quantity"])
    chosen = {known.valve.pk: known for known in valves[: row["valves"]]}
    operators = {people[role].pk: people[role] for role in row["operators"]}
    begun = moment(day, row["ago"], *a_time(row["begun"]))
    shown_by = meter(_row_of(tester, plan), plan, row["ago"])
    rng = Random(f"{seed} study {tester} {quantity}")
    with at(begun):
        planned = studies.plan(
            tester,
            quantity,
            next(iter(chosen.values())).points[0],
            [known.valve for known in chosen.values()],
            list(operators.values()),
            row["repeats"],
            people["owner"],
            row.get("note", ""),
        )
    Study.objects.filter(pk=planned.pk).update(seed=seed)  # the order is drawn anew each time, save here
    planned.seed = seed
    read_at = begun
    for cell in studies.order(planned):
        person = operators[cell.operator_id]
        if person.username in row.get("waits_for", []):
            continue
        read_at += A_STUDY_READING
        hand = plan["hands"].get(person.username, 1.0)
        value = _study_value(rng, shown_by._replace(gain=shown_by.gain * hand), quantity, chosen[cell.valve_id])
        studies.record(planned, cell, value, person, taken_at=read_at)
    if "waits_for" not in row:
        with at(read_at + A_STUDY_READING):
            studies.finish(planned, people["owner"])
        Study.objects.filter(pk=planned.pk).update(finished_at=read_at + A_STUDY_READING)


def _study_value(rng: Random, shown_by: Meter, quantity: Quantity, known: DemoSection) -> float:
    """Of the first section."""
    nominal = shown_by.nominal(known.points[0], quantity)
    assert nominal is not None
    first = known.strengths[0]
    return shown_by.show(rng, quantity, nominal * (first.gm if quantity == Quantity.GM else first.anode_current))


def _row_of(tester: Tester, plan: dict[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = next(row for row in plan["tester"] if row["name"] == tester.name)
    return row


# The weeks


def work(
    plan: dict[str, Any], waiting: Sessions, people: dict[str, User], day: date, seed: int, *, checked: bool = True
) -> None:
    """Every session, and with `checked` a check of the reference valves at each tester on every working day.

    A tester that the check has stopped is not worked at.
    """
    testers = [Tester.objects.get(name=row["name"]) for row in plan["tester"]]
    first = plan["first_shift"] if checked else max(ago for ago, _ in waiting)
    for ago in range(first, 0, -1):
        for tester in testers:
            session = waiting.get((ago, tester.name), [])
            references = reference_checks.for_tester(tester) if checked else []
            if session or (references and not reference_checks.current_stop(tester)):
                shift = _Shift(tester, plan, ago, day, people, seed)
                shift.run(references, session)


def one_more(
    tester: Tester,
    session: Sequence[DemoSection],
    begins: str,
    plan: dict[str, Any],
    ago: int,
    day: date,
    people: dict[str, User],
    seed: int,
) -> None:
    """A shift beside those of `work`, from `begins` on, without a check."""
    _Shift(tester, plan, ago, day, people, seed, begins).run([], session)


class _Shift:
    """One shift at one tester."""

    def __init__(
        self,
        tester: Tester,
        plan: dict[str, Any],
        ago: int,
        day: date,
        people: dict[str, User],
        seed: int,
        opens: str = "",
    ) -> None:
        row = _row_of(tester, plan)
        self.tester, self.people, self.by = tester, people, people["bench"]
        self.opens = moment(day, ago, *a_time(opens or row["opens"]))
        self.next_morning = moment(day, ago - 1, 8)
        self.truly = {row["name"]: row["reads"] for row in plan["reference"]}
        self.meter = meter(row, plan, ago)
        self.rng = Random(f"{seed} shift {ago} {tester}")

    def run(self, references: Sequence[ReferenceValve], session: Sequence[DemoSection]) -> None:
        with at(self.opens):
            shift = bench.start_shift(self.tester, self.by)
        for reference in references:
            value = self.meter.show(self.rng, reference.of, self.truly[reference.name])
            with at(self.opens + THE_CHECK):
                reference_checks.record(reference, shift, value, self.by, taken_at=self.opens + THE_CHECK)
        closes = self.opens + THE_CHECK + A_VALVE * (len(session) + 1)
        if session:
            self._test(shift, session)
        with at(closes):
            bench.end_shift(shift, self.by)
        Shift.objects.filter(pk=shift.pk).update(ended_at=closes)
        if session:
            self._learn([known.valve for known in session])

    def _test(self, shift: Shift, session: Sequence[DemoSection]) -> None:
        readings: dict[int, list[Reading]] = {}
        slips: list[tuple[Reading, float]] = []
        for place, known in enumerate(session, 1):
            readings[known.valve.pk] = list(self._read(known, shift, self.opens + THE_CHECK + A_VALVE * place, slips))
        _save([known.valve for known in session], readings, shift)
        for wrong, right in slips:
            with at(wrong.taken_at + A_VALVE / 2):
                reason = f"gm typed as {wrong.gm_ma_per_v:g}; the meter showed {right:g}"
                bench.correct(wrong, replace(bench.EnteredReading.of(wrong), gm_ma_per_v=right), reason, self.by)

    def _read(
        self, known: DemoSection, shift: Shift, when: datetime, slips: list[tuple[Reading, float]]
    ) -> Iterator[Reading]:
        for point, strength, fault in zip(known.points, known.strengths, known.faults, strict=True):
            reading = read_meters(self.rng, self.meter, point, strength, fault, leaks=known.leaks)
            reading.valve, reading.shift, reading.taken_at = known.valve, shift, when
            if fault.get("slip"):
                slips.append((reading, mistype(reading)))
            yield reading

    def _learn(self, valves: Sequence[Valve]) -> None:
        """The next morning the owner has house nominals learnt that the valves want, and those that waited graded."""
        wanted = [
            row.test_point
            for row in conditions.current_conditions(self.tester)
            if row.judged_by == TesterCondition.JudgedBy.HOUSE
            and row.test_point.section.type_id in {valve.type_id for valve in valves}
        ]
        if not wanted:
            return
        owner = self.people["owner"]
        with at(self.next_morning):
            for point in wanted:
                house_nominals.learn(self.tester, point, owner)
            for point in wanted:
                if waiting_for(self.tester, point).ready:
                    grade_them(self.tester, point, owner)


def _save(valves: Sequence[Valve], readings: dict[int, list[Reading]], shift: Shift) -> None:
    """As `record_readings` does valve by valve, for a whole shift and at the times that the readings bear."""
    by, entries, given = shift.operator, [], []
    taken = [one for some in readings.values() for one in some]
    if fault := bench.why_unfit(shift.tester, taken):
        raise bench.UnfitTester(fault)
    Reading.objects.bulk_create(taken, batch_size=CHUNK)
    grades = judging.grade(valves, Policy.current(), by)
    for valve in valves:
        mine, grade = readings[valve.pk], grades.get(valve.pk)
        if grade:
            grade.given_at = mine[0].taken_at
            given.append(grade)
        verdict = f" {grade}." if grade else ""
        text = f"Tested at {shift.tester}: {bench.in_words(mine)}.{verdict}"
        about = {"valve": valve, "line": valve.line, "lot": valve.line.lot}
        entries.append(Entry(at=mine[0].taken_at, by=by, action="tested", text=text, **about))
    Grade.objects.bulk_update(given, ["given_at"], batch_size=100)
    Entry.objects.bulk_create(entries, batch_size=CHUNK)
