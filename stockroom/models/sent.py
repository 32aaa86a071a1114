"""What was sent and done, so that it is not done twice."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.utils import timezone


class SentForm(models.Model):
    """A form that was sent and done (`stockroom.site.attempts`). `answer` is where the person was sent then."""

    key = models.CharField(max_length=64, unique=True)
    answer = models.CharField(max_length=500, blank=True)
    at = models.DateTimeField(default=timezone.now, db_index=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.SET_NULL, null=True, related_name="+")
