"""How numbers, days, shares and counts are written, on pages, in messages and on paper: one way each.

The filters of `stockroom.templatetags.shown` write the same in a template. A reading with its unit is
`grading.metrology.quantities.Quantity.shown`, which writes its number by `plain`.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction

NOT_MEASURED = "–"
MINUS = "\N{MINUS SIGN}"


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


def plain(value: float | Decimal | None, most: int | None = None) -> str:
    """To six significant figures and at most `most` decimals, without an exponent. A `Decimal` keeps its digits.

    >>> plain(1.60), plain(-2.0), plain(None), plain(0.00001234), plain(1.23456789, 4)
    ('1.6', '−2', '–', '0.00001234', '1.2346')
    """
    if value is None:
        return NOT_MEASURED
    exact = value if isinstance(value, Decimal) else Decimal(f"{value:.6g}")
    text = f"{exact:f}"
    if most is not None and len(text.partition(".")[2]) > most:
        text = f"{exact:.{most}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text.replace("-", MINUS)


def to_places(value: float | None, places: int) -> str:
    """
    >>> to_places(1.5, 2), to_places(-0.25, 1), to_places(None, 2)
    ('1.50', '−0.2', '–')
    """
    return NOT_MEASURED if value is None else f"{value:.{places}f}".replace("-", MINUS)


def decimals(values: Iterable[float | None], most: int | None = None) -> int:
    """Of the value that has the most, to six significant figures, as readings are written; `most` at most.

    >>> decimals([47.5, None, 46.25]), decimals([1.23456], most=4)
    (2, 4)
    """
    return max((len(plain(value, most).partition(".")[2]) for value in values), default=0)


def figures(value: float | None, digits: int = 3) -> str:
    """
    >>> figures(0.012345, 2), figures(None)
    ('0.012', '–')
    """
    return NOT_MEASURED if value is None else plain(float(f"{value:.{digits}g}"))


def percent(share: float | Decimal | Fraction | None, places: int | None = 1) -> str:
    """A share of one; `places` None writes as many decimals as it has, to six figures.

    >>> percent(0.0234), percent(-0.5, places=0), percent(Fraction(5, 200), places=None), percent(None)
    ('2.3\N{NO-BREAK SPACE}%', '−50\N{NO-BREAK SPACE}%', '2.5\N{NO-BREAK SPACE}%', '–')
    """
    if share is None:
        return NOT_MEASURED
    parts = 100 * float(share)
    return f"{plain(parts) if places is None else to_places(parts, places)}\N{NO-BREAK SPACE}%"
