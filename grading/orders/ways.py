"""Ways to fill an order line that other rooms bring: sealed packs are chosen by other rules than tested valves.

A room adds its way to `WAYS` when the site starts, so that orders need not know of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from django.contrib.auth.models import User

from stockroom.models import Allocation, Order, OrderLine


class Way(Protocol):
    done: str  # said when an item has been set aside
    options_template: str  # shows `options`, and asks for one of them
    none_template: str  # says that there is none
    statements_template: str  # shows `statements`

    def serves(self, line: OrderLine) -> bool: ...

    def options(self, line: OrderLine) -> Sequence[Any]:
        """What can fill an item of the line, best first."""

    def key(self, option: Any) -> str:
        """What `set_aside` takes one of them by."""

    def set_aside(self, line: OrderLine, chosen: str, by: User) -> object:
        """Raises fulfilment.CannotPull."""

    def statements(self, order: Order) -> Sequence[object]:
        """What is to be said of this order's goods."""

    def where(self, allocation: Allocation) -> str:
        """What to fetch, for whoever pulls it; nothing where its serial says enough."""


WAYS: list[Way] = []


def way_for(line: OrderLine) -> Way | None:
    """The way that fills this line; None for tested valves, which orders fill themselves."""
    return next((way for way in WAYS if way.serves(line)), None)


def where(allocation: Allocation) -> str:
    way = way_for(allocation.order_line)
    return way.where(allocation) if way else ""
