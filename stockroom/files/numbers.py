"""Numbers as people write them, with a decimal comma or a decimal point.

Only the doubtful ones need a mark: "1,5" is one and a half whatever anybody says.
"""

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from stockroom.files.cells import Cell, CellFault, written
from stockroom.pure.refused import Refused


class DecimalMark(StrEnum):
    """The other one then stands between thousands."""

    POINT = "."
    COMMA = ","


class UnreadableNumber(Refused):
    """Not a number, or not one that can mean one thing only. The message says what to write instead."""


class WhichMark(UnreadableNumber):
    """A number that reads differently with a decimal comma and with a decimal point."""


# 1 600 000, 1.600.000, 1'600, then a tail that may hold the decimal mark; or digits without groups
NUMBER = re.compile(r"[+-]?[0-9.,' ]+(?:e[+-]?[0-9]{1,2})?", re.IGNORECASE)
_GROUPS = r"[1-9][0-9]{0,2}(?:%s[0-9]{3})+"
_PLAIN = re.compile(r"[0-9]+")
_CURRENCY = r"(?:[$€£¥₽₴]|zł|Kč|kr\.?|[A-Z]{3})"
_AROUND = re.compile(rf"^{_CURRENCY}\s*|\s*{_CURRENCY}$|(?i:\s*(?:pcs?|pieces|st(?:k|ück)?|шт)\.?$)")


def number(text: str, mark: DecimalMark | None = None) -> Decimal:
    """The number in `text`. `mark` decides only where both marks could be meant.

    >>> number("1.234,50"), number("1,6"), number("1 200")
    (Decimal('1234.50'), Decimal('1.6'), Decimal('1200'))

    Raises:
        WhichMark: "1.234" is 1234 or 1.234, and nobody has said which mark is used.
        UnreadableNumber: no number.
    """
    readings = _readings(text) if NUMBER.fullmatch(tidy(text)) else {}
    values = set(readings.values())
    if not values:
        raise UnreadableNumber(f"“{text.strip()}” is not a number.")
    if len(values) > 1 and mark is None:
        low, high = (written(value) for value in sorted(values))
        raise WhichMark(f"“{text.strip()}” could be {low} or {high}. Write it without a thousands mark.")
    return readings[mark] if mark in readings else values.pop()


def read_number(cell: Cell, mark: DecimalMark | None = None) -> Decimal:
    """The number in a cell. A number of a workbook is what it is; text may bear a currency or a unit of pieces.

    >>> read_number("€ 1.234,50"), read_number("1 200 pcs"), read_number(Decimal("1.250"))
    (Decimal('1234.50'), Decimal('1200'), Decimal('1.250'))

    Raises:
        WhichMark, UnreadableNumber
    """
    if isinstance(cell, Decimal):
        return cell
    if isinstance(cell, CellFault):
        raise UnreadableNumber(f"there is {cell}. Open the workbook, put it right and save it.")
    if isinstance(cell, date):
        raise UnreadableNumber(f"{cell.isoformat()} is a day, not a number. A spreadsheet may have made it one.")
    bare = _bare(cell)
    if "e" in bare.casefold():
        raise UnreadableNumber(f"“{cell.strip()}” is not a number.")
    try:
        return number(bare, mark)
    except UnreadableNumber as problem:
        raise type(problem)(str(problem).replace(f"“{bare}”", f"“{cell.strip()}”", 1)) from None


def is_doubtful(text: str) -> bool:
    return len(set(_readings(text).values())) > 1


def proves_mark(text: str) -> DecimalMark | None:
    """
    >>> proves_mark("1,6"), proves_mark("1.600,5"), proves_mark("1,600"), proves_mark("1600")
    (<DecimalMark.COMMA: ','>, <DecimalMark.COMMA: ','>, None, None)
    """
    readings = _readings(text)
    return next(iter(readings)) if len(readings) == 1 else None


class InDoubt(NamedTuple):
    """A column whose decimal mark nothing tells: its first doubtful number, in which row, and why."""

    row: int
    number: str
    why: str


