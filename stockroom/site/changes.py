"""What differs between a row as it was and as it is now, said in words for the daybook."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any

from django.db import models

from catalog.reference.differing import SHORT_ENOUGH, where_apart
from stockroom.models.daybook import LONGEST
from stockroom.pure.written import fitted, plural

OF_PEOPLE = ("contact",)  # how somebody is reached is not written where it can never be taken out
_LONG = (models.TextField, models.JSONField)
_LEAST = 40  # characters that are left to what differs, however long the reason is


def differences(before: models.Model, after: models.Model, fields: Iterable[str]) -> list[str]:
    """One phrase for each field that differs, with what it was; of long texts the words from where they part."""
    found = []
    for name in fields:
        field = before._meta.get_field(name)
        assert isinstance(field, models.Field)
        if getattr(before, field.attname) == getattr(after, field.attname):
            continue
        label = str(field.verbose_name)
        old, new = _written(before, name), _written(after, name)
        if name in OF_PEOPLE:
            found.append(f"{label} changed")
        elif isinstance(field, _LONG) or len(old) + len(new) > SHORT_ENOUGH:
            old, new = where_apart(old, new)
            found.append(f"{label} “{old}” → “{new}”")
        else:
            found.append(f"{label} {old} → {new}")
    return found


def told(opening: str, phrases: Sequence[str], ending: str = ".") -> str:
    """One line of the daybook: as many of the phrases as fit between its opening and its ending, which both stay whole,
    and how many more there are.

    >>> told("Lot L0001: ", ["charge 1 → 2", "note “a” → “b”"], ". A slip.")
    'Lot L0001: charge 1 → 2; note “a” → “b”. A slip.'
    >>> line = told("Lot L0001: ", [f"charge {n} of the carrier, 1 → 2" for n in range(40)], ". A slip.")
    >>> len(line) <= LONGEST, line.endswith("; and 29 more. A slip.")
    (True, True)
    """
    room = max(LONGEST - len(opening) - len(ending), _LEAST)
    for count in range(len(phrases), 0, -1):
        left = len(phrases) - count
        said = "; ".join([*phrases[:count], *([f"and {left} more"] if left else [])])
        if len(said) <= room:
            return f"{opening}{said}{ending}"
    more = f"; and {plural(len(phrases) - 1, 'other change')}" if len(phrases) > 1 else ""
    return f"{opening}{fitted(phrases[0], room - len(more)) if phrases else ''}{more}{ending}"


def _written(row: models.Model, name: str) -> str:
    display = getattr(row, f"get_{name}_display", None)
    value: Any = display() if display else getattr(row, name)
    if value is None or value == "":
        return "–"
    return f"{value.normalize():f}" if isinstance(value, Decimal) else str(value)
