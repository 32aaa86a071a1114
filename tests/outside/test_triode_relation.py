"""Amplification factor = mutual conductance x anode resistance, on every triode row that prints all three.

Source: the relation is H. J. van der Bijl's ("Theory and Operating Characteristics of the Thermionic Amplifier",
Proceedings of the Institute of Radio Engineers, vol. 7 no. 2, April 1919; stated here from memory). It is an
identity between partial derivatives at one point, so a row that breaks it by more than its rounding has a wrong
number in it, ours or the sheet's.

The rule: a printed number stands for everything within half a unit of its last printed digit. The product of the
two intervals must meet the interval of the third. No row is excused.
"""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

import pytest

from catalog.reference.rows import TestPointRow
from tests.reference import the_reference


class Interval(NamedTuple):
    low: Decimal
    high: Decimal

    def __mul__(self, other: object) -> Interval:
        assert isinstance(other, Interval)
        return Interval(self.low * other.low, self.high * other.high)  # both positive

    def meets(self, other: Interval) -> bool:
        return self.low <= other.high and other.low <= self.high


def printed(number: Decimal) -> Interval:
    """What a printed number stands for.

    >>> printed(Decimal("7.70"))
    Interval(low=Decimal('7.695'), high=Decimal('7.705'))
    """
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)
    half = Decimal(1).scaleb(exponent) / 2
    return Interval(number - half, number + half)


def holds(gm: Decimal, resistance: Decimal, mu: Decimal) -> bool:
    return (printed(gm) * printed(resistance)).meets(printed(mu))


def rows() -> list[tuple[str, TestPointRow]]:
    """One row for each different test point: two sections alike give one."""
    found = {
        (valve.designation, point.name): (f"{valve.designation} at {point.name}", point)
        for valve in the_reference().types.values()
        for section in valve.sections
        for point in section.test_points
        if section.kind == "triode" and point.mu and point.gm_ma_per_v and point.anode_resistance_kohm
    }
    return list(found.values())


def three(point: TestPointRow) -> tuple[Decimal, Decimal, Decimal]:
    assert point.gm_ma_per_v and point.anode_resistance_kohm and point.mu
    return point.gm_ma_per_v, point.anode_resistance_kohm, point.mu


@pytest.mark.parametrize("point", [pytest.param(point, id=name) for name, point in rows()])
def test_mu_is_gm_times_ra_within_the_printed_digits(point: TestPointRow) -> None:
    gm, resistance, mu = three(point)
    assert holds(gm, resistance, mu), f"{gm} mA/V x {resistance} kohm = {gm * resistance}, the row says {mu}"


def test_there_are_enough_rows_to_mean_something() -> None:
    assert len(rows()) >= 70


def test_most_rows_would_not_survive_a_tenth_too_much() -> None:
    """The rule is no sieve. A number is spoilt by a tenth and printed again to as many digits as before."""
    spoilt = [
        [spoil(number) if place == which else number for place, number in enumerate(three(point))]
        for _, point in rows()
        for which in range(3)
    ]
    caught = sum(not holds(*row) for row in spoilt)
    assert caught >= 0.75 * len(spoilt), f"{caught} of {len(spoilt)}"


def spoil(number: Decimal) -> Decimal:
    return (number * Decimal("1.1")).quantize(number)
