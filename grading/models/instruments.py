"""Testers as instruments: what they measure and how well, their own conditions, studies, checks and stops.

The observations here (`StudyReading`, `ReferenceCheck`) are append-only like readings: a correction is a new row
that names the wrong one, and a trigger in the database refuses UPDATE and DELETE (grading/migrations/0003).
"""

from __future__ import annotations

from math import pi, sqrt

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from catalog.models import TestPoint, dialled_in
from grading.metrology.quantities import Quantity
from grading.models.append_only import AppendOnly, AppendOnlyQuerySet
from grading.models.readings import Reading, Shift, Tester
from stockroom.models import Valve
from stockroom.pure.written import day, moment, plain


def _quantity() -> models.CharField:
    return models.CharField(max_length=30, choices=Quantity.choices())


def _person(related_name: str = "+") -> models.ForeignKey:
    return models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name=related_name)


class Observation(AppendOnly):
    """A value read once. `taken_at` is when the valve was read: a correction keeps the time of what it corrects."""

    value = models.FloatField()
    taken_at = models.DateTimeField(default=timezone.now, db_index=True)
    recorded_at = models.DateTimeField(default=timezone.now)
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    reason = models.CharField("why it is corrected", max_length=200, blank=True)

    objects = AppendOnlyQuerySet.as_manager()

    class Meta(AppendOnly.Meta):
        abstract = True
        constraints = [
            models.CheckConstraint(condition=Q(supersedes=None) | ~Q(reason=""), name="%(class)s_correction_says_why"),
        ]


# What an instrument is


class Capability(models.Model):
    """One quantity that a tester reads.

    `resolution` is the step of its display, in the quantity's unit. The stated accuracy is a limit either way,
    in per cent of the reading and as an amount; empty where the maker of the instrument states none.
    `scale_pass_at` is the good mark of a scale that has no unit.
    """

    tester = models.ForeignKey(Tester, on_delete=models.CASCADE, related_name="capabilities")
    quantity = _quantity()
    resolution = models.FloatField()
    accuracy_percent = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    accuracy_absolute = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    scale_pass_at = models.FloatField("good from", null=True, blank=True)

    class Meta:
        ordering = ["tester", "id"]
        verbose_name_plural = "capabilities"
        constraints = [
            models.UniqueConstraint(fields=["tester", "quantity"], name="one_capability_per_quantity"),
            models.CheckConstraint(condition=Q(resolution__gt=0), name="resolution_positive"),
            models.CheckConstraint(
                condition=Q(quantity=Quantity.EMISSION.value, scale_pass_at__isnull=False)
                | (~Q(quantity=Quantity.EMISSION.value) & Q(scale_pass_at=None)),
                name="a_scale_and_nothing_else_has_a_good_mark",
            ),
            models.CheckConstraint(
                condition=(Q(accuracy_percent=None) | Q(accuracy_percent__gte=0))
                & (Q(accuracy_absolute=None) | Q(accuracy_absolute__gte=0)),
                name="accuracy_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.tester}, {self.of.label}"

    @property
    def of(self) -> Quantity:
        return Quantity(self.quantity)

    @property
    def unit(self) -> str:
        return self.of.unit

    @property
    def accuracy_stated(self) -> bool:
        return self.accuracy_percent is not None or self.accuracy_absolute is not None

    @property
    def accuracy_in_words(self) -> str:
        """ "2 % of the reading and 0.05 mA", the limit either way; nothing where none is stated."""
        parts = []
        if self.accuracy_percent is not None:
            parts.append(f"{plain(self.accuracy_percent)} % of the reading")
        if self.accuracy_absolute is not None:
            parts.append(self.of.shown(self.accuracy_absolute))
        return " and ".join(parts)

    def passes(self, value: float) -> bool:
        """Whether a reading on the scale is at the good mark or beyond. Raises ValueError for another quantity."""
        if self.scale_pass_at is None:
            raise ValueError(f"{self.of.label} is no scale with a good mark.")
        return value >= self.scale_pass_at


class Calibration(models.Model):
    """The tester was compared with something better. `by` is whoever did it, in words."""

    tester = models.ForeignKey(Tester, on_delete=models.PROTECT, related_name="calibrations")
    done_on = models.DateField()
    due_on = models.DateField("next due on")
    by = models.CharField("done by", max_length=120)
    certificate_number = models.CharField(max_length=60, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["-done_on", "-id"]
        constraints = [
            models.CheckConstraint(condition=Q(due_on__gt=models.F("done_on")), name="calibration_due_after_done"),
        ]

    def __str__(self) -> str:
        return f"{self.tester}, calibrated {day(self.done_on)}"


class CalibrationValue(models.Model):
    """What a calibration found of one quantity: what to add to a reading, and how well that is known.

    Each has a part in per cent of the reading and a part in the quantity's unit. A reading is corrected by
    `reading * correction_percent / 100 + correction_absolute` (JCGM 100, 3.2.3: what is known to be wrong is
    corrected; from memory).
    """

    calibration = models.ForeignKey(Calibration, on_delete=models.CASCADE, related_name="values")
    quantity = _quantity()
    standard_uncertainty_percent = models.FloatField(validators=[MinValueValidator(0)])
    standard_uncertainty_absolute = models.FloatField(default=0.0, validators=[MinValueValidator(0)])
    correction_percent = models.FloatField(default=0.0)
    correction_absolute = models.FloatField(default=0.0)
    degrees_of_freedom = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(1)], help_text="Empty when they are infinite."
    )

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["calibration", "quantity"], name="one_calibration_value_per_quantity"),
            models.CheckConstraint(
                condition=Q(standard_uncertainty_percent__gte=0)
                & (Q(degrees_of_freedom=None) | Q(degrees_of_freedom__gte=1)),
                name="calibration_value_possible",
            ),
            models.CheckConstraint(
                condition=Q(standard_uncertainty_absolute__gte=0), name="calibration_amount_not_negative"
            ),
        ]

    @property
    def of(self) -> Quantity:
        return Quantity(self.quantity)

    def corrected(self, value: float) -> float:
        """The reading as it would be, had the tester no error that the calibration found."""
        return value * (1 + self.correction_percent / 100) + self.correction_absolute

    @property
    def u_in_words(self) -> str:
        return self._both(f"{self.standard_uncertainty_percent:g}", self.standard_uncertainty_absolute)

    @property
    def correction_in_words(self) -> str:
        """ "+2 % of the reading and −0.01 mA"; nothing where there is none."""
        if not self.correction_percent and not self.correction_absolute:
            return ""
        return self._both(f"{self.correction_percent:+g}", self.correction_absolute, "+").replace("-", "−")

    def _both(self, percent: str, absolute: float, sign: str = "") -> str:
        amount = f" and {absolute:{sign}.6g} {self.of.unit}" if absolute else ""
        return f"{percent} % of the reading{amount}"


