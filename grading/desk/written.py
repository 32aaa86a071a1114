"""Amounts of money in what a job keeps: JSON has no decimals, and a float would not hold them."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any


def written_amounts(row: Mapping[str, Any]) -> dict[str, Any]:
    """
    >>> written_amounts({"pieces": 3, "cost": Decimal("1.20")})
    {'pieces': 3, 'cost': '1.20'}
    """
    return {name: str(value) if isinstance(value, Decimal) else value for name, value in row.items()}


def read_amounts(row: Mapping[str, Any]) -> dict[str, Any]:
    """The other way, of a row whose only texts are amounts."""
    return {name: Decimal(value) if isinstance(value, str) else value for name, value in row.items()}
