"""What was asked for and not had."""

from __future__ import annotations

from django.core.validators import MinValueValidator
from django.db import models
from django.utils import timezone

from catalog.models import ValveType
from stockroom.models import Order


class LeftOut(models.Model):
    """Pieces that a customer went without, because the shop had none such."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="left_out")
    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, related_name="+")
    pieces = models.PositiveIntegerField(validators=[MinValueValidator(1)])
    asked = models.CharField(max_length=200)
    at = models.DateTimeField(default=timezone.now, db_index=True)

    class Meta:
        ordering = ["-at", "-id"]
        verbose_name_plural = "left out"


class SearchWithoutResult(models.Model):
    """So many searches of the public pages for these words found nothing that day."""

    on = models.DateField("day")
    words = models.CharField(max_length=40)
    times = models.PositiveIntegerField()

    class Meta:
        ordering = ["-on", "words"]
        verbose_name_plural = "searches without result"
        constraints = [models.UniqueConstraint(fields=["on", "words"], name="searches_are_counted_by_day_and_words")]
