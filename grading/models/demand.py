"""What the shop expects to sell of a type: so many singles, pairs, quads, each at its price."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from catalog.models import ValveType
from stockroom.models.orders import set_name
from stockroom.models.shop import MoneyField


class Demand(models.Model):
    """One line of the demand mix. Prices are in the home currency; `within_percent` is 0 for singles."""

    type = models.ForeignKey(ValveType, on_delete=models.CASCADE, related_name="demands")
    size = models.PositiveSmallIntegerField(
        "pieces in each", default=1, validators=[MinValueValidator(1), MaxValueValidator(12)]
    )
    within_percent = models.FloatField(
        "within %", default=0, validators=[MinValueValidator(0), MaxValueValidator(100)], help_text="0 for singles."
    )
    price = MoneyField("price each", validators=[MinValueValidator(0)])
    wanted = models.PositiveIntegerField("how many")

    class Meta:
        ordering = ["type", "size", "within_percent"]
        constraints = [
            models.UniqueConstraint(fields=["type", "size", "within_percent"], name="one_demand_of_a_kind"),
        ]

    def __str__(self) -> str:
        return set_name(self.size) + (f" within {self.within_percent:g} %" if self.size > 1 else "")
