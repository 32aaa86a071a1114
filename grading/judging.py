"""Grading: bring a valve's readings and its sheet to the policy, and record what it says.

- `evidence_for(valves)`: the latest standing reading of every section of each valve
- `grade(valves, policy, by)`: judge and record; valves with sections unread are left as they are
- `changes(policy, valves)`: what a re-grade would change, before it does
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction

from catalog.models import Section
from grading import progress
from grading.grades import Judgement, SectionReading, judge
from grading.models import Grade, Policy, Reading
from stockroom.models import Valve


class Evidence(NamedTuple):
    """The standing readings of one valve, by section, and whether every section has one."""

    readings: Mapping[int, Reading]
    complete: bool

    @property
    def sections(self) -> list[SectionReading]:
        return [as_section(reading) for _, reading in sorted(self.readings.items())]


def as_section(reading: Reading) -> SectionReading:
    """A stored reading beside the nominals and limits of its test point."""
    point = reading.test_point
    return SectionReading(
        section=reading.section,
        anode_current_ma=reading.anode_current_ma,
        gm_ma_per_v=reading.gm_ma_per_v,
        nominal_anode_current_ma=point.anode_current_ma,
        nominal_gm_ma_per_v=point.gm_ma_per_v,
        anode_current_min_ma=point.anode_current_min_ma,
        anode_current_max_ma=point.anode_current_max_ma,
        gm_min_ma_per_v=point.gm_min_ma_per_v,
        gm_max_ma_per_v=point.gm_max_ma_per_v,
        shorted=reading.shorted,
        short_between=reading.short_between,
        heater_cathode_leakage_ua=reading.heater_cathode_leakage_ua,
        grid_current_ua=reading.grid_current_ua,
        noise=reading.noise,
    )


def evidence_for(valves: Collection[Valve]) -> dict[int, Evidence]:
    """The latest standing reading of each section, by valve, in a fixed number of queries a chunk."""
    wanted: dict[int, set[int]] = defaultdict(set)
    for type_id, number in Section.objects.filter(
        type__in={valve.type_id for valve in valves}, test_points__isnull=False
    ).values_list("type", "number"):
        wanted[type_id].add(number)
    latest: dict[int, dict[int, Reading]] = defaultdict(dict)
    for keys in progress.chunked({valve.pk for valve in valves}):
        rows = Reading.objects.standing().filter(valve__in=keys).select_related("test_point")
        for reading in rows.order_by("taken_at", "id"):
            latest[reading.valve_id][reading.section] = reading
    return {valve.pk: Evidence(latest[valve.pk], _covers(latest[valve.pk], wanted[valve.type_id])) for valve in valves}


def _covers(readings: Mapping[int, Reading], wanted: set[int]) -> bool:
    """Every section with a test point has a reading; a type without test points cannot be judged."""
    return bool(wanted) and wanted <= set(readings)


class Change(NamedTuple):
    """What judging a valve now would alter. `before` is None for a valve never graded."""

    valve: Valve
    before: Grade | None
    after: Judgement


def _judged(valves: Collection[Valve], policy: Policy) -> list[tuple[Valve, Evidence, Grade | None, Judgement]]:
    rules = policy.parsed
    evidence = evidence_for(valves)
    standing = {
        row.valve_id: row
        for keys in progress.chunked({valve.pk for valve in valves})
        for row in Grade.objects.filter(valve__in=keys, standing=True).prefetch_related("readings")
    }
    return [
        (valve, evidence[valve.pk], standing.get(valve.pk), judge(rules, evidence[valve.pk].sections))
        for valve in valves
        if evidence[valve.pk].complete
    ]


def changes(policy: Policy, valves: Collection[Valve]) -> list[Change]:
    """The valves whose grade would get another name, best first; nothing is stored."""
    found = [
        Change(valve, before, after)
        for valve, _, before, after in _judged(valves, policy)
        if before is None or before.name != after.name
    ]
    return sorted(found, key=lambda change: (change.after.rank, change.valve.serial))


def grade(valves: Collection[Valve], policy: Policy, by: User | None) -> dict[int, Grade]:
    """Judge these valves and record the grades; the old ones stay as history.

    Returns the standing grade by valve, of those that have one now. A valve with a section unread is not
    judged. A judgement by the same policy on the same readings as the standing grade is not written twice.
    """
    given: dict[int, Grade] = {}
    fresh: list[tuple[Grade, Evidence]] = []
    with transaction.atomic():
        for valve, evidence, before, after in _judged(valves, policy):
            read = {reading.pk for reading in evidence.readings.values()}
            if before and before.policy_id == policy.pk and {r.pk for r in before.readings.all()} == read:
                given[valve.pk] = before
                continue
            row = Grade(
                valve=valve, policy=policy, name=after.name, rank=after.rank, saleable=after.saleable,
                reasons=list(after.reasons), given_by=by,
            )  # fmt: skip
            fresh.append((row, evidence))
            given[valve.pk] = row
        for keys in progress.chunked([row.valve_id for row, _ in fresh]):
            Grade.objects.filter(valve__in=keys, standing=True).update(standing=False)
        Grade.objects.bulk_create([row for row, _ in fresh], batch_size=progress.CHUNK)
        Grade.readings.through.objects.bulk_create(
            [
                Grade.readings.through(grade_id=row.pk, reading_id=reading.pk)
                for row, evidence in fresh
                for reading in evidence.readings.values()
            ],
            batch_size=progress.CHUNK,
        )
        progress.refresh([valve.pk for valve in valves])
    return given


def withdraw(valve: Valve) -> None:
    """The standing grade no longer speaks for the valve: it has come back, or a reading was corrected away."""
    Grade.objects.filter(valve=valve, standing=True).update(standing=False)
