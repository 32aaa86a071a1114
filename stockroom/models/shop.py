"""The shop itself, and the counters its numbers come from."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.db.models import F

from stockroom.pure.money import is_currency


def check_currency(code: str) -> None:
    """Refuse what is not an ISO 4217 code."""
    if not is_currency(code):
        raise ValidationError(f"“{code}” is not a currency code. Use the three letters of ISO 4217, such as GBP.")


class CurrencyField(models.CharField):
    """Three letters of ISO 4217."""

    def __init__(self, *args, **kwargs) -> None:
        kwargs.setdefault("max_length", 3)
        super().__init__(*args, **kwargs)
        self.validators.append(check_currency)


class MoneyField(models.DecimalField):
    """An amount in some currency's units. Three places hold every minor unit of ISO 4217 in use by shops;
    code quantises to the currency's own (`stockroom.pure.money`)."""

    def __init__(self, *args, **kwargs) -> None:
        kwargs.setdefault("max_digits", 14)
        kwargs.setdefault("decimal_places", 3)
        super().__init__(*args, **kwargs)


class Shop(models.Model):
    """One row: what stands at the head of papers and public pages."""

    name = models.CharField(max_length=120, default="The valve shop")
    address = models.TextField(blank=True)
    email = models.EmailField(blank=True)
    currency = CurrencyField("home currency", default="GBP")
    web_address = models.URLField(
        blank=True, help_text="When it is given, the square symbol on labels opens the item's page."
    )
    phone = models.CharField("telephone", max_length=40, blank=True)
    delivery_terms = models.TextField(
        "delivery", blank=True, help_text="Where you send to, how, how soon and for how much: shown to the public."
    )
    return_terms = models.TextField(
        "returns and warranty", blank=True, help_text="What a buyer may send back, and until when: shown to the public."
    )
    takes_enquiries = models.BooleanField(
        "Take enquiries", default=True, help_text="Whoever looks at an item may ask about it, or ask to buy it."
    )
    hold_days = models.PositiveSmallIntegerField(
        "days that goods are set aside for",
        null=True,
        blank=True,
        default=14,
        help_text="Then they are free again, unless money has come. Empty: for ever.",
    )
    notice = models.CharField(max_length=200, blank=True, help_text="Shown on every page, such as “demo data”.")

    def __str__(self) -> str:
        return self.name

    @classmethod
    def own(cls) -> Shop:
        return cls.objects.get_or_create(pk=1)[0]


class Counter(models.Model):
    """The next free number of a series. Taking numbers locks the row, so two people never get the same."""

    series = models.CharField(max_length=20, primary_key=True)
    next_number = models.PositiveBigIntegerField(default=1)

    def __str__(self) -> str:
        return f"{self.series}: {self.next_number}"

    @classmethod
    def take(cls, series: str, count: int = 1) -> range:
        """`count` consecutive numbers that nobody else will get."""
        with transaction.atomic():
            cls.objects.get_or_create(series=series)
            cls.objects.filter(series=series).update(next_number=F("next_number") + count)
            after = cls.objects.get(series=series).next_number
        return range(after - count, after)
