"""A section of a valve as it was graded: the figures that public page and certificate print, each written one way."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from grading.metrology import uncertainty
from grading.metrology.quantities import Quantity
from stockroom.pure.written import MINUS, NOT_MEASURED, percent, plain

NOT_TESTED = "not tested"


class GradedValue(NamedTuple):
    """One quantity: corrected, converted and averaged over its `readings`, in the quantity's unit.

    `expanded_uncertainty` is None where something is wanting for it. `nominal` is what the grade compared it with.

    >>> str(GradedValue(1.1042, 0.134, 3, 1.2)), str(GradedValue(1.1042)), GradedValue(1.1, nominal=1.25).share
    ('1.10 ± 0.13', '1.1042', '88\\xa0%')
    """

    value: float
    expanded_uncertainty: float | None = None
    readings: int = 1
    nominal: float | None = None

    def __str__(self) -> str:
        if not self.expanded_uncertainty:
            return plain(self.value, 4)
        value, expanded = uncertainty.state(self.value, self.expanded_uncertainty)
        return f"{value} ± {expanded}".replace("-", MINUS)

    @property
    def share(self) -> str:
        """Of nominal."""
        return percent(self.value / self.nominal, places=0) if self.nominal else NOT_MEASURED


class GradedSection(NamedTuple):
    """`faults` and `noise` are the worst that was seen and heard of it; `untested` says what it can have and nobody
    looked for. `unused` were read, and the grade does not rest on them."""

    section: int
    values: Mapping[Quantity, GradedValue]
    faults: Mapping[Quantity, float] = {}
    noise: str = ""
    shorts: str = ""
    untested: tuple[str, ...] = ()
    unused: frozenset[Quantity] = frozenset()

    def fault(self, quantity: Quantity) -> str:
        """What was read of it, that nobody did, or that there is none to look for."""
        if quantity in self.faults:
            return quantity.amount(self.faults[quantity])
        return NOT_TESTED if quantity.short in self.untested else NOT_MEASURED

    @property
    def heard(self) -> str:
        return self.noise or (NOT_TESTED if "noise" in self.untested else NOT_MEASURED)

    @property
    def averaged(self) -> str:
        """Of how many readings its values are the mean: "3", or "Ia 3, gm 2" where they differ."""
        counts = {quantity: value.readings for quantity, value in self.values.items()}
        if len(set(counts.values())) <= 1:
            return str(next(iter(counts.values()), NOT_MEASURED))
        return ", ".join(f"{quantity.symbol} {count}" for quantity, count in counts.items())
