"""How numbers, days, shares and counts are written in a sentence: one way each, for pages and papers alike.

The filters of `stockroom.templatetags.shown` write the same in a template.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction


def noun(count: int, one: str, many: str = "") -> str:
    """The word for so many of a thing; `many` where an s is not enough.

    >>> noun(1, "row"), noun(3, "row"), noun(2, "study", "studies")
    ('row', 'rows', 'studies')
    """
    return one if count == 1 else many or f"{one}s"


def plural(count: int, one: str, many: str = "") -> str:
    """So many of a thing.

    >>> plural(1, "piece"), plural(0, "piece"), plural(2, "piece is", "pieces are")
    ('1 piece', '0 pieces', '2 pieces are')
    """
    return f"{count} {noun(count, one, many)}"


def day(on: date) -> str:
    """A day. An aware moment is written as the day that it has in its own zone: make it local first.

    >>> day(date(2024, 4, 5))
    '5 Apr 2024'
    """
    return f"{on.day} {on:%b %Y}"


def moment(at: datetime) -> str:
    """A day and the time of it, in the zone that the moment carries: make it local first.

    >>> moment(datetime(2024, 4, 5, 9, 7))
    '5 Apr 2024, 09:07'
    """
    return f"{day(at)}, {at:%H:%M}"


def fitted(text: str, longest: int) -> str:
    """The text, cut with an ellipsis to so many characters.

    >>> fitted("a long story", 7), fitted("short", 7)
    ('a long…', 'short')
    """
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def percent(share: float | Decimal | Fraction, places: int | None = 1) -> str:
    """A share of one; `places` None writes as many decimals as it has, to six figures.

    >>> percent(0.0234), percent(0.5, places=0), percent(Fraction(5, 200), places=None)
    ('2.3\N{NO-BREAK SPACE}%', '50\N{NO-BREAK SPACE}%', '2.5\N{NO-BREAK SPACE}%')
    """
    parts = 100 * float(share)
    number = f"{parts:g}" if places is None else f"{parts:.{places}f}"
    return f"{number}\N{NO-BREAK SPACE}%"


def decimals(values: Iterable[float | None]) -> int:
    """Of the value that has the most, to six significant figures, as readings are written.

    >>> decimals([47.5, None, 46.25])
    2
    """
    exponents = [Decimal(f"{value:.6g}").as_tuple().exponent for value in values if value is not None]
    return max((-exponent for exponent in exponents if isinstance(exponent, int) and exponent < 0), default=0)
