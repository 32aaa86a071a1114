"""What else the scan box understands: rooms above add a function from what was typed to an address, or None."""

from __future__ import annotations

from collections.abc import Callable

FINDERS: list[Callable[[str], str | None]] = []


def found_by_others(text: str) -> str | None:
    return next((address for finder in FINDERS if (address := finder(text))), None)
