"""Grading: bring a valve's readings and its sheet to the policy, and record what it says.

- `evidence_for(valves)`: the latest standing reading of every section of each valve
- `grade(valves, policy, by)`: judge and record; valves with sections unread are left as they are
- `judge_all`, `store`: the two halves of it, for many valves behind the pages (`grading.verdicts.regrading`)
- `changes(policy, valves)`: what a re-grade would change, before it does
- `why_ungraded(valve)`: what stands in the way of a grade
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db import transaction

from catalog.models import Section
from grading.models import Grade, Policy, Reading
from grading.testers.records import BasisKind
from grading.verdicts import states
from grading.verdicts.pure.grades import Judgement, judge
from grading.verdicts.repeats import Repeats, by_section
from grading.verdicts.signals import grades_changed
from grading.verdicts.values import Bench, Value, as_section, values_of
from stockroom.models import Entry, Valve
from stockroom.site.changes import fitted
from stockroom.site.chunks import CHUNK, chunked


class Evidence(NamedTuple):
    """The readings that speak for each section of a valve, and whether every section has one."""

    repeats: Mapping[int, Repeats]
    complete: bool

    @property
    def readings(self) -> list[Reading]:
        return [reading for repeats in self.repeats.values() for reading in repeats.readings]


def evidence_for(valves: Collection[Valve]) -> dict[int, Evidence]:
    """By valve, in a fixed number of queries a chunk."""
    wanted: dict[int, set[int]] = defaultdict(set)
    for type_id, number in Section.objects.filter(
        type__in={valve.type_id for valve in valves}, test_points__isnull=False
    ).values_list("type", "number"):
        wanted[type_id].add(number)
    standing: dict[int, list[Reading]] = defaultdict(list)
    for keys in chunked({valve.pk for valve in valves}):
        for reading in Reading.objects.standing().filter(valve__in=keys).select_related("test_point", "shift"):
            standing[reading.valve_id].append(reading)
    found = {}
    for valve in valves:
        repeats = by_section(standing[valve.pk])
        # A type without test points has nothing to be judged against.
        complete = bool(wanted[valve.type_id]) and wanted[valve.type_id] <= set(repeats)
        found[valve.pk] = Evidence(repeats, complete)
    return found


class Change(NamedTuple):
    """What judging a valve now would alter. `before` is None for a valve never graded."""

    valve: Valve
    before: Grade | None
    after: Judgement


class Judged(NamedTuple):
    valve: Valve
    evidence: Evidence
    values: list[Value]
    before: Grade | None
    after: Judgement


def judge_all(valves: Collection[Valve], policy: Policy) -> list[Judged]:
    """Every valve that can be judged; nothing is stored."""
    rules, bench = policy.parsed, Bench()
    evidence = evidence_for(valves)
    standing = {
        row.valve_id: row
        for keys in chunked({valve.pk for valve in valves})
        for row in Grade.objects.filter(valve__in=keys, standing=True).prefetch_related("readings")
    }
    found = []
    for valve in valves:
        speaks = evidence[valve.pk]
        if not speaks.complete:
            continue
        values, sections = [], []
        for repeats in speaks.repeats.values():
            of_section = values_of(repeats, bench)
            values += of_section
            sections.append(as_section(repeats, of_section, bench))
        if any(value.kind == BasisKind.NONE for value in values):
            continue  # read at conditions that nothing is known of: see `why_ungraded`
        found.append(Judged(valve, speaks, values, standing.get(valve.pk), judge(rules, sections)))
    return found


def why_ungraded(valve: Valve) -> str:
    """Why a tested valve has no grade, in words; nothing when a section is merely unread."""
    bench = Bench()
    values = [
        value for repeats in evidence_for([valve])[valve.pk].repeats.values() for value in values_of(repeats, bench)
    ]
    return "; ".join(dict.fromkeys(value.basis for value in values if value.kind == BasisKind.NONE))


def changes(policy: Policy, valves: Collection[Valve]) -> list[Change]:
    """The valves whose grade would get another name, best first; nothing is stored."""
    found = [
        Change(row.valve, row.before, row.after)
        for row in judge_all(valves, policy)
        if row.before is None or row.before.name != row.after.name
    ]
    return sorted(found, key=lambda change: (change.after.rank, change.valve.serial))


def grade(valves: Collection[Valve], policy: Policy, by: User | None) -> dict[int, Grade]:
    """Judge these valves and record the grades; the old ones stay as history.

    Returns the standing grade by valve, of those that have one now. A valve with a section unread is not
    judged. A judgement by the same policy on the same readings as the standing grade is not written twice; one
    is, when the tester's record has changed how well they are known.
    """
    with transaction.atomic():
        return store(judge_all(valves, policy), [valve.pk for valve in valves], policy, by)


def store(judged: Collection[Judged], valve_ids: Collection[int], policy: Policy, by: User | None) -> dict[int, Grade]:
    """Record what was judged and bring the states of these valves up to date, in the caller's transaction."""
    given: dict[int, Grade] = {}
    fresh: list[tuple[Grade, Evidence]] = []
    for valve, evidence, values, before, after in judged:
        measured = [value.stored() for value in values]
        if before and before.policy_id == policy.pk and _rests_on(before, evidence, measured):
            given[valve.pk] = before
            continue
        row = Grade(
            valve=valve,
            policy=policy,
            name=after.name,
            rank=after.rank,
            saleable=after.saleable,
            reasons=list(after.reasons),
            too_close=after.too_close,
            more_readings=after.more_readings,
            assurance=after.assurance,
            measured=measured,
            given_by=by,
        )
        fresh.append((row, evidence))
        given[valve.pk] = row
    for keys in chunked([row.valve_id for row, _ in fresh]):
        Grade.objects.filter(valve__in=keys, standing=True).update(standing=False)
    Grade.objects.bulk_create([row for row, _ in fresh], batch_size=CHUNK)
    Grade.readings.through.objects.bulk_create(
        [
            Grade.readings.through(grade_id=row.pk, reading_id=reading.pk)
            for row, evidence in fresh
            for reading in evidence.readings
        ],
        batch_size=CHUNK,
    )
    states.refresh(valve_ids)
    grades_changed.send(Grade, valve_ids=[row.valve_id for row, _ in fresh], by=by)
    return given


def _rests_on(grade: Grade, evidence: Evidence, measured: list[dict[str, Any]]) -> bool:
    """The same readings, known as well as they were: a tester's record may have changed in between."""
    same = {reading.pk for reading in grade.readings.all()} == {reading.pk for reading in evidence.readings}
    return same and grade.measured == json.loads(json.dumps(measured))


def withdraw(valve: Valve, by: User | None) -> None:
    """The standing grade no longer speaks for the valve: it has come back, or a reading was corrected away."""
    Grade.objects.filter(valve=valve, standing=True).update(standing=False)
    grades_changed.send(Grade, valve_ids=[valve.pk], by=by)


def by_policy_in_force(valves: Sequence[Valve], by: User | None) -> dict[int, Grade]:
    """Grades by the policy in force, by valve; the states are brought up to date in any case."""
    policy = Policy.objects.filter(in_force=True).first()
    if policy:
        return grade(valves, policy, by)
    states.refresh([valve.pk for valve in valves])
    return {}


def note(valve: Valve, action: str, text: str, grade: Grade | None, by: User) -> Entry:
    verdict = f" {grade}." if grade else ""
    return Entry.write(by, action, fitted(text + verdict), valve=valve, line=valve.line, lot=valve.line.lot)