# Where it does not do as the sheet does


class TesterCondition(models.Model):
    """How this tester sets up a section since `since`, where that is not as the data sheet says.

    Rows are history: the latest one up to a reading's time is what the reading was taken at. `AS_SHEET` ends a
    difference, and its voltages are not used.
    """

    __test__ = False  # not a pytest class

    class JudgedBy(models.TextChoices):
        CONVERTED = "converted", "converted to the data sheet's conditions"
        HOUSE = "house nominal", "beside a house nominal"
        AS_SHEET = "sheet", "as the data sheet"

    tester = models.ForeignKey(Tester, on_delete=models.PROTECT, related_name="conditions")
    test_point = models.ForeignKey(TestPoint, on_delete=models.PROTECT, related_name="tester_conditions")
    anode_voltage_v = models.FloatField(null=True, validators=[MinValueValidator(0)])
    screen_voltage_v = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    grid_voltage_v = models.FloatField(null=True, blank=True)
    cathode_resistor_ohm = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    heater_voltage_v = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])  # None: the sheet's
    judged_by = models.CharField(max_length=14, choices=JudgedBy.choices)
    note = models.CharField(max_length=200, blank=True)
    since = models.DateTimeField(default=timezone.now)
    by = _person()

    class Meta:
        ordering = ["-since", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(grid_voltage_v=None) | Q(cathode_resistor_ohm=None), name="bias_is_of_one_kind"
            ),
            models.CheckConstraint(
                condition=Q(judged_by="sheet") | Q(anode_voltage_v__isnull=False), name="a_difference_is_written_out"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.tester}, {self.test_point.section}: {self.in_words}"

    @property
    def in_words(self) -> str:
        """The settings in the order they are dialled in, as a test point writes them."""
        if self.judged_by == self.JudgedBy.AS_SHEET:
            return self.test_point.conditions
        heater = "" if self.heater_voltage_v is None else f", heater {self.heater_voltage_v:g} V"
        return dialled_in(self) + heater


