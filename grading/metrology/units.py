"""Numbers as people type them: a decimal comma or point, and perhaps a unit.

The number alone is read by `stockroom.files.numbers`, as every number of the shop is.

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

from stockroom.files.cells import written
from stockroom.files.numbers import DecimalMark, UnreadableNumber, number, split_unit
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


class UnknownUnit(UnreadableNumber):
    """A unit that nobody knows, or that measures something else."""


_AMPERES = {
    "A": ("amperes", 0, "a amp amps ampere amperes а"),
    "mA": ("milliamperes", -3, "ma milliamp milliamps milliampere milliamperes ма"),
    "µA": ("microamperes", -6, "μa ua mca microamp microamps microampere microamperes мка"),
    "nA": ("nanoamperes", -9, "na nanoamp nanoamps nanoampere nanoamperes на"),
}
_SIEMENS = {
    "A/V": ("amperes per volt", 0, "a/v а/в s siemens mho mhos ℧"),
    "mA/V": ("mA/V", -3, "ma/v ма/в ms mmho mmhos millisiemens millimho millimhos m℧"),
    "µmho": ("micromhos", -6, "μmho μmhos umho umhos micromho micromhos μs us microsiemens μa/v ua/v мка/в μ℧ u℧"),
}
_VOLTS = {
    "V": ("volts", 0, "v volt volts в"),
    "mV": ("millivolts", -3, "mv millivolt millivolts мв"),
    "kV": ("kilovolts", 3, "kv kilovolt kilovolts кв"),
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


class TypedValue(NamedTuple):
    """`value` is in the quantity's own unit; `unit` is the one it was written in."""

    value: float
    unit: Unit


def read_cell(text: str, default: Unit, mark: DecimalMark | None) -> TypedValue:
    """A number with or without a unit; without one, it is in `default`.

    >>> read_cell("1600 µmho", MA_PER_V, None).value
    1.6

    Raises:
        UnreadableNumber: it is no number, in doubt, or its unit measures something else.
    """
    digits, suffix = split_unit(text)
    in_unit = unit(suffix, default.quantity) if suffix else default
    return TypedValue(float(number(digits, mark) * in_unit.factor), in_unit)


def read_typed(text: str, default: Unit) -> TypedValue:
    """As `read_cell`, for somebody typing: a lone point is a decimal point, a lone doubtful comma is refused.

    >>> read_typed("1,6", MA_PER_V).value, read_typed("1.600", MA_PER_V).value
    (1.6, 1.6)
    """
    return read_cell(text, default, None if "," in text else DecimalMark.POINT)


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
    return written(Decimal(repr(value)) / (in_unit.factor if in_unit else 1))