class DecidedMarks(NamedTuple):
    marks: Mapping[int, DecimalMark | None]
    in_doubt: Mapping[int, InDoubt]
    by_others: Mapping[int, str]  # a doubtful number of a column that the rest of the file settles


def decide_marks(
    columns: Mapping[int, Iterable[tuple[int, Cell]]], said: DecimalMark | None = None, *, between_commas: bool = False
) -> DecidedMarks:
    """The decimal mark of each column's doubtful numbers.

    A column is settled by its own other numbers, then by the rest of the file.

    Args:
        columns: by column, the cells with the numbers of their rows; units after the number do not matter.
        said: the mark, where somebody said it.
        between_commas: the cells are separated by commas, so that a lone point is the decimal one.
    """
    proofs: dict[int, set[DecimalMark]] = defaultdict(set)
    doubtful: dict[int, tuple[int, str]] = {}
    for column, cells in columns.items():
        for row, cell in cells:
            digits = split_unit(_bare(cell))[0] if isinstance(cell, str) else ""
            if proof := proves_mark(digits):
                proofs[column].add(proof)
            elif is_doubtful(digits):
                doubtful.setdefault(column, (row, digits))
    everywhere = set().union(*proofs.values())
    marks: dict[int, DecimalMark | None] = {}
    in_doubt, by_others = {}, {}
    for column in columns:
        own = proofs[column]
        marks[column] = said or (next(iter(own)) if len(own) == 1 else None)
        if marks[column] or column not in doubtful:
            continue
        row, digits = doubtful[column]
        if not own and len(everywhere) == 1:
            marks[column] = next(iter(everywhere))
            by_others[column] = digits
        elif not everywhere and between_commas and "," not in digits:
            marks[column] = DecimalMark.POINT
        else:
            why = "the column has decimal commas and decimal points" if len(own) > 1 else "nothing else settles it"
            in_doubt[column] = InDoubt(row, digits, why)
    return DecidedMarks(marks, in_doubt, by_others)


def split_unit(text: str) -> tuple[str, str]:
    """The number and the unit after it, both as written.

    >>> split_unit("0.0016 A"), split_unit("1,6mA/V"), split_unit("2e-3 A/V")
    (('0.0016', 'A'), ('1,6', 'mA/V'), ('2e-3', 'A/V'))
    """
    found = NUMBER.match(tidy(text))
    if not found:
        return text.strip(), ""
    return found.group().strip(), tidy(text)[found.end() :].strip()


def tidy(text: str) -> str:
    """Every kind of space a plain one, every minus a hyphen, every apostrophe the straight one."""
    return re.sub(r"\s", " ", unicodedata.normalize("NFKC", text)).translate({0x2212: "-", 0x2019: "'"}).strip()


def _bare(text: str) -> str:
    """Without a currency or a unit of pieces."""
    return _AROUND.sub("", _AROUND.sub("", text.strip())).strip()


def _readings(text: str) -> dict[DecimalMark, Decimal]:
    """What the number would be by each decimal mark that it can have."""
    tidied = tidy(text)
    sign = -1 if tidied.startswith("-") else 1
    digits, _, power = tidied.lstrip("+-").casefold().partition("e")
    readings = {}
    for mark in DecimalMark:
        value = _read_with(digits.strip(), mark)
        if value is not None:
            readings[mark] = (sign * value).scaleb(int(power or 0))
    return readings


def _read_with(digits: str, mark: DecimalMark) -> Decimal | None:
    """The unsigned number, if `mark` can be its decimal mark."""
    whole, found, rest = digits.partition(mark)
    if found and not (_PLAIN.fullmatch(rest) or (not rest and whole)):
        return None
    other = DecimalMark.COMMA if mark is DecimalMark.POINT else DecimalMark.POINT
    for separator in (other, " ", "'"):
        if separator in whole:
            if not re.fullmatch(_GROUPS % re.escape(separator), whole):
                return None
            whole = whole.replace(separator, "")
    if not _PLAIN.fullmatch(whole) and not (found and rest and not whole):
        return None
    return Decimal(f"{whole or 0}.{rest}" if rest else whole)
