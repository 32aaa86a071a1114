"""What is wrong with a delivery, what the supplier is asked for it, and what came of that."""

from __future__ import annotations

from decimal import Decimal

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType
from stockroom.models.goods import Line, Lot
from stockroom.models.shop import CurrencyField, MoneyField
from stockroom.pure.money import shown


class FaultKind(models.TextChoices):
    SHORT = "short", "short"
    OVER = "over", "over"
    WRONG_TYPE = "wrong type", "wrong type"
    BROKEN = "broken", "broken"
    SENT_BACK = "sent back", "sent back"


class Fault(models.Model):
    """Pieces of a line that came, but as another type, or broken. Short and over follow from the count."""

    KINDS = [(kind.value, kind.label) for kind in (FaultKind.WRONG_TYPE, FaultKind.BROKEN)]

    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="faults")
    kind = models.CharField(max_length=10, choices=KINDS)
    pieces = models.PositiveIntegerField(validators=[MinValueValidator(1)])
    found_type = models.ForeignKey(ValveType, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    note = models.CharField(max_length=200, blank=True)
    booked_in = models.ForeignKey(Line, on_delete=models.PROTECT, null=True, related_name="+")
    written_off_at = models.DateTimeField(null=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    withdrawn_at = models.DateTimeField(null=True)
    withdrawn_because = models.CharField("why it is withdrawn", max_length=200, blank=True)

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(pieces__gte=1), name="a_fault_is_of_some_pieces"),
            models.CheckConstraint(
                condition=Q(withdrawn_at=None) | ~Q(withdrawn_because=""), name="a_withdrawn_fault_says_why"
            ),
        ]

    def __str__(self) -> str:
        as_what = f" ({self.found_type})" if self.found_type else ""
        return f"{self.pieces} {self.kind}{as_what}"

    @property
    def is_out_of_its_line(self) -> bool:
        return self.booked_in_id is not None or self.written_off_at is not None


class Claim(models.Model):
    """A sheet for the supplier. Its rows are written once, with it; a mistaken claim is withdrawn, and another made."""

    number = models.CharField(max_length=12, unique=True, editable=False)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="claims")
    reference = models.CharField("invoice or their reference", max_length=80, blank=True)
    text = models.TextField("words to the supplier", blank=True)
    currency = CurrencyField()
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )

    class Meta:
        ordering = ["-made_at", "-number"]

    def __str__(self) -> str:
        return self.number

    def get_absolute_url(self) -> str:
        return reverse("claim", args=[self.number])

    @property
    def amount(self) -> Decimal:
        """All that is asked for."""
        return sum((row.amount for row in self.rows.all()), Decimal(0))

    @property
    def state(self) -> str:
        """The last step, in a word; `credited` once money or a credit note has come."""
        steps = list(self.steps.all())
        last = steps[-1].kind if steps else "made"
        if last != ClaimStep.Kind.WITHDRAWN and any(credit.stands for credit in self.credits.all()):
            return "credited"
        return last

    @property
    def is_withdrawn(self) -> bool:
        return any(step.kind == ClaimStep.Kind.WITHDRAWN for step in self.steps.all())


class ClaimRow(models.Model):
    """So many pieces of a line, and their part of what the goods cost."""

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="rows")
    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="claim_rows")
    kind = models.CharField(max_length=10, choices=FaultKind.choices)
    pieces = models.PositiveIntegerField(validators=[MinValueValidator(1)])
    amount = MoneyField(validators=[MinValueValidator(0)])
    note = models.CharField(max_length=300, blank=True)
    fault = models.ForeignKey(Fault, on_delete=models.PROTECT, null=True, related_name="claim_rows")

    class Meta:
        ordering = ["line__number", "id"]
        constraints = [models.CheckConstraint(condition=Q(amount__gte=0, pieces__gte=1), name="a_claim_row_asks")]


class ClaimStep(models.Model):
    """What became of a claim, step by step."""

    class Kind(models.TextChoices):
        SENT = "sent", "sent to the supplier"
        AGREED = "agreed", "agreed"
        REFUSED = "refused", "refused by the supplier"
        WITHDRAWN = "withdrawn", "withdrawn"

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="steps")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    on = models.DateField("day", default=timezone.localdate)
    amount = MoneyField("amount agreed", null=True, blank=True, validators=[MinValueValidator(0)])
    note = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind="agreed") | Q(amount__gte=0, amount__isnull=False), name="agreed_on_an_amount"
            )
        ]

    @property
    def in_words(self) -> str:
        agreed = "" if self.amount is None else f" on {shown(self.amount, self.claim.currency)}"
        return f"{self.get_kind_display()}{agreed}{f': {self.note}' if self.note else ''}"


class Credit(models.Model):
    """Money that came back. It lowers the cost of the lot; `rate` is home currency per unit of its own.

    A mistaken one is struck out, with the reason, and no longer counts.
    """

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="credits")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="credits")
    amount = MoneyField(validators=[MinValueValidator(Decimal("0.001"))])
    currency = CurrencyField()
    rate = models.DecimalField(
        max_digits=16, decimal_places=10, default=Decimal(1), validators=[MinValueValidator(Decimal("0.0000000001"))]
    )
    on = models.DateField("day", default=timezone.localdate)
    note = models.CharField("credit note or payment", max_length=120, blank=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    struck_at = models.DateTimeField(null=True)
    struck_because = models.CharField("why it is struck out", max_length=200, blank=True)

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0, rate__gt=0), name="a_credit_is_above_nothing"),
            models.CheckConstraint(
                condition=Q(struck_at=None) | ~Q(struck_because=""), name="a_struck_credit_says_why"
            ),
        ]

    @property
    def stands(self) -> bool:
        return self.struck_at is None
