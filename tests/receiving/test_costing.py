"""A cost shared to the minor unit: nothing is lost, nothing is made, and the answer never wavers."""

from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stockroom.receiving.pure.costing import (
    BadWeight,
    CostingError,
    NothingToShareAmong,
    NotMinorUnits,
    piece_cost,
    share,
)

exponents = st.integers(min_value=0, max_value=4)
units = st.integers(min_value=-(10**12), max_value=10**12)
weights = st.lists(
    st.one_of(
        st.integers(min_value=0, max_value=10**6),
        st.decimals(min_value=0, max_value=10**6, places=3, allow_nan=False, allow_infinity=False),
    ),
    min_size=1,
    max_size=40,
).filter(lambda values: any(values))


def money(minor_units: int, exponent: int) -> Decimal:
    return Decimal(f"{minor_units}e-{exponent}")


@given(units, weights, exponents)
def test_the_parts_add_up_to_the_total_exactly(minor_units, parts, exponent):
    total = money(minor_units, exponent)
    shared = share(total, parts, exponent)
    assert len(shared) == len(parts)
    assert sum(map(Fraction, shared)) == Fraction(total)


@given(units, weights, exponents)
def test_each_part_is_less_than_one_minor_unit_from_its_exact_part(minor_units, parts, exponent):
    total = money(minor_units, exponent)
    whole = sum(map(Fraction, parts))
    for part, amount in zip(parts, share(total, parts, exponent), strict=True):
        assert abs(Fraction(amount) - Fraction(total) * Fraction(part) / whole) < Fraction(1, 10**exponent)
        assert amount.as_tuple().exponent == -exponent
        if part == 0:
            assert amount == 0


@given(units, weights, exponents)
def test_a_credit_is_shared_like_the_cost_with_the_sign_turned(minor_units, parts, exponent):
    cost = share(money(minor_units, exponent), parts, exponent)
    credit = share(money(-minor_units, exponent), parts, exponent)
    assert [-amount for amount in cost] == credit


@given(units, weights, exponents)
def test_a_heavier_part_never_carries_less(minor_units, parts, exponent):
    shared = share(money(abs(minor_units), exponent), parts, exponent)
    in_order = sorted(zip(parts, shared, strict=True))
    assert all(lighter[1] <= heavier[1] for lighter, heavier in pairwise(in_order) if lighter[0] < heavier[0])


@given(units, st.integers(min_value=1, max_value=60), exponents)
def test_one_piece_costs_what_the_equal_split_gives_it(minor_units, count, exponent):
    total = money(minor_units, exponent)
    pieces = [piece_cost(total, count, position, exponent) for position in range(count)]
    assert pieces == share(total, [1] * count, exponent)


def test_ten_pounds_among_three_gives_the_odd_penny_to_the_first():
    assert share(Decimal("10.00"), [1, 1, 1]) == [Decimal("3.34"), Decimal("3.33"), Decimal("3.33")]


def test_the_largest_remainder_takes_the_odd_unit_wherever_it_stands():
    # 1.00 over 1:1:5 is 14.28, 14.28, 71.43 pence: the third lost most.
    assert share(Decimal("1.00"), [1, 1, 5]) == [Decimal("0.14"), Decimal("0.14"), Decimal("0.72")]


def test_a_currency_without_minor_unit_is_shared_in_whole_units():
    assert share(Decimal(100), [1, 1, 1], exponent=0) == [Decimal(34), Decimal(33), Decimal(33)]


def test_a_zero_total_gives_zeros_without_sign_even_when_every_weight_is_zero():
    assert [str(amount) for amount in share(Decimal("-0.00"), [0, 0])] == ["0.00", "0.00"]


def test_a_part_of_a_credit_that_receives_nothing_carries_no_minus_sign():
    assert [str(amount) for amount in share(Decimal("-0.01"), [1, 1])] == ["-0.01", "0.00"]


def test_an_amount_longer_than_the_decimal_context_is_still_exact():
    total = Decimal("123456789012345678901234567890123.45")
    assert share(total, [1]) == [total]


def test_a_cost_among_no_parts_is_refused():
    with pytest.raises(NothingToShareAmong):
        share(Decimal("1.00"), [])


def test_a_cost_among_weightless_parts_is_refused():
    with pytest.raises(NothingToShareAmong):
        share(Decimal("1.00"), [0, Decimal(0)])


@pytest.mark.parametrize("weight", [-1, Decimal("-0.1"), Decimal("NaN"), Decimal("Infinity")])
def test_a_weight_that_is_negative_or_no_number_is_refused(weight):
    with pytest.raises(BadWeight, match="Weight 1"):
        share(Decimal("1.00"), [1, weight])


@pytest.mark.parametrize("total", [Decimal("1.005"), Decimal("NaN"), Decimal("Infinity")])
def test_a_total_that_is_not_whole_minor_units_is_refused(total):
    with pytest.raises(NotMinorUnits):
        share(total, [1])
    with pytest.raises(NotMinorUnits):
        piece_cost(total, 1, 0)


def test_a_piece_that_does_not_exist_is_refused():
    for position in (-1, 3):
        with pytest.raises(CostingError, match="no piece"):
            piece_cost(Decimal("1.00"), 3, position)
    with pytest.raises(NothingToShareAmong):
        piece_cost(Decimal("1.00"), 0, 0)


def test_a_currency_with_negative_decimal_places_is_refused():
    with pytest.raises(CostingError, match="decimal places"):
        share(Decimal("1"), [1], exponent=-1)
