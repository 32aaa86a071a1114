"""Files of readings that testers wrote, and how the columns of each tester's files are read."""

from __future__ import annotations

from django.db import models
from django.urls import reverse

from grading.models.readings import ImportBatch, Tester
from stockroom.models.imports import KeptFile, RememberedColumns


class TesterMapping(RememberedColumns):
    """What the headings of this tester's files mean, as somebody last said."""

    __test__ = False  # not a pytest class

    tester = models.OneToOneField(Tester, on_delete=models.CASCADE, related_name="mapping")

    def __str__(self) -> str:
        return f"columns of {self.tester}"


class ReadingsFile(KeptFile):
    """A file of readings; `batch` is what it became."""

    tester = models.ForeignKey(Tester, on_delete=models.PROTECT, null=True, related_name="files")
    read_on = models.DateField(null=True)
    batch = models.OneToOneField(ImportBatch, on_delete=models.PROTECT, null=True, related_name="file")

    def get_absolute_url(self) -> str:
        return reverse("readings-import-columns", args=[self.pk])
