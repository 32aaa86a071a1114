"""What the public is shown, and at what price."""

from __future__ import annotations

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.urls import reverse
from django.utils import timezone

from stockroom.models.goods import Valve
from stockroom.models.shop import CurrencyField, MoneyField


class ListingQuerySet(models.QuerySet["Listing"]):
    def live(self) -> ListingQuerySet:
        return self.filter(ended_at=None)

    def for_public_display(self) -> ListingQuerySet:
        """Listed, and none of its valves set aside for somebody."""
        return self.live().exclude(listed__valve__allocations__live=True)


class Listing(models.Model):
    """A priced public page for one valve, one matched set, or sealed packs of one lot.

    Where `untested`, nobody has graded the valve: it is sold as it was received, and the listing ends with a grade.
    """

    number = models.CharField(max_length=12, unique=True, editable=False)
    title = models.CharField(max_length=120)
    text = models.TextField("description", blank=True)
    price = MoneyField(validators=[MinValueValidator(0)])
    currency = CurrencyField()
    listed_at = models.DateTimeField(default=timezone.now, editable=False)
    listed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    untested = models.BooleanField(default=False, editable=False)
    ended_at = models.DateTimeField(null=True, editable=False)
    ended_because = models.CharField(max_length=200, blank=True, editable=False)  # where it was not simply ended

    objects = ListingQuerySet.as_manager()

    class Meta:
        ordering = ["-listed_at", "-number"]

    def __str__(self) -> str:
        return self.title

    def get_absolute_url(self) -> str:
        return reverse("item", args=[self.number])


class ListedValve(models.Model):
    """A valve on a listing. The database refuses a second live listing for the same valve."""

    listing = models.ForeignKey(Listing, on_delete=models.PROTECT, related_name="listed")
    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="listings")
    live = models.BooleanField(default=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["valve"], condition=models.Q(live=True), name="a_valve_is_on_one_live_listing"
            )
        ]


class Repricing(models.Model):
    """A listing was asked for at `before` until `at`, and at `after` from then on. Written once; a trigger refuses to
    change it. A listing without any was always asked for at the price it has."""

    listing = models.ForeignKey(Listing, on_delete=models.PROTECT, related_name="repricings")
    before = MoneyField()
    after = MoneyField()
    because = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["at", "id"]