class HouseNominal(models.Model):
    """What the shop's own good, unused valves read on this tester: `grading.testers.house_nominals` learns it, and has
    the rule.

    A new row takes the place of the last one for the same tester, conditions and quantity; the old ones stay.
    `condition` is empty where the tester does as the sheet does. `readings` are what it was learnt from.
    """

    tester = models.ForeignKey(Tester, on_delete=models.PROTECT, related_name="house_nominals")
    test_point = models.ForeignKey(TestPoint, on_delete=models.PROTECT, related_name="house_nominals")
    condition = models.ForeignKey(TesterCondition, on_delete=models.PROTECT, null=True, related_name="house_nominals")
    quantity = _quantity()
    median = models.FloatField()
    spread = models.FloatField("robust standard deviation")
    count = models.PositiveIntegerField()
    readings = models.ManyToManyField(Reading, related_name="house_nominals")
    learnt_at = models.DateTimeField(default=timezone.now)
    by = _person()

    class Meta:
        ordering = ["-learnt_at", "-id"]

    def __str__(self) -> str:
        return f"{self.of.label} {self.of.shown(self.median)}, {self.count} valves"

    def get_absolute_url(self) -> str:
        return reverse("house-nominal", args=[self.pk])

    @property
    def of(self) -> Quantity:
        return Quantity(self.quantity)

    @property
    def unit(self) -> str:
        return self.of.unit

    @property
    def standard_uncertainty(self) -> float:
        """Of the median of normal values: sqrt(pi / 2) s / sqrt(n) (from memory)."""
        return sqrt(pi / 2) * self.spread / sqrt(self.count)


# How well it repeats


class Study(models.Model):
    """A crossed study: every operator reads every valve so many times, in an order drawn by `seed`."""

    tester = models.ForeignKey(Tester, on_delete=models.PROTECT, related_name="studies")
    quantity = _quantity()
    test_point = models.ForeignKey(TestPoint, on_delete=models.PROTECT, related_name="studies")
    repeats = models.PositiveSmallIntegerField(validators=[MinValueValidator(2)])
    seed = models.PositiveIntegerField()
    valves = models.ManyToManyField(Valve, through="StudyValve", related_name="studies")
    operators = models.ManyToManyField(settings.AUTH_USER_MODEL, through="StudyOperator", related_name="studies")
    started_at = models.DateTimeField(default=timezone.now)
    by = _person()
    finished_at = models.DateTimeField(null=True, blank=True)
    given_up_at = models.DateTimeField(null=True, blank=True)
    set_aside_because = models.CharField(max_length=200, blank=True)  # finished, and speaks for the tester no more
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-started_at", "-id"]
        verbose_name_plural = "studies"
        constraints = [
            models.CheckConstraint(condition=Q(repeats__gte=2), name="a_study_repeats"),
            models.CheckConstraint(condition=Q(finished_at=None) | Q(given_up_at=None), name="a_study_ends_in_one_way"),
            models.CheckConstraint(
                condition=Q(set_aside_because="") | ~Q(finished_at=None), name="a_study_set_aside_was_finished"
            ),
        ]

    def __str__(self) -> str:
        return f"study {self.pk}, {self.of.label} of the {self.test_point.section.type} on {self.tester}"

    def get_absolute_url(self) -> str:
        return reverse("study", args=[self.pk])

    @property
    def of(self) -> Quantity:
        return Quantity(self.quantity)

    @property
    def unit(self) -> str:
        return self.of.unit

    @property
    def open(self) -> bool:
        return self.finished_at is None and self.given_up_at is None

    @property
    def speaks(self) -> bool:
        """Finished and not set aside: it may speak for the tester."""
        return self.finished_at is not None and not self.set_aside_because


class StudyValve(models.Model):
    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="study_valves")
    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="+")
    position = models.PositiveSmallIntegerField()

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["study", "valve"], name="a_valve_is_once_in_a_study"),
            models.UniqueConstraint(fields=["study", "position"], name="study_valve_positions_differ"),
        ]


