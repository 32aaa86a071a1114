"""Files that people sent, kept from upload to import, and how each sender's columns and words are read."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.urls import reverse
from django.utils import timezone

from stockroom.models.goods import Lot, Supplier


class RememberedColumns(models.Model):
    """What a sender's headings mean, as somebody last said: by heading as it is remembered, the field it holds."""

    columns = models.JSONField(default=dict)
    decimal_mark = models.CharField(max_length=1, blank=True)
    changed_at = models.DateTimeField(auto_now=True)

    class Meta:
        abstract = True


class SupplierMapping(RememberedColumns):
    """What this supplier's headings and words mean, as somebody last said.

    `words` is by field ("type", "maker", "condition"), then by the supplier's word in plain small letters: our word
    for it.
    """

    supplier = models.OneToOneField(Supplier, on_delete=models.CASCADE, related_name="mapping")
    words = models.JSONField(default=dict)
    condition = models.CharField("condition where the file gives none", max_length=12, blank=True)

    def __str__(self) -> str:
        return f"columns of {self.supplier}"


class KeptFile(models.Model):
    """A file of rows: kept from upload to import, and afterwards as the record of what came.

    `parsed` is what `stockroom.files` read in it, so that no page reads it again. `choices` is what was chosen on the
    page of columns (`stockroom.files.layouts.FileChoices`).
    """

    name = models.CharField("name as sent", max_length=200)
    sha256 = models.CharField("SHA-256", max_length=64, db_index=True)
    data = models.BinaryField()
    parsed = models.BinaryField(null=True)
    choices = models.JSONField(default=dict)
    uploaded_at = models.DateTimeField(default=timezone.now, editable=False)
    uploaded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    imported_at = models.DateTimeField(null=True, editable=False)
    imported_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )

    class Meta:
        abstract = True
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.name


class ListFile(KeptFile):
    """A supplier's list: its columns and words are read as those of this supplier's lists are."""

    class Meta(KeptFile.Meta):
        abstract = True

    @property
    def supplier_key(self) -> int:
        raise NotImplementedError


class LotFile(ListFile):
    """A file of lines for a lot."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="files")
    line_count = models.PositiveIntegerField(null=True, editable=False)

    def get_absolute_url(self) -> str:
        return reverse("lot-import-columns", args=[self.lot.number, self.pk])

    @property
    def supplier_key(self) -> int:
        return self.lot.supplier_id
