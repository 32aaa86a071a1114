"""One published value and the way it is met.

What it offers
--------------
    :class:`PublishedCase`, :class:`CaseResult`, :func:`rounds_to`, :func:`agrees_relatively`

A case names its source and how the published value was come by:
    ``read``                 in the publication itself, or in the publisher's own data file
    ``read at second hand``  in a public reproduction that names the publication
    ``from memory``          the document is known but was not at hand
    ``promise``              not published: what one of our own rules promises, tried by simulation
A published value is met when the computed one rounds to it; where more is allowed, the case's note says why.
"""

from collections.abc import Callable
from typing import NamedTuple

READ = "read"
SECOND_HAND = "read at second hand"
FROM_MEMORY = "from memory"
PROMISE = "promise"


class PublishedCase(NamedTuple):
    """One published value: ``low`` and ``high`` bound what agrees with it."""

    topic: str
    name: str
    published: str
    low: float
    high: float
    source: str
    known: str
    compute: Callable[[], float]
    note: str = ""


class CaseResult(NamedTuple):
    """A case with what was computed for it."""

    case: PublishedCase
    computed: float
    agrees: bool


def rounds_to(
    topic: str,
    name: str,
    published: str,
    source: str,
    known: str,
    compute: Callable[[], float],
    *,
    allow: float = 0.0,
    note: str = "",
) -> PublishedCase:
    """A value that agrees when it is within half a unit of the last published digit, plus ``allow``."""
    value = float(published)
    decimals = len(published.partition(".")[2])
    half = 0.5 * 10.0**-decimals * (1 + 1e-9) + allow
    return PublishedCase(topic, name, published, value - half, value + half, source, known, compute, note)


def agrees_relatively(
    topic: str,
    name: str,
    published: str,
    source: str,
    compute: Callable[[], float],
    tolerance: float,
    *,
    known: str,
    note: str = "",
) -> PublishedCase:
    """A certified value that agrees within a relative tolerance."""
    value = float(published)
    half = abs(value) * tolerance
    return PublishedCase(topic, name, published, value - half, value + half, source, known, compute, note)
