"""The example positions of fixtures/positions.toml, each read into a position or refused with its name."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import NamedTuple

from catalog.physics.positions import Position, from_details
from catalog.reference.rows import Reference, ReferenceProblem


class ExamplePosition(NamedTuple):
    name: str
    note: str
    position: Position


def read_positions(folder: Path, reference: Reference) -> list[ExamplePosition]:
    """Raises ReferenceProblem at the first that cannot be read, or whose type is in no file."""
    rows = tomllib.loads((folder / "positions.toml").read_text(encoding="utf-8")).get("position", [])
    return [_example(row, reference) for row in rows]


def _example(row: dict[str, object], reference: Reference) -> ExamplePosition:
    where = f"positions.toml, {row.get('name', 'a position without a name')}"
    made_for = reference.find(str(row.get("made_for", "")))
    details = row.get("details", {})
    if made_for is None:
        raise ReferenceProblem(f"{where}: made_for: “{row.get('made_for')}” is in no reference file")
    if unknown := set(row) - {"name", "note", "made_for", "role", "details"}:
        raise ReferenceProblem(f"{where}: {', '.join(sorted(unknown))}: not a key known here")
    try:
        position = from_details(made_for.designation, str(row["role"]), details)  # type: ignore[arg-type]
    except (ValueError, KeyError) as fault:
        raise ReferenceProblem(f"{where}: {fault}") from fault
    return ExamplePosition(str(row["name"]), str(row.get("note", "")), position)
