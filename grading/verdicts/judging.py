"""Grading: bring a valve's readings and its sheet to the policy, and record what it says."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db import transaction

from catalog.models import Section, ValveType
from grading.models import Grade, Policy, Quantity, Reading
from grading.testers.records import BasisKind
from grading.verdicts import states
from grading.verdicts.pure.grades import Judgement, judge
from grading.verdicts.repeats import Repeats, by_section
from grading.verdicts.signals import grades_changed
from grading.verdicts.values import Bench, Value, as_section, values_of
from stockroom.models import Entry, Valve
from stockroom.site.chunks import CHUNK, chunked


class Evidence(NamedTuple):
    """The readings that speak for each section of a valve, and whether every section has one."""

    repeats: Mapping[int, Repeats]
    complete: bool

    @property
    def readings(self) -> list[Reading]:
        return [reading for repeats in self.repeats.values() for reading in repeats.readings]

    @property
    def unsettled(self) -> dict[int, str]:
        """By section, of a valve that cannot be graded for it. A short fails the valve, settled or not."""
        if any(repeats.short for repeats in self.repeats.values()):
            return {}
        return {section: repeats.unsettled for section, repeats in self.repeats.items() if repeats.unsettled}


def evidence_for(valves: Collection[Valve], bench: Bench | None = None) -> dict[int, Evidence]:
    """By valve, in a fixed number of queries a chunk and a tester that `bench` does not know yet."""
    bench = bench or Bench()
    wanted: dict[int, set[int]] = defaultdict(set)
    for type_id, number in Section.objects.filter(
        type__in={valve.type_id for valve in valves}, test_points__isnull=False
    ).values_list("type", "number"):
        wanted[type_id].add(number)
    current: dict[int, list[Reading]] = defaultdict(list)
    for keys in chunked({valve.pk for valve in valves}):
        read = Reading.objects.current().filter(valve__in=keys)
        for reading in read.select_related("test_point__section__type", "shift"):
            current[reading.valve_id].append(reading)
    found = {}
    for valve in valves:
        repeats = by_section(current[valve.pk], bench.session_of)
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


class AllJudged(NamedTuple):
    """The judgements, and the valves that cannot be judged while they have not settled."""

    judged: list[Judged]
    unsettled: list[Valve]


def judge_all(valves: Collection[Valve], policy: Policy) -> AllJudged:
    """Every valve that can be judged; nothing is stored."""
    parsed = policy.parsed
    bench = Bench(parsed)
    kinds = dict(ValveType.objects.filter(pk__in={valve.type_id for valve in valves}).values_list("pk", "kind"))
    rules = {kind: parsed.for_kind(kind) for kind in set(kinds.values())}
    evidence = evidence_for(valves, bench)
    current = {
        row.valve_id: row
        for keys in chunked({valve.pk for valve in valves})
        for row in Grade.objects.filter(valve__in=keys, current=True).prefetch_related("readings")
    }
    found, unsettled = [], []
    for valve in valves:
        speaks = evidence[valve.pk]
        if speaks.unsettled:
            unsettled.append(valve)
        if speaks.unsettled or not speaks.complete:
            continue
        values, sections = [], []
        for repeats in speaks.repeats.values():
            of_section = values_of(repeats, bench)
            values += of_section
            sections.append(as_section(repeats, of_section, bench))
        if any(value.kind == BasisKind.NONE for value in values):
            continue  # read at conditions that nothing is known of: see `why_ungraded`
        if any(_without_nominal(repeats, values) for repeats in speaks.repeats.values()):
            continue
        judgement = judge(rules[kinds[valve.type_id]], sections)
        found.append(Judged(valve, speaks, values, current.get(valve.pk), judgement))
    return AllJudged(found, unsettled)


def _without_nominal(repeats: Repeats, values: Sequence[Value]) -> bool:
    """Whether nothing says what the section should read: not even its leakage then makes a grade, but a short does."""
    compared = any(value.nominal is not None for value in values if value.section == repeats.latest.section)
    point = repeats.latest.test_point
    return not (point.has_nominal or compared or repeats.short or repeats.values(Quantity.EMISSION))


def why_ungraded(valve: Valve) -> str:
    """Why a tested valve has no grade, in words; nothing when a section is merely unread."""
    bench = Bench()
    evidence = evidence_for([valve], bench)[valve.pk]
    why = [
        f"the last series of section {section} is {stability}: let it warm up and read a series again until it settles"
        for section, stability in evidence.unsettled.items()
    ]
    values = [value for repeats in evidence.repeats.values() for value in values_of(repeats, bench)]
    why += [f"it stands {value.basis}" for value in values if value.kind == BasisKind.NONE]
    if not why and any(_without_nominal(repeats, values) for repeats in evidence.repeats.values()):
        why.append(f"no nominal of the {valve.type} is on file")
    return "; ".join(dict.fromkeys(why))


def changes(policy: Policy, valves: Collection[Valve]) -> list[Change]:
    """The valves whose grade would get another name, best first; nothing is stored."""
    found = [
        Change(row.valve, row.before, row.after)
        for row in judge_all(valves, policy).judged
        if row.before is None or row.before.name != row.after.name
    ]
    return sorted(found, key=lambda change: (change.after.rank, change.valve.serial))


def grade(valves: Collection[Valve], policy: Policy, by: User | None) -> dict[int, Grade]:
    """Judge these valves and record the grades; the old ones stay as history.

    Returns the current grade by valve, of those that have one now. A valve with a section unread is not
    judged; one whose last series has not settled has no grade until it has. A judgement by the same policy on the
    same readings as the current grade is not written twice; one is, when the tester's record has changed how well
    they are known.
    """
    with transaction.atomic():
        return store(judge_all(valves, policy), [valve.pk for valve in valves], policy, by)


def store(judgements: AllJudged, valve_ids: Collection[int], policy: Policy, by: User | None) -> dict[int, Grade]:
    """Record what was judged of these valves and bring their states up to date, in the caller's transaction."""
    wanted = set(valve_ids)
    unsettled = [valve.pk for valve in judgements.unsettled if valve.pk in wanted]
    given: dict[int, Grade] = {}
    fresh: list[tuple[Grade, Evidence]] = []
    for valve, evidence, values, before, after in judgements.judged:
        if valve.pk not in wanted:
            continue
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
            not_tested=list(after.not_tested),
            measured=measured,
            given_by=by,
        )
        fresh.append((row, evidence))
        given[valve.pk] = row
    changed = [row.valve_id for row, _ in fresh] + unsettled
    for keys in chunked(changed):
        Grade.objects.filter(valve__in=keys, current=True).update(current=False)
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
    grades_changed.send(Grade, valve_ids=changed, by=by)
    return given


def _rests_on(grade: Grade, evidence: Evidence, measured: list[dict[str, Any]]) -> bool:
    """The same readings, known as well as they were: a tester's record may have changed in between."""
    same = {reading.pk for reading in grade.readings.all()} == {reading.pk for reading in evidence.readings}
    return same and grade.measured == json.loads(json.dumps(measured))


def withdraw(valve: Valve, by: User | None) -> None:
    """The current grade no longer speaks for the valve: it has come back, or a reading was corrected away."""
    Grade.objects.filter(valve=valve, current=True).update(current=False)
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
    return Entry.write(by, action, text + verdict, valve=valve, line=valve.line, lot=valve.line.lot)
