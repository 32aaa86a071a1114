"""Names that mean the same valve, whichever of them it is filed under (`fixtures/equivalents.toml`)."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from catalog.reference.scripts import normal

SOURCE = "memory"


class Equivalent(NamedTuple):
    """The names of one valve, the one to file it under first; `of` is the everyday valve that it is the same as."""

    names: tuple[str, ...]
    of: str = ""


def read_equivalents(path: Path) -> list[Equivalent]:
    """Empty where there is no such file.

    Raises:
        ValueError: a row is not as it should be, or a name stands in two.
    """
    if not path.exists():
        return []
    rows = [_row(row, path.name) for row in tomllib.loads(path.read_text(encoding="utf-8")).get("same", [])]
    seen: dict[str, str] = {}
    for row in rows:
        for name in row.names:
            if normal(name) in seen:
                raise ValueError(f"{path.name}: “{name}” stands with {seen[normal(name)]} and with {row.names[0]}")
            seen[normal(name)] = row.names[0]
    return rows


def _row(row: object, file: str) -> Equivalent:
    names = row.get("names") if isinstance(row, dict) else None
    of = row.get("of", "") if isinstance(row, dict) else None
    if not isinstance(names, list) or not isinstance(of, str) or not all(isinstance(name, str) for name in names):
        raise ValueError(f"{file}: names in quotes are wanted, not {row!r}")
    return Equivalent(tuple(names), of)


def further_names(rows: Iterable[Equivalent], on_file: Mapping[str, str]) -> dict[str, list[str]]:
    """By designation: the names of its rows that are not on file. `on_file` gives designations by normal name.

    A name on file stays whose it is, so a row may touch two types: its further names go to the first of them.
    """
    found: dict[str, list[str]] = {}
    for row in rows:
        holder = next((on_file[normal(name)] for name in (*row.names, row.of) if normal(name) in on_file), None)
        if holder is not None:
            found.setdefault(holder, []).extend(name for name in row.names if normal(name) not in on_file)
    return found
