"""How numbers that stand together are written.

- `decimals(values)`: the decimals to write a column or an axis with, so that its decimal points align
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal


def decimals(values: Iterable[float | None]) -> int:
    """Of the value that has the most, to six significant figures, as readings are written.

    >>> decimals([47.5, None, 46.25])
    2
    """
    exponents = [Decimal(f"{value:.6g}").as_tuple().exponent for value in values if value is not None]
    return max((-exponent for exponent in exponents if isinstance(exponent, int) and exponent < 0), default=0)
