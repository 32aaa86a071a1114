"""The books: entries and their postings, written once. Triggers refuse UPDATE and DELETE (stockroom/migrations)."""

from __future__ import annotations

from decimal import Decimal

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.utils import timezone

from stockroom.ledger.pure.double_entry import ABOUT, About, Account
from stockroom.models.goods import Line, Lot, Valve
from stockroom.models.orders import Order

PLACES = 3  # of what is kept: as many as `MoneyField` has


def in_thousandths(amount: Decimal) -> int:
    """
    Raises:
        ValueError: the amount is finer than that.

    >>> in_thousandths(Decimal("-12.34"))
    -12340
    """
    units = amount.scaleb(PLACES)
    if units != int(units):
        raise ValueError(f"{amount} is finer than a thousandth.")
    return int(units)


def from_thousandths(units: int | Decimal | None) -> Decimal:
    """What a sum in the database says, as an amount; nothing where there was nothing to add up.

    >>> from_thousandths(-12340), from_thousandths(None)
    (Decimal('-12.340'), Decimal('0.000'))
    """
    return Decimal(int(units or 0)).scaleb(-PLACES)


class LedgerEntry(models.Model):
    """What happened, and when it counts. Its postings add up to nothing."""

    on = models.DateField("day", default=timezone.localdate, db_index=True)
    text = models.CharField(max_length=200)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-on", "-id"]
        verbose_name_plural = "ledger entries"

    def __str__(self) -> str:
        return self.text


class Posting(models.Model):
    """An amount on an account, in the home currency: a debit above nothing, a credit below.

    It is kept in thousandths, as a whole number: SQLite adds decimals up as binary floating point. `pieces` is how
    many came to its line's stock or, below nothing, went from it, and on the other side that a valve left; nothing in
    books of before they were counted.

    The books outlive a lot or a line that was taken off them, so these two keys bind nothing.
    """

    entry = models.ForeignKey(LedgerEntry, on_delete=models.PROTECT, related_name="postings")
    account = models.CharField(max_length=20, db_index=True)
    thousandths = models.BigIntegerField()
    pieces = models.IntegerField(null=True)
    lot = models.ForeignKey(Lot, on_delete=models.DO_NOTHING, db_constraint=False, null=True, related_name="+")
    line = models.ForeignKey(Line, on_delete=models.DO_NOTHING, db_constraint=False, null=True, related_name="+")
    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, null=True, related_name="+")
    order = models.ForeignKey(Order, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.about.name} {self.amount}"

    @property
    def amount(self) -> Decimal:
        return from_thousandths(self.thousandths)

    @property
    def about(self) -> About:
        return ABOUT[Account(self.account)]

    @property
    def debit(self) -> Decimal | None:
        return self.amount if self.amount > 0 else None

    @property
    def credit(self) -> Decimal | None:
        return -self.amount if self.amount < 0 else None


class OrderRate(models.Model):
    """What a sale in another currency is worth at home: home currency per unit of the order's."""

    order = models.OneToOneField(Order, on_delete=models.PROTECT, related_name="home_rate")
    rate = models.DecimalField(
        max_digits=16, decimal_places=10, validators=[MinValueValidator(Decimal("0.0000000001"))]
    )
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [models.CheckConstraint(condition=models.Q(rate__gt=0), name="an_order_rate_is_above_nothing")]
