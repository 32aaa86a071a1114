"""What the shop calls good, version by version, and the grades given under it."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import models
from django.urls import reverse
from django.utils import timezone

from grading.metrology.quantities import Quantity
from grading.models.readings import Reading
from grading.verdicts.pure.rules import PolicyRules as Rules
from grading.verdicts.pure.rules import read_policy
from stockroom.models import Valve
from stockroom.pure.written import percent, plural

ALL_BUT_SURE = 0.9995  # from here on one decimal would say 100.0 %, which no measurement can


class Policy(models.Model):
    """One version of the grading policy. `rules` is data; a new version is a new row."""

    version = models.PositiveIntegerField(unique=True)
    title = models.CharField(max_length=120)
    rules = models.JSONField()
    in_force = models.BooleanField(default=False)
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-version"]
        verbose_name_plural = "policies"
        constraints = [
            models.UniqueConstraint(fields=["in_force"], condition=models.Q(in_force=True), name="one_policy_in_force")
        ]

    def __str__(self) -> str:
        return f"policy {self.version}, {self.title}"

    def get_absolute_url(self) -> str:
        return reverse("policy", args=[self.version])

    @property
    def parsed(self) -> Rules:
        return read_policy(self.rules)

    @classmethod
    def current(cls) -> Policy:
        return cls.objects.get(in_force=True)


class Grade(models.Model):
    """The judgement of a valve by a policy, with the readings it rests on and its reasons in words.

    `rank` is 1 for the policy's best grade. A valve has one current grade; older ones stay.
    """

    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="grades")
    policy = models.ForeignKey(Policy, on_delete=models.PROTECT, related_name="grades")
    name = models.CharField(max_length=40)
    rank = models.PositiveSmallIntegerField()
    saleable = models.BooleanField()
    reasons = models.JSONField(default=list)
    too_close = models.BooleanField("the grade above is too close to call", default=False)
    more_readings = models.PositiveIntegerField(null=True)
    assurance = models.FloatField("least probability of conformance", null=True)
    not_tested = models.JSONField(default=list)  # what nobody looked for, in words
    measured = models.JSONField(default=list)  # `grading.verdicts.values.Value`, one a section and quantity
    readings = models.ManyToManyField(Reading, related_name="grades")
    given_at = models.DateTimeField(default=timezone.now)
    given_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    current = models.BooleanField(default=True)

    class Meta:
        ordering = ["-given_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["valve"], condition=models.Q(current=True), name="one_current_grade")
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def measured_columns(self) -> list[dict[str, Any]]:
        """`measured`, each row with what heads a column of its quantity: "gm, mA/V"."""
        return [{**row, "column": Quantity(row["quantity"]).column} for row in self.measured]

    @property
    def how_well_known(self) -> str:
        if self.assurance is None:
            return "How well it is known"
        least = f"of {percent(self.assurance)} or more" if self.assurance < ALL_BUT_SURE else "above 99.9 %"
        return f"How well it is known: each demand is met with a probability {least}"

    @property
    def read_again(self) -> str:
        """What to do where the grade above is too close to call."""
        if not self.more_readings:
            return "Too close to call for the grade above, and reading it again would not settle it."
        # A later shift starts afresh: what was read in this one is then not averaged with what is read there.
        afresh = self.more_readings + max((row["readings"] for row in self.measured), default=1)
        return (
            f"Too close to call for the grade above: read it again, {plural(self.more_readings, 'more time')} in the "
            f"same shift, or {plural(afresh, 'time')} in a later one."
        )
