"""Cells of a table that somebody sent.

A text that begins with a backslash gets one more, so that every text comes back as it was; spaces in front do not
count, as some readers drop them. Which beginnings are formulas: OWASP's page “CSV Injection”, from memory; a text that
is a plain number is left as it is.
"""

import re
from datetime import date
from decimal import Decimal

STARTS = "=+-@\t\r\n＝＋－＠"
_GUARDED = re.compile(rf" *[{re.escape(STARTS)}\\]")
_NUMBER = re.compile(r"[-+][0-9]+(?:[.,][0-9]+)?")


class CellFault(str):
    """What stands in a cell that holds no value: an error, or a formula that was never worked out."""

    __slots__ = ()


Cell = str | Decimal | date


def written(cell: Cell) -> str:
    """
    >>> written(Decimal("6550.0")), written(date(1953, 3, 1))
    ('6550', '1953-03-01')
    """
    if isinstance(cell, Decimal):
        return f"{cell.normalize():f}"
    return cell.isoformat() if isinstance(cell, date) else cell


def plain(cell: Cell) -> str:
    """
    >>> plain("  Marked  Maker ")
    'marked maker'
    """
    return " ".join(written(cell).split()).casefold()


def is_blank(cell: Cell) -> bool:
    return isinstance(cell, str) and not isinstance(cell, CellFault) and not cell.strip()


def defused(text: str) -> str:
    """
    >>> [defused(text) for text in ("=1+1", "-1.5", "tall boxes")] == ["\\\\=1+1", "-1.5", "tall boxes"]
    True
    """
    return f"\\{text}" if _GUARDED.match(text) and not _NUMBER.fullmatch(text) else text


def restored(cell: str) -> str:
    """
    >>> restored("\\\\=1+1"), restored("-1.5"), restored("tall boxes")
    ('=1+1', '-1.5', 'tall boxes')
    """
    return cell[1:] if cell.startswith("\\") and _GUARDED.match(cell, 1) else cell
