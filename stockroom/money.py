"""Amounts of money: rounding to a currency's minor unit, and how an amount is written.

Minor units come from Unicode's currency data (CLDR, through Babel), which follows ISO 4217.

- `is_currency(code)`: is this an ISO 4217 code?
- `minor_places(currency)`: 2 for GBP, 0 for JPY
- `to_minor(amount, currency)`: rounded half up to the minor unit
- `shown(amount, currency)`: "GBP 1,234.50"
"""

from decimal import ROUND_HALF_UP, Decimal

from babel.numbers import format_decimal, get_currency_precision, list_currencies


def is_currency(code: str) -> bool:
    return len(code) == 3 and code in list_currencies("en")


def minor_places(currency: str) -> int:
    return get_currency_precision(currency)


def to_minor(amount: Decimal, currency: str) -> Decimal:
    """`amount` rounded half up to the minor unit of `currency`."""
    return amount.quantize(Decimal(1).scaleb(-minor_places(currency)), ROUND_HALF_UP)


def shown(amount: Decimal, currency: str) -> str:
    """The amount with its currency's code, thousands apart, all minor digits shown."""
    places = minor_places(currency)
    pattern = "#,##0" + ("." + "0" * places if places else "")
    number = format_decimal(to_minor(amount, currency), pattern, locale="en_GB")
    return f"{currency}\N{NO-BREAK SPACE}{number}".replace("-", "\N{MINUS SIGN}")
