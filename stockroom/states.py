"""The states a valve and a lot move through, as functions of what the records say.

The stored state is a copy kept for lists and filters; `manage.py check_states` proves that it agrees.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple


class State(StrEnum):
    RECEIVED = "received"
    TESTED = "tested"
    GRADED = "graded"
    MATCHED = "matched"
    LISTED = "listed"
    DESPATCHED = "despatched"
    WRITTEN_OFF = "written off"

    @classmethod
    def choices(cls) -> list[tuple[str, str]]:
        return [(state.value, state.value) for state in cls]


LADDER = (State.RECEIVED, State.TESTED, State.GRADED, State.MATCHED, State.LISTED)


class Facts(NamedTuple):
    """What a valve's records say about it now."""

    tested: bool = False  # every section with a test point has a current reading since it last came in
    graded: bool = False  # a grade stands
    matched: bool = False  # in a live set
    listed: bool = False  # on a live listing
    despatched: bool = False  # gone to a customer and not come back
    written_off: bool = False


def valve_state(facts: Facts) -> State:
    """The furthest state that the records support.

    >>> valve_state(Facts(tested=True, graded=True))
    <State.GRADED: 'graded'>
    """
    if facts.written_off:
        return State.WRITTEN_OFF
    if facts.despatched:
        return State.DESPATCHED
    if facts.listed:
        return State.LISTED
    if facts.matched:
        return State.MATCHED
    if facts.graded:
        return State.GRADED
    if facts.tested:
        return State.TESTED
    return State.RECEIVED


def lot_state(counts: Mapping[State, int], in_bulk: int) -> State:
    """The state of the least advanced piece still in the house; pieces in bulk are only received.

    When every piece has left the house the lot has been through all of it: listed.

    >>> lot_state({State.GRADED: 3, State.LISTED: 9}, in_bulk=0)
    <State.GRADED: 'graded'>
    """
    if in_bulk:
        return State.RECEIVED
    left = [state for state in LADDER if counts.get(state)]
    if left:
        return left[0]
    return State.LISTED if any(counts.values()) else State.RECEIVED
