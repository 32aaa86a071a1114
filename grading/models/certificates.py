"""Certificates as they were issued, and the keys that signed them."""

from __future__ import annotations

import secrets

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from grading.models.append_only import AppendOnly, RefusesChange
from grading.models.policies import Grade
from grading.models.sets import MatchedSet
from stockroom.models import Valve
from stockroom.pure.written import day

TOKEN_BYTES = 16  # 128 bits: nobody comes upon the page of a certificate by guessing


def new_token() -> str:
    return secrets.token_urlsafe(TOKEN_BYTES)


class SigningKey(models.Model):
    """The public half of a key that signs certificates; its secret half is a file (`grading.issued.keys`).

    Keys stay when they are retired, so that what they signed can be checked. `compromised_from`: somebody else may
    have signed with it since then, and for want of a trusted clock, with any date on what he signed.
    """

    kid = models.CharField("key", max_length=43, unique=True)  # its RFC 7638 thumbprint
    x = models.CharField(max_length=43)  # the 32 bytes of the public key in base64url, as RFC 8037 names and writes it
    in_use = models.BooleanField(default=True)
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    retired_at = models.DateTimeField(null=True)
    compromised_from = models.DateField(null=True)
    compromised_how = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["in_use"], condition=Q(in_use=True), name="one_key_signs"),
            models.CheckConstraint(
                condition=Q(in_use=True, retired_at=None, compromised_from=None)
                | Q(in_use=False, retired_at__isnull=False),
                name="a_key_not_in_use_says_since_when",
            ),
        ]

    def __str__(self) -> str:
        return self.kid

    @property
    def state_in_words(self) -> str:
        if self.compromised_from:
            return f"compromised from {day(self.compromised_from)}: what it signed proves nothing by itself"
        if self.retired_at:
            return f"retired on {day(timezone.localdate(self.retired_at))}; what it signed still counts"
        return "in use"


class IssuedCertificateQuerySet(RefusesChange, models.QuerySet["IssuedCertificate"]):
    pass


class IssuedCertificate(AppendOnly):
    """A certificate as it was issued: what it says, signed, and never changed. `payload` is what was signed.

    Whether it still stands is asked of the records (`grading.issued.validity`).
    """

    number = models.CharField(max_length=12, unique=True, editable=False)
    token = models.CharField(max_length=22, unique=True, default=new_token, editable=False)
    set = models.ForeignKey(MatchedSet, on_delete=models.PROTECT, null=True, related_name="certificates")
    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, null=True, related_name="certificates")
    grades = models.ManyToManyField(Grade, related_name="certificates")
    payload = models.TextField()
    key = models.ForeignKey(SigningKey, on_delete=models.PROTECT, related_name="certificates")
    signature = models.CharField(max_length=88)  # 64 bytes in base64
    paper_sha256 = models.CharField("SHA-256 of the PDF", max_length=64)
    issued_at = models.DateTimeField(default=timezone.now)
    issued_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    objects = IssuedCertificateQuerySet.as_manager()

    class Meta:
        ordering = ["-issued_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(set=None, valve__isnull=False) | Q(set__isnull=False, valve=None),
                name="a_certificate_is_of_a_set_or_of_a_valve",
            )
        ]

    def __str__(self) -> str:
        return self.number

    def get_absolute_url(self) -> str:
        return reverse("issued-certificate", args=[self.token])


class Withdrawal(models.Model):
    """The shop takes its word back: a certificate that its records alone would let stand."""

    certificate = models.OneToOneField(IssuedCertificate, on_delete=models.PROTECT, related_name="withdrawal")
    because = models.CharField("why, as the public is told", max_length=200)
    at = models.DateTimeField(default=timezone.now, editable=False)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )

    def __str__(self) -> str:
        return f"{self.certificate} withdrawn: {self.because}"
