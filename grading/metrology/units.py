"""Numbers as people type them: a decimal comma or point, and perhaps a unit.

- `UnitKind`: anode current (kept in mA), mutual conductance (mA/V), small current (µA), voltage (V)
- `unit(text, quantity)`: the `Unit` a word or sign means, such as "µmho", "micromhos", "mS", "mA per V"
- `read_typed(text, default)`: what somebody typed at the bench, in the quantity's own unit
- `read_cell(text, default, mark)`: the same from a file, whose column settles what a lone "1,600" means
- `is_blank(text)`: nothing was measured: empty, or a dash
- `shown(value, unit)`, `amount(…)`, `in_full(…)`: a value as it is written, rounded or with all its digits
- `number(text, mark)`, `is_doubtful(text)`, `settles(text)`: the number alone, and what its marks tell

The mho is the siemens under its older name, so 1 mA/V = 1 mS = 1000 micromhos (from memory: the SI Brochure's
table of derived units has siemens = A/V). Factors are decimal, so 1600 µmho is 1.6 mA/V exactly.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from stockroom.pure.refused import Refused
from stockroom.pure.written import plain


class UnitKind(StrEnum):
    """What a unit measures, and on which scale; the quantities themselves are in `grading.metrology.quantities`."""

    ANODE_CURRENT = "anode current"
    GM = "gm"
    SMALL_CURRENT = "small current"  # leakage and grid current
    VOLTAGE = "voltage"


class Unit(NamedTuple):
    """`factor` turns a number in this unit into the quantity's own: mA, mA/V, µA or V."""

    name: str
    word: str
    quantity: UnitKind
    factor: Decimal


class UnreadableReading(Refused):
    """Not a number, or not one that can mean one thing only. The message says what to write instead."""


class UnknownUnit(UnreadableReading):
    """A unit that nobody knows, or that measures something else."""


class TypedMark(StrEnum):
    """The decimal mark; the other one then stands between thousands."""

    POINT = "."
    COMMA = ","


_AMPERES = {
    "A": ("amperes", 0, "a amp amps ampere amperes"),
    "mA": ("milliamperes", -3, "ma milliamp milliamps milliampere milliamperes"),
    "µA": ("microamperes", -6, "μa ua mca microamp microamps microampere microamperes"),
    "nA": ("nanoamperes", -9, "na nanoamp nanoamps nanoampere nanoamperes"),
}
_SIEMENS = {
    "A/V": ("amperes per volt", 0, "a/v s siemens mho mhos ℧"),
    "mA/V": ("mA/V", -3, "ma/v ms mmho mmhos millisiemens millimho millimhos m℧"),
    "µmho": ("micromhos", -6, "μmho μmhos umho umhos micromho micromhos μs us microsiemens μa/v ua/v μ℧ u℧"),
}
_VOLTS = {
    "V": ("volts", 0, "v volt volts"),
    "mV": ("millivolts", -3, "mv millivolt millivolts"),
    "kV": ("kilovolts", 3, "kv kilovolt kilovolts"),
}


def _table(
    rows: Mapping[str, tuple[str, int, str]], quantity: UnitKind, own_power: int
) -> tuple[dict[str, Unit], dict[str, Unit]]:
    by_name, by_spelling = {}, {}
    for name, (word, power, spellings) in rows.items():
        by_name[name] = Unit(name, word, quantity, Decimal(1).scaleb(power - own_power))
        by_spelling.update(dict.fromkeys(spellings.split(), by_name[name]))
    return by_name, by_spelling


_mA, _mA_SPELT = _table(_AMPERES, UnitKind.ANODE_CURRENT, -3)
_mS, _mS_SPELT = _table(_SIEMENS, UnitKind.GM, -3)
_uA, _uA_SPELT = _table(_AMPERES, UnitKind.SMALL_CURRENT, -6)
_V, _V_SPELT = _table(_VOLTS, UnitKind.VOLTAGE, 0)
_SPELT = {
    UnitKind.ANODE_CURRENT: _mA_SPELT,
    UnitKind.GM: _mS_SPELT,
    UnitKind.SMALL_CURRENT: _uA_SPELT,
    UnitKind.VOLTAGE: _V_SPELT,
}

MILLIAMPERES = _mA["mA"]
MICROAMPERES = _uA["µA"]
MA_PER_V = _mS["mA/V"]
MICROMHOS = _mS["µmho"]
VOLTS = _V["V"]
OWN = {
    UnitKind.ANODE_CURRENT: MILLIAMPERES,
    UnitKind.GM: MA_PER_V,
    UnitKind.SMALL_CURRENT: MICROAMPERES,
    UnitKind.VOLTAGE: VOLTS,
}


def unit(text: str, quantity: UnitKind) -> Unit:
    """The unit that `text` names, in any case and with either micro sign.

    >>> unit("micromhos", UnitKind.GM).name, unit("mA per V", UnitKind.GM).name
    ('µmho', 'mA/V')

    Raises:
        UnknownUnit: naming the units that would do.
    """
    spelt = unicodedata.normalize("NFKC", text).casefold().strip().rstrip(".")
    spelt = re.sub(r"\s*(?:/|\bper\b)\s*", "/", spelt)
    spelt = re.sub(r"/(?:v|volt|volts)$", "/v", spelt)
    found = _SPELT[quantity].get(re.sub(r"\s", "", spelt))
    if found is None:
        known = {one.name: None for one in _SPELT[quantity].values()}
        raise UnknownUnit(f"“{text.strip()}” is not a unit of {_measured(quantity)}; use {' or '.join(known)}.")
    return found


def _measured(quantity: UnitKind) -> str:
    return {UnitKind.GM: "mutual conductance", UnitKind.VOLTAGE: "voltage"}.get(quantity, "current")


