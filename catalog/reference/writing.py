"""Reference rows written as the TOML that `catalog.reference.files` reads."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any


def as_toml(table: Mapping[str, Any], path: str = "") -> str:
    """A table as TOML text. Lists of tables at most two entries deep stand in lines of their own.

    >>> print(as_toml({"type": [{"designation": "PCC88", "heaters": [{"voltage_v": Decimal("7.0")}]}]}))
    [[type]]
    designation = "PCC88"
    heaters = [{ voltage_v = 7.0 }]
    """
    return "\n".join(_lines(table, path))


def _lines(table: Mapping[str, Any], path: str) -> Iterator[str]:
    below = {key: value for key, value in table.items() if _is_block(key, value)}
    for key, value in table.items():
        if key not in below and value is not None:
            yield f"{key} = {_value(value)}"
    for key, value in below.items():
        name = f"{path}.{key}" if path else key
        for row in value if isinstance(value, list) else [value]:
            yield f"[[{name}]]" if isinstance(value, list) else f"[{name}]"
            yield from _lines(row, name)


BLOCKS = {"type", "basing", "source", "section", "test_point", "ratings", "application"}


def _is_block(key: str, value: object) -> bool:
    tables = value if isinstance(value, list) else [value]
    return key in BLOCKS and bool(tables) and all(isinstance(one, Mapping) for one in tables)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int | Decimal | float):
        return str(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(one)}" for key, one in value.items() if one is not None) + " }"
    return "[" + ", ".join(_value(one) for one in value) + "]"
