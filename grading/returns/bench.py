"""What the bench is told of a valve that came back: the complaint, and what it read when it was sent."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from grading.bench.beside import ToldBeside
from grading.models import Grade, Tester
from grading.returns import comparing
from stockroom.models import Return, Valve
from stockroom.states import State


class CameBack(NamedTuple):
    back: Return
    found: Mapping[str, Any]
    other_tester: str  # the one that it was read on, where this shift's is another


def came_back(valve: Valve, tester: Tester | None) -> ToldBeside | None:
    """While nobody has decided on it, or it has no grade yet."""
    back = Return.objects.filter(valve=valve).select_related("valve__line", "order", "case__verdict").first()
    if back is None or valve.state in (State.DESPATCHED, State.WRITTEN_OFF):
        return None
    decided = back.case is None or hasattr(back.case, "verdict")
    if decided and Grade.objects.filter(valve=valve, current=True).exists():
        return None
    found = comparing.found_of(back)
    other = "" if tester is None or tester.name in found["testers"] else ", ".join(found["testers"])
    return ToldBeside("returns/_bench_return.html", CameBack(back, found, other))
