"""Numbers as people type them come out in the quantity's own unit, or are refused in words."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading.metrology import units
from grading.metrology.units import (
    MA_PER_V,
    MICROAMPERES,
    MICROMHOS,
    MILLIAMPERES,
    Unit,
    UnitKind,
)
from stockroom.files.numbers import DecimalMark, UnreadableNumber, number, proves_mark


@pytest.mark.parametrize(
    "typed",
    [
        "1.6",
        "1,6",
        " 1.60 ",
        "1,6 mA/V",
        "1.6mA/V",
        "1.6 mS",
        "1600 µmho",
        "1600 μmho",
        "1600 umho",
        "1600 micromhos",
        "1600 Micromhos",
        "1600 µS",
        "1 600 µmho",
        "1'600 µmho",
        "1\N{NO-BREAK SPACE}600 µA/V",
        "1,600.0 umho",
        "1.600,0 umho",
        "0.0016 A/V",
        "0,0016 S",
        "0.0016 mho",
        "1.6e-3 A/V",
        "1.600",
        "+1.6",
        "1.6 mA per V",
    ],
)
def test_one_value_has_many_spellings(typed: str) -> None:
    assert units.read_typed(typed, MA_PER_V).value == 1.6


@pytest.mark.parametrize(
    ("typed", "milliamperes"),
    [
        ("1.2", 1.2),
        ("1200 µA", 1.2),
        ("1200 uA", 1.2),
        ("1200 microamps", 1.2),
        ("0.0012 A", 1.2),
        ("0", 0.0),
        ("47 MA", 47.0),
        ("−1.2", -1.2),
        ("-1,2", -1.2),
        (".5", 0.5),
        (",5", 0.5),
        ("5.", 5.0),
    ],
)
def test_an_anode_current_may_carry_its_unit(typed: str, milliamperes: float) -> None:
    assert units.read_typed(typed, MILLIAMPERES).value == milliamperes


def test_a_number_without_a_unit_is_in_the_unit_of_the_bench() -> None:
    assert units.read_typed("1600", MICROMHOS).value == 1.6
    assert units.read_typed("1600", MA_PER_V).value == 1600


def test_a_typed_unit_overrides_the_unit_of_the_bench() -> None:
    assert units.read_typed("1.6 mA/V", MICROMHOS) == (1.6, MA_PER_V)


def test_a_leakage_is_in_microamperes() -> None:
    assert units.read_typed("3", MICROAMPERES).value == 3
    assert units.read_typed("0.003 mA", MICROAMPERES).value == 3
    assert units.read_typed("30 nA", MICROAMPERES).value == 0.03


@pytest.mark.parametrize(
    "typed", ["", "abc", "1..2", "1.2.3", "1,,2", "<0.1", "--3", "1 2", "e5", "1.6 1.7", "12,34,567", "١٢"]
)
def test_what_is_no_number_is_refused_by_what_was_typed(typed: str) -> None:
    with pytest.raises(UnreadableNumber) as refused:
        units.read_typed(typed, MA_PER_V)
    assert typed in str(refused.value)


def test_a_comma_before_three_digits_is_refused_with_both_meanings() -> None:
    with pytest.raises(UnreadableNumber, match=r"“1,600” could be 1\.6 or 1600"):
        units.read_typed("1,600", MA_PER_V)


def test_a_comma_after_nought_can_only_be_decimal() -> None:
    assert units.read_typed("0,600", MA_PER_V).value == 0.6


@pytest.mark.parametrize(("typed", "unit"), [("1.6 V", MA_PER_V), ("1.6 mA", MA_PER_V), ("3 MΩ", MICROAMPERES)])
def test_a_unit_of_something_else_is_refused_and_the_right_ones_named(typed: str, unit: Unit) -> None:
    with pytest.raises(UnreadableNumber, match=f"use .*{unit.name}"):
        units.read_typed(typed, unit)


def test_a_file_column_settles_what_its_doubtful_numbers_mean() -> None:
    assert number("1,600", DecimalMark.COMMA) == Decimal("1.6")
    assert number("1,600", DecimalMark.POINT) == Decimal(1600)
    assert number("1,5", DecimalMark.POINT) == Decimal("1.5"), "what is not in doubt needs no settling"


def test_both_marks_in_one_number_settle_it() -> None:
    assert proves_mark("1.234,5") is DecimalMark.COMMA
    assert proves_mark("1,234.5") is DecimalMark.POINT
    assert proves_mark("1,234,567") is DecimalMark.POINT


@pytest.mark.parametrize("text", ["", " ", "-", "–", "n/a", "N/A", "NaN"])
def test_a_dash_is_no_measurement(text: str) -> None:
    assert units.is_blank(text)


def test_a_nought_is_a_measurement() -> None:
    assert not units.is_blank("0")


amounts = st.decimals(min_value=0, max_value=99_999, places=4)
every_unit = st.sampled_from(
    [
        (MA_PER_V, UnitKind.GM),
        (MICROMHOS, UnitKind.GM),
        (MILLIAMPERES, UnitKind.ANODE_CURRENT),
        (MICROAMPERES, UnitKind.SMALL_CURRENT),
    ]
)


@given(amounts, every_unit, st.sampled_from(DecimalMark), st.sampled_from(["", " ", "\N{NO-BREAK SPACE}"]))
def test_any_amount_written_with_four_decimals_reads_back_exactly(
    amount: Decimal, of: tuple[Unit, UnitKind], mark: DecimalMark, gap: str
) -> None:
    unit, _ = of
    text = f"{amount:.4f}".replace(".", mark) + gap + unit.name
    assert units.read_typed(text, unit).value == float(amount * unit.factor)


@given(st.integers(1000, 9_999_999), st.integers(0, 99), st.sampled_from([",.", ".,", " ,", "'."]))
def test_thousands_marks_change_nothing(whole: int, cents: int, marks: str) -> None:
    thousands, decimal = marks[0], marks[1]
    text = f"{whole:,}".replace(",", thousands) + f"{decimal}{cents:02}"
    assert number(text) == Decimal(whole) + Decimal(cents) / 100


@given(st.floats(0, 1e5).map(lambda value: float(f"{value:.6g}")))
def test_a_value_shown_reads_back_the_same(value: float) -> None:
    assert units.read_typed(units.shown(value, MILLIAMPERES), MILLIAMPERES).value == value


@given(st.floats(0, 1e5))
def test_a_value_in_full_loses_nothing(value: float) -> None:
    assert units.read_typed(units.in_full(value, MICROMHOS), MICROMHOS).value == value


@given(st.text(max_size=12))
def test_any_text_is_read_or_refused_and_never_breaks(text: str) -> None:
    try:
        assert isinstance(units.read_typed(text, MA_PER_V).value, float)
    except UnreadableNumber as refused:
        assert str(refused)
