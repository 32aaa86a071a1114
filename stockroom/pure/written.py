"""How a number is written, on pages, in messages and on paper: the one place.

- `plain(value)`: as it was measured, without trailing noughts: "1.6", "−2", "–" where nothing was measured
- `to_places(value, places)`: noughts and all, so that a column aligns; `decimals(values)` says how many
- `figures(value, digits)`: to so many significant figures: a standard deviation is not known to more
- `percent(share)`: 0.0234 as "2.3 %"

A reading with its unit is `grading.metrology.quantities.Quantity.shown`, which writes its number by `plain`.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

NOT_MEASURED = "–"
MINUS = "\N{MINUS SIGN}"


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


def percent(share: float | None, places: int = 1) -> str:
    """
    >>> percent(0.0234), percent(-0.5, 0), percent(None)
    ('2.3\\xa0%', '−50\\xa0%', '–')
    """
    return NOT_MEASURED if share is None else f"{to_places(100 * share, places)}\N{NO-BREAK SPACE}%"
