"""What hangs on a type, counted before somebody changes it. Rooms above add what they know of."""

from __future__ import annotations

from collections.abc import Callable

from catalog.models import ValveType
from stockroom.models import Line, Valve
from stockroom.pure.written import plural

Counted = Callable[[ValveType], list[str]]


def _goods(type_: ValveType) -> list[str]:
    lines, valves = Line.objects.filter(type=type_).count(), Valve.objects.in_house().filter(type=type_).count()
    return [
        *([plural(lines, "line") + " of lots"] if lines else []),
        *([plural(valves, "valve") + " in house with serials"] if valves else []),
    ]


COUNTERS: list[Counted] = [_goods]


def bears_on(type_: ValveType) -> list[str]:
    return [said for counted in COUNTERS for said in counted(type_)]
