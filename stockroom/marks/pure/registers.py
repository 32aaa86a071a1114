"""What type codes and plant signs stand for (`fixtures/marks.toml`), each row with its source."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from stockroom.marks.pure.datecodes import Window, readings
from stockroom.marks.pure.identification import YearsKnown
from stockroom.marks.pure.stamps import plant_sign, tidy


class BadMarksFile(ValueError):
    """The file of codes is not as it should be; the message says where."""


class TypeCode(NamedTuple):
    """The first sign or signs of a factory code, and the types that it was put on."""

    code: str
    types: tuple[str, ...]
    source: str


class PlantSign(NamedTuple):
    """The sign before the date of a factory code, and where the plant stood; `town` is empty where it is not known."""

    sign: str
    town: str
    country: str
    source: str

    @property
    def place(self) -> str:
        """
        >>> PlantSign("Δ", "Heerlen", "the Netherlands", "").place, PlantSign("F", "", "France", "").place
        ('Heerlen, the Netherlands', 'France')
        """
        return ", ".join(filter(None, [self.town, self.country]))


def may_be_made_in(years: YearsKnown, plant: str, first_line: str, stamp: str, window: Window) -> bool:
    """Whether the factory code with this first line in the stamp bears the plant's sign, if one is asked for, and has
    a date that may be of the years, if any are. A code whose plant or date cannot be read is not of them.

    >>> window = Window(1920, 2026)
    >>> [may_be_made_in(YearsKnown(1958, 1964), "", "I61", one, window) for one in ("I61 B1D3", "I61 B7D3", "I61 B")]
    [True, False, False]
    """
    if plant and plant != plant_sign(stamp):
        return False
    dated = [one for one in readings(stamp, window) if one.type_code == first_line]
    return years == YearsKnown() or any(years.hold(one, doubt=0) for one in dated)


class CodesKnown(NamedTuple):
    type_codes: Mapping[str, TypeCode]
    plants: Mapping[str, PlantSign]

    def type_code(self, first_line: str) -> TypeCode | None:
        """What the first line of a factory code tells, without the sign for its version."""
        return self.type_codes.get(first_line[:-1])

    @property
    def digest(self) -> str:
        """The same as long as every type code tells the same types."""
        told = sorted(f"{one.code} {' '.join(one.types)}" for one in self.type_codes.values())
        return hashlib.sha256("\n".join(told).encode()).hexdigest()[:16]


def read_codes(path: Path) -> CodesKnown:
    """
    Raises:
        BadMarksFile: a row lacks a field, names an unknown source, or stands twice.
    """
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    sources = {row["key"]: _cited(row) for row in data.get("source", [])}
    codes: dict[str, TypeCode] = {}
    for row in data.get("type_code", []):
        code, types = _field(row, "code", str, path), _field(row, "types", list, path)
        _once(code, codes, path)
        codes[code] = TypeCode(code, tuple(types), _source(row, sources, path))
    plants: dict[str, PlantSign] = {}
    for row in data.get("plant_sign", []):
        sign = tidy(_field(row, "sign", str, path))
        _once(sign, plants, path)
        country, source = _field(row, "country", str, path), _source(row, sources, path)
        plants[sign] = PlantSign(sign, row.get("town", ""), country, source)
    return CodesKnown(codes, plants)


def _cited(row: Mapping[str, str]) -> str:
    return ", ".join(filter(None, [row["title"], row.get("where", "")]))


def _field(row: Mapping[str, Any], name: str, kind: type[Any], path: Path) -> Any:
    if not isinstance(row.get(name), kind) or not row[name]:
        raise BadMarksFile(f"{path.name}: “{name}” is wanted in {dict(row)}")
    return row[name]


def _source(row: Mapping[str, Any], sources: Mapping[str, str], path: Path) -> str:
    key = _field(row, "source", str, path)
    if key not in sources:
        raise BadMarksFile(f"{path.name}: there is no source “{key}”, named in {dict(row)}")
    return sources[key]


def _once(key: str, seen: Mapping[str, object], path: Path) -> None:
    if key in seen:
        raise BadMarksFile(f"{path.name}: “{key}” stands twice")
