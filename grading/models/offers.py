"""Lots that were offered to the shop, what was forecast of them, and what was decided."""

from __future__ import annotations

from decimal import Decimal

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType
from grading.models.append_only import AppendOnly, AppendOnlyQuerySet
from stockroom.models.goods import Line, Lot, Maker, Marked, Supplier
from stockroom.models.imports import ListFile
from stockroom.models.shop import CurrencyField, MoneyField


class LotOffer(models.Model):
    """A lot that somebody would sell to the shop.

    `price` is in the supplier's currency, `rate` home currency for one of it; every other amount is in the home
    currency. `changed_at` is when it, or one of its lines, last changed: a forecast from before speaks of another.
    """

    class State(models.TextChoices):
        OPEN = "open", "open"
        DECLINED = "declined", "declined"
        BOUGHT = "bought", "bought"

    number = models.CharField(max_length=12, unique=True, editable=False)
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="offers")
    offered_on = models.DateField(default=timezone.localdate)
    price = MoneyField("price asked", null=True, blank=True, validators=[MinValueValidator(0)])
    currency = CurrencyField(default="GBP")
    rate = models.DecimalField(
        max_digits=16, decimal_places=10, default=Decimal(1), validators=[MinValueValidator(Decimal("0.0000000001"))]
    )
    charges = MoneyField("freight, duty and other charges", default=Decimal(0), validators=[MinValueValidator(0)])
    return_percent = models.DecimalField(
        "return wanted, % a year",
        max_digits=5,
        decimal_places=1,
        default=Decimal(25),
        validators=[MinValueValidator(0), MaxValueValidator(1000)],
        help_text="What the money must earn while it lies in the lot.",
    )
    selling_percent = models.DecimalField(
        "cost of selling, % of the price",
        max_digits=4,
        decimal_places=1,
        default=Decimal(10),
        validators=[MinValueValidator(0), MaxValueValidator(99)],
        help_text="Fees, packing, what comes back.",
    )
    hour_cost = MoneyField("an hour at the bench costs", default=Decimal(0), validators=[MinValueValidator(0)])
    pack_cost = MoneyField(
        "opening a pack first costs",
        default=Decimal(0),
        validators=[MinValueValidator(0)],
        help_text="What a pack loses by being opened, or what the seller asks for it.",
    )
    months = models.PositiveSmallIntegerField(
        "months to sell it in",
        default=24,
        validators=[MinValueValidator(1), MaxValueValidator(60)],
        help_text="What is left then counts for nothing.",
    )
    note = models.TextField(blank=True)
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN, editable=False)
    declined_because = models.CharField("why", max_length=200, blank=True, editable=False)
    decided_at = models.DateTimeField(null=True, editable=False)
    lot = models.OneToOneField(
        Lot, on_delete=models.SET_NULL, null=True, editable=False, related_name="+"
    )  # nothing again where the lot was booked in by mistake and taken off
    changed_at = models.DateTimeField(default=timezone.now, editable=False)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )

    class Meta:
        ordering = ["-offered_on", "-number"]
        constraints = [
            models.CheckConstraint(condition=models.Q(rate__gt=0), name="an_offer_has_a_rate_above_nothing"),
        ]

    def __str__(self) -> str:
        return self.number

    def get_absolute_url(self) -> str:
        return reverse("offer", args=[self.number])

    @property
    def is_open(self) -> bool:
        return self.state == self.State.OPEN

    @property
    def asked_at_home(self) -> Decimal | None:
        """In the home currency, not rounded."""
        return None if self.price is None else self.price * self.rate


class LotOfferLine(Marked):
    """So many pieces of one type. Sealed ones lie `pack_size` in a pack; `price_each` is what the owner says that a
    good valve of it brings, where the shop never sold one or the owner knows better."""

    offer = models.ForeignKey(LotOffer, on_delete=models.CASCADE, related_name="lines")
    number = models.PositiveSmallIntegerField(editable=False)
    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, related_name="+")
    maker = models.ForeignKey(
        Maker, verbose_name="marked maker", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    condition = models.CharField("condition claimed", max_length=12, choices=Line.Condition.choices)
    pieces = models.PositiveIntegerField(validators=[MinValueValidator(1)])
    pack_size = models.PositiveIntegerField(
        "pieces in a sealed pack",
        default=1,
        validators=[MinValueValidator(1)],
        help_text="Of sealed goods only.",
    )
    price_each = MoneyField(
        "a good one brings",
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
        help_text="Only if you know better than the shop’s own sales.",
    )
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["offer", "number"]
        constraints = [models.UniqueConstraint(fields=["offer", "number"], name="offer_line_numbers_differ")]

    def __str__(self) -> str:
        return f"{self.offer}/{self.number}"

    @property
    def is_sealed(self) -> bool:
        return self.condition == Line.Condition.SEALED


class OfferFile(ListFile):
    """A file of lines for an offer."""

    offer = models.ForeignKey(LotOffer, on_delete=models.CASCADE, related_name="files")
    line_count = models.PositiveIntegerField(null=True, editable=False)

    def get_absolute_url(self) -> str:
        return reverse("offer-import-columns", args=[self.offer.number, self.pk])

    @property
    def supplier_key(self) -> int:
        return self.offer.supplier_id


class OfferForecast(AppendOnly):
    """What was forecast of an offer, with the history that it rested on. Written once; a trigger holds it.

    Amounts are in `currency`, the home currency of the day; the intervals are of 80 %. Where nothing can be said the
    amounts are empty and `content["why_not"]` says why. `content` is what `grading.buying.forecasting` writes.
    """

    offer = models.ForeignKey(LotOffer, on_delete=models.PROTECT, related_name="forecasts")
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    currency = CurrencyField()
    proceeds = MoneyField(null=True)
    proceeds_low = MoneyField(null=True)
    proceeds_high = MoneyField(null=True)
    most = MoneyField("most to pay", null=True)
    most_low = MoneyField(null=True)
    most_high = MoneyField(null=True)
    most_surely = MoneyField("most to pay with a chance of 4 in 5", null=True)
    chance = models.FloatField("chance of the return at the price asked", null=True)
    content = models.JSONField()
    seed = models.PositiveBigIntegerField()

    objects = AppendOnlyQuerySet.as_manager()

    class Meta:
        ordering = ["-made_at", "-id"]

    def __str__(self) -> str:
        return f"forecast of {self.offer}"

    @property
    def says_something(self) -> bool:
        return self.most is not None