def is_blank(text: str) -> bool:
    return text.strip().casefold() in {"", "-", "–", "—", "n/a", "na", "n.a.", "nan"}


# 1 600 000, 1.600.000, 1'600, then a tail that may hold the decimal mark; or digits without groups
_NUMBER = re.compile(r"[+-]?[0-9.,' ]+(?:e[+-]?[0-9]{1,2})?", re.IGNORECASE)
_GROUPS = r"[1-9][0-9]{0,2}(?:%s[0-9]{3})+"
_PLAIN = re.compile(r"[0-9]+")


def _tidy(text: str) -> str:
    """Every kind of space a plain one, every minus a hyphen, every apostrophe the straight one."""
    return re.sub(r"\s", " ", unicodedata.normalize("NFKC", text)).translate({0x2212: "-", 0x2019: "'"}).strip()


def _read_with(digits: str, mark: TypedMark) -> Decimal | None:
    """The unsigned number, if `mark` can be its decimal mark."""
    whole, found, rest = digits.partition(mark)
    if found and not (_PLAIN.fullmatch(rest) or (not rest and whole)):
        return None
    other = TypedMark.COMMA if mark is TypedMark.POINT else TypedMark.POINT
    for separator in (other, " ", "'"):
        if separator in whole:
            if not re.fullmatch(_GROUPS % re.escape(separator), whole):
                return None
            whole = whole.replace(separator, "")
    if not _PLAIN.fullmatch(whole) and not (found and rest and not whole):
        return None
    return Decimal(f"{whole or 0}.{rest or 0}")


def _readings(text: str) -> dict[TypedMark, Decimal]:
    """What the number would be by each decimal mark that it can have."""
    tidy = _tidy(text)
    sign = -1 if tidy.startswith("-") else 1
    digits, _, power = tidy.lstrip("+-").casefold().partition("e")
    readings = {}
    for mark in TypedMark:
        value = _read_with(digits.strip(), mark)
        if value is not None:
            readings[mark] = (sign * value).scaleb(int(power or 0))
    return readings


def is_doubtful(text: str) -> bool:
    """Could be thousands or could be decimals: "1,600", "1.600"."""
    return len(set(_readings(text).values())) > 1


def settles(text: str) -> TypedMark | None:
    """The decimal mark that this number proves, if it proves one.

    >>> settles("1,6"), settles("1.600,5"), settles("1,600"), settles("1600")
    (<TypedMark.COMMA: ','>, <TypedMark.COMMA: ','>, None, None)
    """
    readings = _readings(text)
    return next(iter(readings)) if len(readings) == 1 else None


def number(text: str, mark: TypedMark | None = None) -> Decimal:
    """The number in `text`. `mark` decides only where both marks could be meant.

    Raises:
        UnreadableNumber: it is no number, or in doubt and no `mark` was given.
    """
    if not _NUMBER.fullmatch(_tidy(text)):
        raise UnreadableReading(f"“{text.strip()}” is not a number.")
    readings = _readings(text)
    if not readings:
        raise UnreadableReading(f"“{text.strip()}” is not a number.")
    values = set(readings.values())
    if len(values) == 1:
        return values.pop()
    if mark is None:
        low, high = (plain(value) for value in sorted(values))
        raise UnreadableReading(f"“{text.strip()}” could be {low} or {high}. Write it without a thousands mark.")
    return readings[mark]


class TypedValue(NamedTuple):
    """`value` is in the quantity's own unit; `unit` is the one it was written in."""

    value: float
    unit: Unit


def read_cell(text: str, default: Unit, mark: TypedMark | None) -> TypedValue:
    """A number with or without a unit; without one, it is in `default`.

    >>> read_cell("1600 µmho", MA_PER_V, None).value
    1.6

    Raises:
        UnreadableNumber: it is no number, in doubt, or its unit measures something else.
    """
    digits, suffix = split_unit(text)
    written = unit(suffix, default.quantity) if suffix else default
    return TypedValue(float(number(digits, mark) * written.factor), written)


def read_typed(text: str, default: Unit) -> TypedValue:
    """As `read_cell`, for somebody typing: a lone point is a decimal point, a lone doubtful comma is refused.

    >>> read_typed("1,6", MA_PER_V).value, read_typed("1.600", MA_PER_V).value
    (1.6, 1.6)
    """
    return read_cell(text, default, None if "," in text else TypedMark.POINT)


def split_unit(text: str) -> tuple[str, str]:
    """The number and the unit after it, both as written.

    >>> split_unit("0.0016 A"), split_unit("1,6mA/V"), split_unit("2e-3 A/V")
    (('0.0016', 'A'), ('1,6', 'mA/V'), ('2e-3', 'A/V'))
    """
    found = _NUMBER.match(_tidy(text))
    if not found:
        return text.strip(), ""
    return found.group().strip(), _tidy(text)[found.end() :].strip()


def shown(value: float, in_unit: Unit) -> str:
    """A value in the quantity's own unit, written in `in_unit`: "1600 µmho".

    >>> shown(1.6, MICROMHOS), shown(1.6, MA_PER_V)
    ('1600 µmho', '1.6 mA/V')
    """
    return f"{amount(value, in_unit)} {in_unit.name}"


def amount(value: float, in_unit: Unit) -> str:
    """The number alone, to at most six significant figures and without an exponent."""
    return plain(Decimal(f"{Decimal(repr(value)) / in_unit.factor:.6g}"))


def in_full(value: float, in_unit: Unit | None) -> str:
    """The number alone with all its digits, so that it reads back as the same value; None for a scale's divisions."""
    return plain(Decimal(repr(value)) / (in_unit.factor if in_unit else 1))