class StudyOperator(models.Model):
    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="study_operators")
    operator = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    position = models.PositiveSmallIntegerField()

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["study", "operator"], name="an_operator_is_once_in_a_study"),
            models.UniqueConstraint(fields=["study", "position"], name="study_operator_positions_differ"),
        ]


class StudyReading(Observation):
    """One operator read one valve for the `repeat`-th time, counted from 1."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="readings")
    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="study_readings")
    operator = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    repeat = models.PositiveSmallIntegerField()

    class Meta(Observation.Meta):
        abstract = False
        ordering = ["taken_at", "id"]
        constraints = [
            *Observation.Meta.constraints,
            models.UniqueConstraint(
                fields=["study", "valve", "operator", "repeat"],
                condition=Q(supersedes=None),
                name="one_study_reading_per_cell",
            ),
        ]


# Whether it still reads what it did


class ReferenceValve(models.Model):
    """A valve kept aside, read at the start of each shift. Known by its serial, or by a name where it has none."""

    tester = models.ForeignKey(
        Tester,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="reference_valves",
        help_text="Empty: read on every tester that measures the quantity.",
    )
    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, null=True, blank=True, related_name="as_reference")
    name = models.CharField(max_length=80, blank=True)
    test_point = models.ForeignKey(TestPoint, on_delete=models.PROTECT, related_name="reference_valves")
    quantity = _quantity()
    note = models.CharField(max_length=200, blank=True)
    active = models.BooleanField("in use", default=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(valve__isnull=False) | ~Q(name=""), name="a_reference_is_known_by_something"
            ),
        ]

    def __str__(self) -> str:
        known_by = self.valve.serial if self.valve else self.name
        return f"{known_by}, {self.of.label} of section {self.test_point.section.number}"

    @property
    def of(self) -> Quantity:
        return Quantity(self.quantity)

    @property
    def unit(self) -> str:
        return self.of.unit


class ReferenceCheck(Observation):
    """A reference valve was read in a shift, and so on the shift's tester."""

    reference = models.ForeignKey(ReferenceValve, on_delete=models.PROTECT, related_name="checks")
    shift = models.ForeignKey(Shift, on_delete=models.PROTECT, related_name="checks")
    by = _person()

    class Meta(Observation.Meta):
        abstract = False
        ordering = ["taken_at", "id"]


class Baseline(models.Model):
    """Which checks a chart's lines are drawn from: the first `size` current ones from `starts_at` on.

    A new row takes the place of the last one for the same reference valve and tester. While fewer than `size`
    checks have been made the chart is still being learnt.
    """

    reference = models.ForeignKey(ReferenceValve, on_delete=models.PROTECT, related_name="baselines")
    tester = models.ForeignKey(Tester, on_delete=models.PROTECT, related_name="baselines")
    starts_at = models.DateTimeField()
    size = models.PositiveSmallIntegerField()
    why = models.CharField(max_length=200)
    set_at = models.DateTimeField(default=timezone.now)
    by = _person()

    class Meta:
        ordering = ["-set_at", "-id"]


class Stop(models.Model):
    """Grading on this tester is refused until the owner clears the stop, saying what was done.

    `suspect_since` is the time of the last good check: every reading after it is for review.
    """

    tester = models.ForeignKey(Tester, on_delete=models.PROTECT, related_name="stops")
    opened_at = models.DateTimeField(default=timezone.now)
    why = models.TextField()
    check_made = models.ForeignKey(ReferenceCheck, on_delete=models.PROTECT, related_name="stops")
    suspect_since = models.DateTimeField()
    cleared_at = models.DateTimeField(null=True, blank=True)
    cleared_by = _person()
    action = models.TextField("what was done", blank=True)

    class Meta:
        ordering = ["-opened_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["tester"], condition=Q(cleared_at=None), name="a_tester_is_stopped_once_at_a_time"
            ),
            models.CheckConstraint(
                condition=Q(cleared_at=None) | ~Q(action=""), name="a_stop_is_cleared_by_doing_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.tester} stopped {moment(timezone.localtime(self.opened_at))}"

    def get_absolute_url(self) -> str:
        return reverse("stop", args=[self.pk])
