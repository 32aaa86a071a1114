"""Amounts of money: rounding to a currency's minor unit, and how an amount is written.

Minor units are those of ISO 4217, from its list one as the maintenance agency publishes it; the package `iso4217`
holds that file as it is, with its date. Codes that list one no longer has (BGN since 2026) and those to which it gives
no minor unit (gold) keep what Unicode's currency data say (CLDR, through Babel). CLDR would not do for the rest: it
says how many digits people use, which for IQD, RSD and a dozen others is fewer than the standard has.
"""

from decimal import ROUND_HALF_UP, Decimal

from babel.numbers import format_decimal, get_currency_precision, list_currencies
from iso4217 import Currency

LIST_ONE: dict[str, int | None] = {currency.code: currency.exponent for currency in Currency}


def is_currency(code: str) -> bool:
    return len(code) == 3 and (code in LIST_ONE or code in list_currencies("en"))


def minor_places(currency: str) -> int:
    """Decimals of an amount in this currency."""
    places = LIST_ONE.get(currency)
    return get_currency_precision(currency) if places is None else places


def to_minor(amount: Decimal, currency: str) -> Decimal:
    """`amount` rounded half up to the minor unit of `currency`."""
    return amount.quantize(Decimal(1).scaleb(-minor_places(currency)), ROUND_HALF_UP)


def shown(amount: Decimal, currency: str) -> str:
    """The amount with its currency's code, thousands apart, all minor digits shown."""
    places = minor_places(currency)
    pattern = "#,##0" + ("." + "0" * places if places else "")
    number = format_decimal(to_minor(amount, currency), pattern, locale="en_GB")
    return f"{currency}\N{NO-BREAK SPACE}{number}".replace("-", "\N{MINUS SIGN}")
