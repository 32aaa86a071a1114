"""What differs between a row as it was and as it is now, said in words for the daybook."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.db import models

_LONG = (models.TextField, models.JSONField)
_SHORT_ENOUGH = 60


def differences(before: models.Model, after: models.Model, fields: Iterable[str]) -> list[str]:
    """One phrase for each field that differs; long texts are only said to have changed."""
    found = []
    for name in fields:
        field = before._meta.get_field(name)
        assert isinstance(field, models.Field)
        if getattr(before, field.attname) == getattr(after, field.attname):
            continue
        label = str(field.verbose_name)
        old, new = _written(before, name), _written(after, name)
        if isinstance(field, _LONG) or len(old) + len(new) > _SHORT_ENOUGH:
            found.append(f"{label} changed")
        else:
            found.append(f"{label} {old} → {new}")
    return found


def _written(row: models.Model, name: str) -> str:
    display = getattr(row, f"get_{name}_display", None)
    value: Any = display() if display else getattr(row, name)
    if value is None or value == "":
        return "–"
    return f"{value.normalize():f}" if isinstance(value, Decimal) else str(value)
