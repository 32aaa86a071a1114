"""Amounts of money: minor units, rounding, writing.

The minor units of ISO 4217 are those of its list one as two copies repeat it: the data set “currency-codes”
(github.com/datasets/currency-codes, data/codes-all.csv, column MinorUnit), and for those where Unicode's data differ
“iso-currencies” (github.com/moneyphp/iso-currencies, resources/current.json, field minorUnit).
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stockroom.pure.money import is_currency, minor_places, shown, to_minor

NONE = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF"
TWO = (
    "AED ARS AUD AZN BAM BBD BDT BGN BMD BOB BRL CAD CHF CNY COP CRC CZK DKK DOP EGP EUR FJD GBP GEL GHS GTQ "
    "HKD HUF IDR ILS INR JMD KES KZT LKR MAD MDL MKD MUR MXN MYR NAD NGN NOK NPR NZD PAB PEN PHP PKR PLN QAR RON "
    "RUB SAR SEK SGD THB TRY TTD TWD TZS UAH USD UYU UZS ZAR"
)
THREE = "BHD IQD JOD KWD LYD OMR TND"
FOUR = "CLF UYW"  # units of account
UNLIKE_CLDR = "AFN ALL IRR KPW LAK LBP MGA MMK RSD SOS SYP YER"  # two by the standard, none as people use them

currencies = st.sampled_from(f"{NONE} {TWO} {THREE} {UNLIKE_CLDR}".split())
amounts = st.decimals(min_value=-(10**9), max_value=10**9, places=6)


@pytest.mark.parametrize(
    ("codes", "places"),
    [(NONE, 0), (TWO, 2), (UNLIKE_CLDR, 2), (THREE, 3), (FOUR, 4)],
    ids=["none", "two", "two, unlike CLDR", "three", "four"],
)
def test_minor_units_are_those_of_the_standard(codes: str, places: int) -> None:
    assert {code: minor_places(code) for code in codes.split()} == dict.fromkeys(codes.split(), places)


@pytest.mark.parametrize("code", ["DEM", "HRK", "BGN"])
def test_a_currency_that_is_no_more_is_still_known_for_old_papers(code: str) -> None:
    assert is_currency(code) and minor_places(code) == 2


@pytest.mark.parametrize("code", ["GBP", "EUR", "JPY", "XAD"])
def test_codes_of_the_standard_are_known(code: str) -> None:
    assert is_currency(code)


@pytest.mark.parametrize("code", ["", "gbp", "GB", "GBPP", "ZZZ", "£"])
def test_other_letters_are_not_a_currency(code: str) -> None:
    assert not is_currency(code)


@pytest.mark.parametrize(
    ("amount", "currency", "rounded"),
    [
        ("0.005", "GBP", "0.01"),
        ("0.0049999", "GBP", "0.00"),
        ("-0.005", "GBP", "-0.01"),
        ("33.096", "GBP", "33.10"),
        ("0.5", "JPY", "1"),
        ("1.2345", "KWD", "1.235"),
    ],
)
def test_half_a_minor_unit_is_rounded_away_from_nothing(amount: str, currency: str, rounded: str) -> None:
    assert str(to_minor(Decimal(amount), currency)) == rounded


@given(amounts, currencies)
def test_rounding_moves_by_half_a_minor_unit_at_most_and_only_once(amount: Decimal, currency: str) -> None:
    rounded = to_minor(amount, currency)
    assert abs(rounded - amount) <= Decimal(5).scaleb(-minor_places(currency) - 1)
    assert to_minor(rounded, currency) == rounded


@pytest.mark.parametrize(
    ("amount", "currency", "words"),
    [
        ("1234.5", "GBP", "GBP\xa01,234.50"),
        ("0", "EUR", "EUR\xa00.00"),
        ("1234567", "JPY", "JPY\xa01,234,567"),
        ("-3.1", "GBP", "GBP\xa0\u22123.10"),
        ("2", "KWD", "KWD\xa02.000"),
    ],
)
def test_an_amount_is_written_with_its_code_and_all_minor_digits(amount: str, currency: str, words: str) -> None:
    assert shown(Decimal(amount), currency) == words


@given(amounts, currencies)
def test_what_is_written_is_the_amount(amount: Decimal, currency: str) -> None:
    code, number = shown(amount, currency).split("\xa0")
    assert code == currency
    assert Decimal(number.replace(",", "").replace("\u2212", "-")) == to_minor(amount, currency)
