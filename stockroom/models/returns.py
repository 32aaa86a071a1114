"""What came back, followed to its end: the complaint, what was decided, and the shop's promise by which it is."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from stockroom.models.goods import Line
from stockroom.models.money import Invoice, Payment
from stockroom.models.orders import Order, Return
from stockroom.pure.written import day


class ReturnCaseQuerySet(models.QuerySet["ReturnCase"]):
    def undecided(self) -> ReturnCaseQuerySet:
        return self.filter(verdict=None)


class ReturnCase(models.Model):
    """What came back of an order with one complaint: one or several valves, on which one thing is decided."""

    number = models.CharField(max_length=12, unique=True, editable=False)
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="return_cases")
    complaint = models.CharField(max_length=12, choices=Return.Complaint.choices, blank=True)
    words = models.CharField("in the customer’s words", max_length=300)
    opened_at = models.DateTimeField(default=timezone.now, db_index=True)
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    objects = ReturnCaseQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_at", "-number"]

    def __str__(self) -> str:
        return self.number

    def get_absolute_url(self) -> str:
        return reverse("return", args=[self.number])

    @property
    def complaint_in_words(self) -> str:
        kind = self.get_complaint_display() if self.complaint else ""
        return ": ".join(filter(None, [kind, f"“{self.words}”" if self.words else ""]))


class ReturnVerdict(models.Model):
    """What was decided on a return, and what followed from it. Written once.

    `found` keeps what the bench found of each valve beside what was sent, by its serial, as it was then;
    `warranty` what the shop's rule said.
    """

    class Kind(models.TextChoices):
        REFUND = "refund", "refund"
        REPLACEMENT = "replacement", "replacement"
        REFUSAL = "refusal", "refusal"

    class Goods(models.TextChoices):
        OURS = "ours", "stay here and are ours again"
        SENT_BACK = "sent back", "go back to the customer"
        KEPT = "kept", "are kept here for the customer to collect"

    case = models.OneToOneField(ReturnCase, on_delete=models.PROTECT, related_name="verdict")
    kind = models.CharField(max_length=11, choices=Kind.choices)
    goods = models.CharField("the goods", max_length=9, choices=Goods.choices)
    reason = models.CharField("why", max_length=200, blank=True)
    credit_note = models.ForeignKey(Invoice, on_delete=models.PROTECT, null=True, related_name="+")
    paid_back = models.ForeignKey(Payment, on_delete=models.PROTECT, null=True, related_name="+")
    replacement = models.ForeignKey(Order, on_delete=models.PROTECT, null=True, related_name="replaces")
    warranty: models.JSONField[Any, Any] = models.JSONField(default=dict)
    found: models.JSONField[Any, Any] = models.JSONField(default=dict)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-at", "-id"]
        constraints = [
            models.CheckConstraint(condition=~Q(kind="refusal") | ~Q(reason=""), name="a_refusal_says_why"),
            models.CheckConstraint(
                condition=~Q(kind="refusal", goods="ours") & ~Q(~Q(goods="ours"), kind="replacement"),
                name="what_is_refused_is_the_customers_and_what_is_replaced_ours",
            ),
            models.CheckConstraint(
                condition=Q(kind="replacement", replacement__isnull=False)
                | Q(~Q(kind="replacement"), replacement=None),
                name="a_replacement_has_its_order",
            ),
            models.CheckConstraint(
                condition=Q(kind="refund", credit_note__isnull=False) | Q(~Q(kind="refund"), credit_note=None),
                name="a_refund_has_its_credit_note",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.case}: {self.kind}"

    @property
    def in_words(self) -> str:
        """ "Refund, decided on 5 Apr 2024; the goods stay here and are ours again." """
        on = day(timezone.localdate(self.at))
        why = f" Why: {self.reason}." if self.reason else ""
        return f"{self.get_kind_display().capitalize()}, decided on {on}; the goods {self.get_goods_display()}.{why}"


class WarrantyRule(models.Model):
    """What the shop promises for goods of a kind. A change is a new row: what was promised once stays on record.

    For one kind of goods (how they were sold, condition, grade) the latest row speaks, from the moment it was made;
    `ended` says that from then on there is no promise for just that kind. Of the kinds that fit a valve the narrowest
    speaks.
    """

    class SoldAs(models.TextChoices):
        TESTED = "tested", "tested and graded"
        UNTESTED = "untested", "untested, as received"
        SEALED = "sealed", "in sealed packs"

    sold_as = models.CharField("for what is sold", max_length=8, choices=SoldAs.choices)
    condition = models.CharField(
        "of this condition", max_length=12, choices=Line.Condition.choices, blank=True, help_text="Empty: of any."
    )
    grade = models.CharField(
        "of this grade", max_length=40, blank=True, help_text="By its name in the policy. Empty: of any."
    )
    days = models.PositiveSmallIntegerField(
        "days from despatch for a fault", validators=[MaxValueValidator(7300)], help_text="0: faults are not covered."
    )
    covers: models.JSONField[Any, Any] = models.JSONField("faults that it covers", default=list)
    unwanted_days = models.PositiveSmallIntegerField(
        "days to send back what is not wanted",
        default=0,
        validators=[MaxValueValidator(7300)],
        help_text="0: not taken back without a fault.",
    )
    matters_percent = models.FloatField(
        "a change that matters, %",
        default=10,
        validators=[MinValueValidator(0.5), MaxValueValidator(50)],
        help_text="A valve whose figures are sure to be within this of what was sent is unchanged.",
    )
    words = models.CharField("as the buyer is told it", max_length=300, blank=True)
    ended = models.BooleanField("no promise from now on", default=False)
    made_at = models.DateTimeField(default=timezone.now, db_index=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-made_at", "-id"]

    def __str__(self) -> str:
        of = [self.get_condition_display() if self.condition else "", f"grade {self.grade}" if self.grade else ""]
        return ", ".join(filter(None, [self.get_sold_as_display(), *of]))

    @property
    def kind(self) -> tuple[str, str, str]:
        return self.sold_as, self.condition, self.grade

    @property
    def covers_in_words(self) -> str:
        labels = dict(Return.Complaint.choices)
        return "; ".join(str(labels[one]) for one in self.covers if one in labels)
