"""What somebody who looked at a listing asked for: the draft of an order, until the shop has looked at it."""

from __future__ import annotations

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from stockroom.models.listings import Listing
from stockroom.models.orders import Order

MOST_ASKED_FOR = 1000


class EnquiryQuerySet(models.QuerySet["Enquiry"]):
    def waiting(self) -> EnquiryQuerySet:
        return self.filter(answered_at=None)


class Enquiry(models.Model):
    """Somebody asks about a listing, or asks to buy it. The shop takes it as an order, or declines it.

    `sender` tells one machine's enquiries from another's without keeping its address.
    """

    listing = models.ForeignKey(Listing, on_delete=models.PROTECT, related_name="enquiries")
    name = models.CharField("your name", max_length=120)
    email = models.EmailField("your e-mail")
    message = models.TextField(max_length=2000, blank=True)
    quantity = models.PositiveSmallIntegerField(
        "how many", default=1, validators=[MinValueValidator(1), MaxValueValidator(MOST_ASKED_FOR)]
    )
    sent_at = models.DateTimeField(default=timezone.now, editable=False, db_index=True)
    sender = models.CharField(max_length=32, editable=False)
    answered_at = models.DateTimeField(null=True, editable=False)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    order = models.ForeignKey(Order, on_delete=models.PROTECT, null=True, related_name="enquiries", editable=False)
    declined_because = models.CharField("why it is declined", max_length=200, blank=True)

    objects = EnquiryQuerySet.as_manager()

    class Meta:
        ordering = ["-sent_at", "-id"]
        verbose_name_plural = "enquiries"
        constraints = [
            models.CheckConstraint(
                condition=Q(answered_at=None, order=None, declined_because="")
                | Q(answered_at__isnull=False, order__isnull=False, declined_because="")
                | Q(answered_at__isnull=False, order=None) & ~Q(declined_because=""),
                name="an_enquiry_is_taken_or_declined_with_a_reason",
            )
        ]

    def __str__(self) -> str:
        return f"{self.name} about {self.listing.number}"

    def get_absolute_url(self) -> str:
        return reverse("enquiry", args=[self.pk])
