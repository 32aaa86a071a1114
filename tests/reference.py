"""The reference under `fixtures/`, read once for every test that asks something of it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from catalog.reference.files import read_reference
from catalog.reference.rows import Reference

FIXTURES = Path(__file__).parents[1] / "fixtures"


@cache
def the_reference() -> Reference:
    return read_reference(FIXTURES)


def cut_down(reference: Reference, *designations: str) -> Reference:
    """The same files with these types only: quick to load over a shop that has the others."""
    types = {name: reference.types[name] for name in designations}
    by_name = {name: row for name, row in reference.by_name.items() if row.designation in types}
    return Reference(reference.sources, reference.basings, types, by_name)
