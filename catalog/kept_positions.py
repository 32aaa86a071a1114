"""Positions that somebody described once, to be asked about again; and common ones as examples."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.urls import reverse

from catalog.physics.positions import ROLES, Position, details_of, from_details


class KeptPosition(models.Model):
    """`details` are the fields of `catalog.physics.positions.Position` that differ from a plain one."""

    name = models.CharField(max_length=120, unique=True)
    made_for = models.ForeignKey("catalog.ValveType", on_delete=models.PROTECT, related_name="positions")
    role = models.CharField(max_length=30, choices=list(ROLES.items()))
    details = models.JSONField(default=dict)
    note = models.CharField(max_length=300, blank=True)
    is_example = models.BooleanField(default=False)  # ours, loaded with the types; an invented set
    described_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    described_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering = ["is_example", "made_for__designation", "name"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("position", args=[self.pk])

    @property
    def position(self) -> Position:
        """Raises ValueError where the details are not those of a position."""
        return from_details(self.made_for.designation, self.role, self.details)

    def describe(self, position: Position) -> None:
        self.role, self.details = position.role, details_of(position)
