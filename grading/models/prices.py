"""The price book: rules, each version written once, and drafted changes with what they would do.

Triggers refuse to change or delete a version of a rule (grading/migrations).
"""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType
from grading.models.append_only import AppendOnly, RefusesChange
from grading.prices.pure.book import How, RuleEffect
from grading.prices.pure.rounding import Direction
from stockroom.models import Line, Listing, Maker
from stockroom.models.orders import OrderLine
from stockroom.models.shop import CurrencyField, MoneyField

EFFECTS = [
    (RuleEffect.PRICE.value, "Base price: an amount"),
    (RuleEffect.TIMES_COST.value, "Base price: so many times the cost"),
    (RuleEffect.FACTOR.value, "Factor on the price so far"),
    (RuleEffect.AMOUNT.value, "Amount added to the price so far"),
    (RuleEffect.FLOOR.value, "Floor: no less than so many times the cost"),
    (RuleEffect.ROUNDING.value, "Rounding"),
]
HOWS = [
    (How.TESTED.value, "tested and graded"),
    (How.UNTESTED.value, "untested, as received"),
    (How.SEALED.value, "in a sealed pack"),
]
DIRECTIONS = [
    (Direction.NEAREST.value, "to the nearest"),
    (Direction.UP.value, "up"),
    (Direction.DOWN.value, "down"),
]


class RuleText(models.Model):
    """What a rule says: when it fits, and what it does. An empty condition asks nothing."""

    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    as_marked = models.CharField("name on the glass", max_length=40, blank=True)
    maker = models.ForeignKey(
        Maker, verbose_name="marked maker", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    grade = models.CharField(max_length=40, blank=True)
    condition = models.CharField("bought in as", max_length=12, choices=Line.Condition.choices, blank=True)
    construction = models.CharField(max_length=60, blank=True)
    set_size = models.PositiveSmallIntegerField(
        "pieces in a set",
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(OrderLine.MOST_IN_A_SET)],
        help_text="1 for singles.",
    )
    within_percent = models.FloatField(
        "matched within, %",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(100)],
        help_text="Sets made within this or closer.",
    )
    how = models.CharField("sold as", max_length=8, choices=HOWS, blank=True)

    effect = models.CharField("what it does", max_length=10, choices=EFFECTS)
    heading = models.CharField(
        max_length=30,
        blank=True,
        help_text="Such as Grade or Set: of the rules under one heading, one speaks.",
    )
    amount = MoneyField(null=True, blank=True, help_text="Below nothing takes off.")
    of_set = models.BooleanField("the amount is of a whole set, not a piece", default=False)
    factor = models.DecimalField(
        "times", max_digits=9, decimal_places=4, null=True, blank=True, validators=[MinValueValidator(0)]
    )
    step = MoneyField("round to", null=True, blank=True, help_text="1, 0.50, 5 …")
    ending = MoneyField(null=True, blank=True, help_text="0.90 with a step of 1 gives 0.90, 1.90, 2.90 …")
    direction = models.CharField("which way", max_length=8, choices=DIRECTIONS, default=Direction.NEAREST.value)
    place = models.PositiveSmallIntegerField(
        "order in the book", default=100, help_text="Of rules as particular as each other, the lower speaks."
    )

    class Meta:
        abstract = True


class PriceRuleQuerySet(RefusesChange, models.QuerySet["PriceRule"]):
    def in_force(self, at: Any = None) -> PriceRuleQuerySet:
        """Now, or at a moment of the past."""
        if at is None:
            return self.filter(replaced_by=None, withdrawn=False)
        later = Q(replaced_by=None) | Q(replaced_by__at__gt=at)
        return self.filter(later, at__lte=at, withdrawn=False)

    def for_rows(self) -> PriceRuleQuerySet:
        return self.select_related("type", "maker", "by")


class PriceRule(AppendOnly, RuleText):
    """One version of a rule of the price book, with who wrote it, when and why. `withdrawn` ends the rule."""

    number = models.PositiveIntegerField()
    replaces = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="replaced_by")
    withdrawn = models.BooleanField(default=False)
    currency = CurrencyField()
    reason = models.CharField("why", max_length=200)
    at = models.DateTimeField(default=timezone.now, db_index=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    objects = PriceRuleQuerySet.as_manager()

    class Meta(AppendOnly.Meta, RuleText.Meta):
        ordering = ["place", "number"]
        constraints = [
            models.UniqueConstraint(fields=["number"], condition=Q(replaces=None), name="a_rule_begins_once"),
            models.CheckConstraint(condition=~Q(reason=""), name="a_price_rule_says_why"),
            models.CheckConstraint(
                condition=(Q(effect__in=["price", "amount"]) & Q(amount__isnull=False))
                | (Q(effect__in=["times-cost", "factor", "floor"]) & Q(factor__gte=0))
                | (Q(effect="rounding") & Q(step__gt=0)),
                name="a_price_rule_has_its_number",
            ),
        ]

    def __str__(self) -> str:
        return f"price rule {self.number}"


class PriceDraft(RuleText):
    """A drafted change of the price book: a new rule, another version of one, or the end of one; and what it would do
    to the stock, reckoned against the book's state `book`."""

    replaces = models.ForeignKey(PriceRule, on_delete=models.PROTECT, null=True, related_name="+", editable=False)
    withdrawn = models.BooleanField(default=False, editable=False)
    reason = models.CharField("why", max_length=200)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    book = models.PositiveBigIntegerField(null=True, editable=False)
    sums: models.JSONField[Any, Any] = models.JSONField(default=dict, editable=False)
    became = models.OneToOneField(PriceRule, on_delete=models.PROTECT, null=True, related_name="draft", editable=False)

    class Meta(RuleText.Meta):
        ordering = ["-pk"]

    def __str__(self) -> str:
        return f"price draft {self.pk}"

    def get_absolute_url(self) -> str:
        return reverse("price-draft", args=[self.pk])


class DraftedPrice(models.Model):
    """What a drafted change would do to a live listing: asked now, by the book now, by the changed book.

    `by_hand`: it is asked for at another price than the book's. `outcome` says what became of it.
    """

    draft = models.ForeignKey(PriceDraft, on_delete=models.CASCADE, related_name="prices")
    listing = models.ForeignKey(Listing, on_delete=models.PROTECT, related_name="+")
    asked = MoneyField()
    before = MoneyField(null=True)
    after = MoneyField(null=True)
    by_hand = models.BooleanField()
    why = models.TextField(blank=True)
    outcome = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["draft", "listing"], name="a_listing_once_in_a_draft")]
