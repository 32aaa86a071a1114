"""What other rooms tell who reads a valve: that it came back, with what complaint, and what it read before.

A room adds a function to `BESIDE` when the site starts, so that the bench need not know of it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from grading.models import Tester
from stockroom.models import Valve


class ToldBeside(NamedTuple):
    template: str
    of: object  # what the template shows, as `told`


BESIDE: list[Callable[[Valve, Tester | None], ToldBeside | None]] = []


def told_of(valve: Valve, tester: Tester | None) -> list[ToldBeside]:
    """What stands above the entry form; `tester` is the one of the shift."""
    return [told for say in BESIDE if (told := say(valve, tester))]
