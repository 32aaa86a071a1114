"""What other rooms say of an item before the public: sealed packs have a plan and a result in place of readings.

A room adds a function to `PARTS` when the site starts, so that listings need not know of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from stockroom.models import Valve


class Part(NamedTuple):
    template: str
    of: object  # what the template shows
    why_not: str  # why the item is not for sale any more, as a sentence; nothing while it is


PARTS: list[Callable[[Sequence[Valve]], Part | None]] = []


def part_of(valves: Sequence[Valve]) -> Part | None:
    """What stands in place of readings; None for tested valves."""
    return next((part for say in PARTS if (part := say(valves))), None)
