"""Small makers of rows for tests. Each makes what it needs and nothing else; all names are invented.

- `make_type("12AX7")`: a type with a test point in every section; `kind="rectifier"` has no gm, and a
  `"voltage stabiliser"` holds 150 V at 30 mA
- `make_lot()`, `make_line(type, count)`, `make_valve(type)`, `make_valves(type, count)`
- `make_tester()`, `make_shift()`, `make_policy()`
- `read(valve, ia=1.2, gm=1.6)`: a current reading of every section; a list gives one value a section
- `graded(valve, ia=…, gm=…)`: read, then judged by the policy in force
- `read_all([(valve, ia, gm), …])`, `graded_all([(valve, ia, gm), …])`: many valves in the questions that one takes

Rows go straight into the tables, so a test of receiving or of the bench does not lean on what it tests.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.conf import settings
from django.contrib.auth.models import Group, User
from django.utils import timezone

from catalog.models import Basing, Heater, Section, Source, TestPoint, ValveType
from catalog.reference.files import normal
from grading.models import Grade, Policy, Reading, Shift, Tester
from grading.verdicts import judging, states
from stockroom.models import Counter, Line, Lot, Place, Supplier, Valve
from stockroom.pure.serials import serial
from stockroom.site.people import Role

# A valve with the anode current in mA and the gm in mA/V to read on it.
Measured = tuple[Valve, float | Sequence[float | None] | None, float | Sequence[float | None] | None]

MEMORY = {"title": "Memory", "kind": "memory"}

# A triode like the commonest one: 250 V, -2 V, 1.2 mA, 1.6 mA/V, mu 100, 62.5 kilohms (from memory).
TRIODE_POINT: dict[str, Any] = {
    "name": "250 V",
    "anode_voltage_v": 250,
    "grid_voltage_v": -2,
    "anode_current_ma": 1.2,
    "gm_ma_per_v": 1.6,
    "mu": 100,
    "anode_resistance_kohm": 62.5,
}
DIODE_POINT: dict[str, Any] = {"name": "drop", "anode_voltage_v": 60, "anode_current_ma": 125}
STABILISER_POINT: dict[str, Any] = {"name": "150 V", "anode_voltage_v": 150, "anode_current_ma": 30}
GRIDLESS = {"rectifier": ("diode", DIODE_POINT), "voltage stabiliser": ("stabiliser", STABILISER_POINT)}


def source() -> Source:
    return Source.objects.get_or_create(key="memory", defaults=MEMORY)[0]


def make_type(
    designation: str = "12AX7",
    *,
    kind: str = "double triode",
    sections: int = 2,
    points: Sequence[dict[str, Any]] | None = None,
    cautions: Sequence[str] = (),
    base: str = "B9A",
    **point: Any,
) -> ValveType:
    """A type of this name, or the one there is.

    Every section gets the same `points` (one like 12AX7's when none are given; `[]` for a type that cannot be
    tested). Keywords such as `gm_ma_per_v=2.0` alter the default point.
    """
    known = ValveType.objects.filter(normal=normal(designation)).first()
    if known:
        return known
    memory = source()
    basing, _ = Basing.objects.get_or_create(name=f"basing of {designation}", defaults={"base": base, "source": memory})
    type = ValveType.objects.create(
        designation=designation,
        kind=kind,
        tradition="western",
        basing=basing,
        cathode="cold" if kind == "voltage stabiliser" else "indirect",
        basing_source=memory,
        heater_source=memory,
        cautions=list(cautions),
    )
    Heater.objects.create(type=type, wiring="single", voltage_v=6.3, current_a=0.3)
    section_kind, default = GRIDLESS.get(kind, ("triode", TRIODE_POINT))
    for number in range(1, sections + 1):
        section = Section.objects.create(type=type, number=number, kind=section_kind)
        for position, values in enumerate([{**default, **point}] if points is None else points):
            TestPoint.objects.create(section=section, position=position, source=memory, **values)
    return type


def make_supplier(name: str = "Brackenfield Surplus") -> Supplier:
    return Supplier.objects.get_or_create(name=name)[0]


def make_place(code: str = "A1") -> Place:
    return Place.objects.get_or_create(code=code)[0]


def make_lot(**fields: Any) -> Lot:
    number = f"L{Counter.take('lot')[0]:04}"
    return Lot.objects.create(number=number, **{"supplier": make_supplier(), **fields})


def make_line(type: ValveType | None = None, count: int = 1, *, lot: Lot | None = None, **fields: Any) -> Line:
    """A line of `count` pieces, all in bulk."""
    lot = lot or make_lot()
    return Line.objects.create(
        lot=lot,
        number=lot.lines.count() + 1,
        type=type or make_type(),
        **{"condition": Line.Condition.BOXED, "expected": count, "counted": count, **fields},
    )


def make_valves(
    type: ValveType | None = None, count: int = 1, *, line: Line | None = None, **fields: Any
) -> list[Valve]:
    """`count` valves with serials, on `line` or a line of their own."""
    line = line or make_line(type, count)
    first = line.valves.count()
    return Valve.objects.bulk_create(
        [
            Valve(serial=serial(number), line=line, position=first + index, type=type or line.type, **fields)
            for index, number in enumerate(Counter.take("valve", count))
        ]
    )


def make_valve(type: ValveType | None = None, *, line: Line | None = None, **fields: Any) -> Valve:
    return make_valves(type, 1, line=line, **fields)[0]


def make_user(name: str = "bo", *roles: Role) -> User:
    user, made = User.objects.get_or_create(username=name)
    if made:
        user.groups.set(Group.objects.filter(name__in=[role.value for role in roles or (Role.BENCH,)]))
    return user


def make_tester(name: str = "Bench tester 1", **fields: Any) -> Tester:
    return Tester.objects.get_or_create(name=name, defaults=fields)[0]


def make_shift(operator: User | None = None, tester: Tester | None = None) -> Shift:
    """The operator's live shift, begun if there is none."""
    operator = operator or make_user()
    shift, _ = Shift.objects.get_or_create(
        operator=operator, ended_at=None, defaults={"tester": tester or make_tester()}
    )
    return shift


