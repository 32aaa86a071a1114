"""How far values lie apart, as the shop reckons it everywhere: between valves of a set, between sections of a valve."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf


def relative_spread(values: Sequence[float]) -> float:
    """The largest over the smallest, less one; infinite when the smallest is not above nought and they differ.

    >>> round(relative_spread([70.0, 71.4]), 4), relative_spread([0.0, 0.0]), relative_spread([0.0, 1.0])
    (0.02, 0.0, inf)
    """
    low, high = min(values), max(values)
    if low == high:
        return 0.0
    return inf if low <= 0 else high / low - 1
