"""What a tester said about a section of a valve. Rows here are written once and never changed."""

from __future__ import annotations

from functools import reduce
from operator import and_

from django.conf import settings
from django.contrib.auth.models import User
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Exists, OuterRef, Q
from django.urls import reverse
from django.utils import timezone

from catalog.models import TestPoint
from grading.metrology.quantities import CLAIMING, Quantity, numbers_of
from grading.models.append_only import AppendOnly, RefusesChange
from stockroom.models import Return, Valve
from stockroom.pure.written import moment

SETTLED = ("", "settled")  # the stabilities of a reading whose value may be used


class Tester(models.Model):
    """An instrument on the bench."""

    __test__ = False  # not a pytest class

    name = models.CharField(max_length=80, unique=True)
    serial_number = models.CharField(max_length=80, blank=True)
    note = models.TextField(blank=True)
    in_use = models.BooleanField(default=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("tester", args=[self.pk])

    def measures(self, quantity: str) -> bool:
        """Whether the record says that it reads this quantity (`Quantity`)."""
        return any(capability.quantity == quantity for capability in self.capabilities.all())

    @property
    def measures_in_words(self) -> str:
        return ", ".join(capability.get_quantity_display() for capability in self.capabilities.all())

    @property
    def is_scale_only(self) -> bool:
        """Of what a valve's electrodes do it reads emission on a scale, and nothing in mA or mA/V."""
        return self.measures(Quantity.EMISSION) and not any(self.measures(quantity) for quantity in CLAIMING)


class ShiftQuerySet(models.QuerySet["Shift"]):
    def running_for(self, by: User) -> Shift | None:
        """The shift that this person is on."""
        return self.select_related("tester", "operator").filter(operator=by, ended_at=None).first()


class Shift(models.Model):
    """One person at one tester for a stretch of work."""

    tester = models.ForeignKey(Tester, on_delete=models.PROTECT, related_name="shifts")
    operator = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="shifts")
    started_at = models.DateTimeField(default=timezone.now)
    ended_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    objects = ShiftQuerySet.as_manager()

    class Meta:
        ordering = ["-started_at"]
        constraints = [
            models.UniqueConstraint(fields=["operator"], condition=Q(ended_at=None), name="a_person_is_on_one_shift")
        ]

    def __str__(self) -> str:
        return f"{self.tester}, {self.operator}, {moment(timezone.localtime(self.started_at))}"


class ImportBatch(models.Model):
    """A file of readings that was taken in whole."""

    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64, unique=True)
    shift = models.ForeignKey(Shift, on_delete=models.PROTECT, related_name="imports")
    at = models.DateTimeField(default=timezone.now)
    rows = models.PositiveIntegerField()

    def __str__(self) -> str:
        return self.file_name


class ReadingQuerySet(RefusesChange, models.QuerySet["Reading"]):
    def current(self) -> ReadingQuerySet:
        """Neither superseded by a correction nor withdrawn, and taken since the valve last came back to the house.

        A correction that reads nothing withdraws the reading that it supersedes.
        """
        came_back_later = Return.objects.filter(valve=OuterRef("valve"), at__gte=OuterRef("taken_at"))
        nothing = {quantity.value: None for quantity in Quantity}
        withdrawn = Q(supersedes__isnull=False, shorted=False, noise="", **nothing)
        return self.filter(superseded_by=None).exclude(withdrawn).exclude(Exists(came_back_later))

    def latest_first(self) -> ReadingQuerySet:
        return self.order_by("valve", "section", "-taken_at", "-id")


def _not_negative() -> Q:
    """What flows one way only is not negative. A scale's divisions are the form's to check, and a voltage flows not."""
    flowing = [one for one in Quantity if one.facts.typed_in and one is not Quantity.ANODE_VOLTAGE]
    one_way = [one for one in flowing if not one.facts.signed]
    return reduce(and_, (Q(**{name.value: None}) | Q(**{f"{name.value}__gte": 0}) for name in one_way))


class Reading(AppendOnly):
    """One section of one valve at one test point.

    A value read as a short series while the valve warms up is the settled one, by the rule of
    `grading.metrology.settling`; the series stays beside it.

    A correction is a new row whose `supersedes` names the wrong one and whose `reason` says what was wrong.
    A trigger in the database refuses UPDATE and DELETE (grading/migrations/0002).
    """

    class Noise(models.TextChoices):
        NOT_HEARD = "", "not listened to"
        QUIET = "quiet", "quiet"
        SLIGHT = "slight", "slight"
        NOISY = "noisy", "noisy"

    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="readings")
    section = models.PositiveSmallIntegerField()
    test_point = models.ForeignKey(TestPoint, on_delete=models.PROTECT, related_name="readings")
    shift = models.ForeignKey(Shift, on_delete=models.PROTECT, related_name="readings")
    batch = models.ForeignKey(ImportBatch, on_delete=models.PROTECT, null=True, blank=True, related_name="readings")
    taken_at = models.DateTimeField(default=timezone.now, db_index=True)
    anode_current_ma = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    gm_ma_per_v = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    emission_scale = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    anode_voltage_v = models.FloatField(  # a stabiliser's alone: at another section the voltage is set, not read
        "voltage held", null=True, blank=True, validators=[MinValueValidator(0)]
    )
    series = models.JSONField(default=dict, blank=True)  # {"interval_s": 10, "anode_current_ma": [...], ...}
    stability = models.CharField(max_length=20, blank=True)  # of a series, by `grading.metrology.settling.Stability`
    shorted = models.BooleanField(default=False)
    short_between = models.CharField(max_length=80, blank=True)
    heater_cathode_leakage_ua = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    grid_current_ua = models.FloatField(null=True, blank=True)  # reverse grid current: gas, or emission
    noise = models.CharField(max_length=6, choices=Noise.choices, blank=True)
    remark = models.CharField(max_length=200, blank=True)
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    reason = models.CharField("why it is corrected", max_length=200, blank=True)

    objects = ReadingQuerySet.as_manager()

    class Meta:
        ordering = ["-taken_at", "-id"]
        indexes = [models.Index(fields=["valve", "section", "-taken_at"], name="readings_of_a_section")]
        constraints = [
            models.CheckConstraint(condition=Q(supersedes=None) | ~Q(reason=""), name="a_correction_says_why"),
            models.CheckConstraint(
                condition=_not_negative(),
                name="readings_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(anode_voltage_v=None) | Q(anode_voltage_v__gte=0), name="voltage_held_not_negative"
            ),
        ]

    @property
    def has_settled(self) -> bool:
        """A single reading, or a series that settled (`grading.metrology.settling.Stability`)."""
        return self.stability in SETTLED

    @property
    def on_a_scale_only(self) -> bool:
        """Emission was read, and nothing at a test point's settings."""
        read = numbers_of(self)
        return Quantity.EMISSION in read and not any(quantity in read for quantity in CLAIMING)

    def __str__(self) -> str:
        return f"{self.valve} section {self.section}, {moment(timezone.localtime(self.taken_at))}"
