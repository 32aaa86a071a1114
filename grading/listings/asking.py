"""What may be asked for an item before it is listed, said by a room that knows prices.

A room adds a function to `HINTS` when the site starts, so that listings need not know of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import NamedTuple

from stockroom.models import Valve


class PriceHint(NamedTuple):
    """`price` is in the home currency, and None where nothing is to be said; `address` is the page that says why."""

    price: Decimal | None
    sentences: tuple[str, ...]
    address: str


HINTS: list[Callable[[Sequence[Valve]], PriceHint]] = []


def price_hint(valves: Sequence[Valve]) -> PriceHint | None:
    return next((say(valves) for say in HINTS), None) if valves else None