def make_policy() -> Policy:
    """The shop's first policy, in force, save that sets are taken as they read, so that one needs no study to make."""
    known = Policy.objects.filter(in_force=True).first()
    if known:
        return known
    data = json.loads((settings.BASE_DIR / "fixtures" / "policy.json").read_text())
    data["rules"]["unknown"]["sets"] = "as read"
    return Policy.objects.create(version=1, title=data["title"], rules=data["rules"], in_force=True)


def read(
    valve: Valve,
    ia: float | Sequence[float | None] | None = None,
    gm: float | Sequence[float | None] | None = None,
    *,
    shift: Shift | None = None,
    taken_at: datetime | None = None,
    **fields: Any,
) -> list[Reading]:
    """A reading of every section at its first test point; the valve's state is brought up to date."""
    return read_all([(valve, ia, gm)], shift=shift, taken_at=taken_at, **fields)


def read_all(
    valves: Sequence[Measured],
    *,
    shift: Shift | None = None,
    taken_at: datetime | None = None,
    **fields: Any,
) -> list[Reading]:
    """Each valve read as by `read`; the states are brought up to date once for all of them."""
    shift = shift or make_shift()
    sections: dict[int, list[Section]] = {}
    readings = []
    for valve, ia, gm in valves:
        if valve.type_id not in sections:
            sections[valve.type_id] = valve.type.test_sections
        when = taken_at or timezone.now()
        for index, section in enumerate(sections[valve.type_id]):
            assert section.test_point is not None
            reading = Reading.objects.create(
                valve=valve,
                section=section.number,
                test_point=section.test_point,
                shift=shift,
                taken_at=when,
                anode_current_ma=_one_of(ia, index),
                gm_ma_per_v=_one_of(gm, index),
                **fields,
            )
            readings.append(reading)
    states.refresh([valve.pk for valve, _, _ in valves])
    _as_stored(valves)
    return readings


def graded(
    valve: Valve,
    ia: float | Sequence[float | None] | None = 1.2,
    gm: float | Sequence[float | None] | None = 1.6,
    **fields: Any,
) -> Grade:
    """Read and judged; returns the current grade."""
    return graded_all([(valve, ia, gm)], **fields)[0]


def graded_all(valves: Sequence[Measured], **fields: Any) -> list[Grade]:
    """Each valve read and judged as by `graded`, all of them together; their current grades in the same order."""
    read_all(valves, **fields)
    current = judging.grade([valve for valve, _, _ in valves], make_policy(), None)
    _as_stored(valves)
    return [current[valve.pk] for valve, _, _ in valves]


def _as_stored(valves: Sequence[Measured]) -> None:
    for valve, _, _ in valves:
        valve.refresh_from_db()


def _one_of(value: float | Sequence[float | None] | None, index: int) -> float | None:
    return value[index] if isinstance(value, Sequence) else value
