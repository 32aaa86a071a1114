"""Files of lot lines that suppliers sent, and how each supplier's columns and words are read."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.urls import reverse
from django.utils import timezone

from stockroom.models.goods import Lot, Supplier


class SupplierMapping(models.Model):
    """What this supplier's headings and words mean, as somebody last said.

    `columns` is by heading in plain small letters: the field it holds. `words` is by field ("type", "maker",
    "condition"), then by the supplier's word in plain small letters: our word for it.
    """

    supplier = models.OneToOneField(Supplier, on_delete=models.CASCADE, related_name="mapping")
    columns = models.JSONField(default=dict)
    words = models.JSONField(default=dict)
    decimal_mark = models.CharField(max_length=1, blank=True)
    condition = models.CharField("condition where the file gives none", max_length=12, blank=True)
    changed_at = models.DateTimeField(auto_now=True)

    def __str__(self) -> str:
        return f"columns of {self.supplier}"


class LotFile(models.Model):
    """A file of lines for a lot: kept from upload to commit, and afterwards as the record of what came.

    `choices` is what was chosen on the mapping page (`stockroom.receiving.list_import.Choices`).
    """

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="files")
    name = models.CharField("name as sent", max_length=200)
    sha256 = models.CharField("SHA-256", max_length=64, db_index=True)
    data = models.BinaryField()
    choices = models.JSONField(default=dict)
    uploaded_at = models.DateTimeField(default=timezone.now, editable=False)
    uploaded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    imported_at = models.DateTimeField(null=True, editable=False)
    imported_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    line_count = models.PositiveIntegerField(null=True, editable=False)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("lot-import-columns", args=[self.lot.number, self.pk])
