"""Keep the stored state of valves and lots in step with their records.

Whatever changes a record calls `refresh` in the same transaction. `manage.py check_states` proves it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection

from catalog.models import Section
from grading.models import Grade, Member, Reading
from stockroom.models import Allocation, ListedValve, Lot, Valve
from stockroom.site.chunks import chunked
from stockroom.states import Facts, State, valve_state
from stockroom.tally import refresh_lots


def true_states(valves: Collection[Valve]) -> dict[int, State]:
    """State by primary key."""
    wanted_sections: dict[int, set[int]] = defaultdict(set)
    types = {valve.type_id for valve in valves}
    for type_id, number in Section.objects.filter(type__in=types, test_points__isnull=False).values_list(
        "type", "number"
    ):
        wanted_sections[type_id].add(number)

    states: dict[int, State] = {}
    by_key = {valve.pk: valve for valve in valves}
    for keys in chunked(by_key):
        read_sections: dict[int, set[int]] = defaultdict(set)
        for valve_id, section in Reading.objects.current().filter(valve__in=keys).values_list("valve", "section"):
            read_sections[valve_id].add(section)
        graded = set(Grade.objects.filter(valve__in=keys, current=True).values_list("valve", flat=True))
        matched = set(Member.objects.filter(valve__in=keys, live=True).values_list("valve", flat=True))
        listed = set(ListedValve.objects.filter(valve__in=keys, live=True).values_list("valve", flat=True))
        gone = set(Allocation.objects.sent().filter(valve__in=keys, live=True).values_list("valve", flat=True))
        for key in keys:
            wanted = wanted_sections[by_key[key].type_id]
            states[key] = valve_state(
                Facts(
                    tested=bool(wanted) and wanted <= read_sections[key],
                    graded=key in graded,
                    matched=key in matched,
                    listed=key in listed,
                    despatched=key in gone,
                    written_off=bool(by_key[key].written_off),
                )
            )
    return states


def refresh(valve_ids: Collection[int]) -> None:
    """Store the true states of these valves, then of the lots they came in."""
    for keys in chunked(set(valve_ids)):
        valves = list(Valve.objects.filter(pk__in=keys))
        changed: dict[State, list[int]] = defaultdict(list)
        states = true_states(valves)
        for valve in valves:
            if valve.state != states[valve.pk]:
                changed[states[valve.pk]].append(valve.pk)
        for state, some in changed.items():
            Valve.objects.filter(pk__in=some).update(state=state)
    lots = {
        lot
        for keys in chunked(set(valve_ids))
        for lot in Lot.objects.filter(lines__valves__in=keys).values_list("pk", flat=True)
    }
    refresh_lots(lots)
