"""What an order comes to: the shop's rules, an order's terms, its invoices and what was paid."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import Q, Value
from django.db.models.functions import Coalesce
from django.utils import timezone

from catalog.models import ValveType
from stockroom.models.goods import Maker
from stockroom.models.orders import Order
from stockroom.models.shop import CurrencyField, MoneyField


class ShippingRule(models.Model):
    name = models.CharField(max_length=60)
    region = models.CharField(max_length=40, blank=True, help_text="Empty: every region without a rule of its own.")
    up_to_g = models.PositiveIntegerField("up to, g", null=True, blank=True, help_text="Empty: any weight.")
    price = MoneyField(validators=[MinValueValidator(0)])
    currency = CurrencyField(default="GBP")
    free_above = MoneyField(
        "free from", null=True, blank=True, validators=[MinValueValidator(0)], help_text="Of goods after discount."
    )

    class Meta:
        ordering = ["region", "up_to_g", "id"]

    def __str__(self) -> str:
        return self.name


class TaxRule(models.Model):
    class On(models.TextChoices):
        GOODS = "goods", "goods"
        SHIPPING = "shipping", "shipping"

    name = models.CharField("as the invoice names it", max_length=60)
    on = models.CharField("on", max_length=8, choices=On.choices, default=On.GOODS)
    region = models.CharField(max_length=40, blank=True, help_text="Empty: every region without a rule of its own.")
    percent = models.DecimalField(
        "rate, %", max_digits=6, decimal_places=3, validators=[MinValueValidator(0), MaxValueValidator(100)]
    )
    inclusive = models.BooleanField("prices include it", default=True)
    margin = models.BooleanField(
        "margin scheme", default=False, help_text="Goods only, where the law lets the shop choose it."
    )
    note = models.CharField("words the invoice must bear", max_length=200, blank=True)

    class Meta:
        ordering = ["on", "region"]
        constraints = [
            models.UniqueConstraint(fields=["on", "region"], name="one_tax_rule_for_each_region"),
            models.CheckConstraint(condition=Q(margin=False) | Q(on="goods"), name="a_margin_is_earned_on_goods"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def percent_in_words(self) -> str:
        return f"{self.percent.normalize():f}"


class DiscountCode(models.Model):
    code = models.CharField(max_length=20, unique=True)
    percent = models.DecimalField(
        "off, %",
        max_digits=5,
        decimal_places=2,
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(100)],
    )
    amount = MoneyField("or an amount off", null=True, blank=True, validators=[MinValueValidator(0)])
    currency = CurrencyField("of the amount", blank=True)
    until = models.DateField("until", null=True, blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(percent=None, amount__isnull=False) | Q(percent__isnull=False, amount=None),
                name="a_code_takes_a_share_or_an_amount_off",
            )
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def percent_in_words(self) -> str:
        return "" if self.percent is None else f"{self.percent.normalize():f}"


class CustomsRule(models.Model):
    """What customs are told of goods: of a type, of a maker's, of both, or of all that no rule is nearer to. A field
    that is empty is taken from the next less particular rule."""

    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    maker = models.ForeignKey(Maker, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    what = models.CharField("what it is", max_length=80, blank=True)
    material = models.CharField("made of", max_length=80, blank=True)
    hs_code = models.CharField(
        "Harmonized System code",
        max_length=14,
        blank=True,
        validators=[RegexValidator(r"^\d{4}(\.?\d{2}){0,3}$", "Four to ten digits, such as 8540.81.")],
        help_text="As your customs tariff has it; where the parcel goes, customs decide.",
    )
    origin = models.CharField(
        "country of origin", max_length=60, blank=True, help_text="Only where it is known: where it was made."
    )

    class Meta:
        ordering = ["type__designation", "maker__name", "id"]
        constraints = [
            models.UniqueConstraint(
                Coalesce("type", Value(0)), Coalesce("maker", Value(0)), name="one_customs_rule_for_the_same_goods"
            )
        ]

    def __str__(self) -> str:
        return " by ".join(str(one) for one in (self.type or "any type", self.maker) if one)


class OrderTerms(models.Model):
    """Where it goes, what it weighs and which code was given: what the rules need to know of an order."""

    order = models.OneToOneField(Order, on_delete=models.PROTECT, related_name="terms")
    region = models.CharField(max_length=40, blank=True)
    weight_g = models.PositiveIntegerField("weight packed, g", null=True, blank=True)
    code = models.ForeignKey(DiscountCode, on_delete=models.PROTECT, null=True, blank=True, related_name="+")


class Invoice(models.Model):
    """An invoice, or a credit note that takes some of it back. Written once, its sums as they were; a trigger refuses
    to change it. Numbers have no gaps: one is taken in the transaction that writes the paper."""

    class Kind(models.TextChoices):
        INVOICE = "invoice", "invoice"
        CREDIT = "credit", "credit note"

    number = models.CharField(max_length=12, unique=True)
    kind = models.CharField(max_length=7, choices=Kind.choices)
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="invoices")
    corrects = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="credits")
    currency = CurrencyField()
    total = MoneyField()
    content: models.JSONField[Any, Any] = models.JSONField()
    reason = models.CharField("why", max_length=200, blank=True)
    on = models.DateField(default=timezone.localdate)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="invoice", corrects=None) | (Q(kind="credit", corrects__isnull=False) & ~Q(reason="")),
                name="a_credit_note_says_of_what_and_why",
            ),
            models.UniqueConstraint(fields=["order"], condition=Q(kind="invoice"), name="one_invoice_for_an_order"),
        ]

    def __str__(self) -> str:
        return self.number


class Payment(models.Model):
    """Money from the customer, or back to them (below nothing). A slip is put right by its opposite."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="payments")
    amount = MoneyField(help_text="Below nothing for what was paid back.")
    on = models.DateField("day", default=timezone.localdate)
    note = models.CharField("how, or why back", max_length=120, blank=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["on", "id"]
        constraints = [models.CheckConstraint(condition=~Q(amount=Decimal(0)), name="a_payment_is_of_something")]
