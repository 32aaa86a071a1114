"""What the glass says and what the shop knows of makers: marks, dates, construction, condition, warnings.

`SourceCode` and `KnownConstruction` are the shop's register of makers (with the years on `Maker`), `ShopTypeCode` its
own type codes. The other rows are about one valve: what was seen, how its code is read, in what condition it is, how
it was cleaned, and where its marks do not agree. A `DateReading` or a `MarkWarning` that no longer stands is kept.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from django.conf import settings
from django.db import models
from django.utils import timezone

from catalog.models import ValveType
from stockroom.marks.pure.construction import CONDITION, FEATURES, FeatureChoice
from stockroom.marks.pure.datecodes import DateMeaning, Form
from stockroom.marks.pure.identification import Subject, YearsKnown
from stockroom.models.goods import Maker, Valve
from stockroom.pure.written import day


def _words(choice: FeatureChoice) -> list[tuple[str, str]]:
    return [(word, word) for word in choice.words]


class By(models.Model):
    """Who wrote the row down, and when."""

    at = models.DateTimeField(default=timezone.now, editable=False)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )

    class Meta:
        abstract = True


class SourceCode(models.Model):
    """A number, letters or a sign that the shop takes for this maker's. It may have passed to another maker."""

    class Kind(models.TextChoices):
        NUMBER = "number", "Source number"
        LETTERS = "letters", "Contract letters"
        PLANT = "plant", "Plant sign"

    maker = models.ForeignKey(Maker, on_delete=models.CASCADE, related_name="source_codes")
    kind = models.CharField(max_length=10, choices=Kind.choices, default=Kind.NUMBER)
    code = models.CharField(max_length=12)

    class Meta:
        ordering = ["kind", "code"]
        constraints = [models.UniqueConstraint(fields=["maker", "kind", "code"], name="a_source_code_once_per_maker")]

    def __str__(self) -> str:
        return self.code


class KnownConstruction(By):
    """The maker is known to have built this type so; without a type, all its valves."""

    maker = models.ForeignKey(Maker, on_delete=models.CASCADE, related_name="known_construction")
    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    feature = models.CharField(max_length=20, choices=[(name, choice.label) for name, choice in FEATURES.items()])
    word = models.CharField(max_length=30)
    first_year = models.PositiveSmallIntegerField("built so from", null=True, blank=True)
    last_year = models.PositiveSmallIntegerField("until", null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["type__designation", "feature", "word"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(first_year=None)
                | models.Q(last_year=None)
                | models.Q(first_year__lte=models.F("last_year")),
                name="a_construction_begins_before_it_ends",
            ),
            models.UniqueConstraint(
                fields=["maker", "type", "feature", "word"], name="a_known_construction_once_per_type"
            ),
            models.UniqueConstraint(
                fields=["maker", "feature", "word"], condition=models.Q(type=None), name="a_known_construction_once"
            ),
        ]

    def __str__(self) -> str:
        years = f", {self.years}" if self.years != YearsKnown() else ""
        return f"{self.feature} {self.word} ({self.type or 'every type'}{years})"

    @property
    def years(self) -> YearsKnown:
        return YearsKnown(self.first_year, self.last_year)


class ShopTypeCode(By):
    """A type code of factory codes that the shop knows besides those of `fixtures/marks.toml`, which it goes before.

    `code` is the first line of the factory code without its last sign, which counts versions. With a plant sign or
    years it holds for the codes that bear the sign and may be of those years.
    """

    code = models.CharField(
        "type code",
        max_length=3,
        help_text="Without the last sign, which counts versions: I6 if the glass says I61.",
    )
    type = models.ForeignKey(ValveType, on_delete=models.PROTECT, related_name="+")
    plant = models.CharField(
        "plant sign", max_length=1, blank=True, help_text="The sign before the date; empty for every plant."
    )
    first_year = models.PositiveSmallIntegerField("used from", null=True, blank=True)
    last_year = models.PositiveSmallIntegerField(
        "until",
        null=True,
        blank=True,
        help_text="A code tells the last figure of its year: years narrow it if they span less than ten.",
    )
    source = models.CharField(
        max_length=200, help_text="Title, edition and page; else “from memory” or “common practice”."
    )
    reason = models.CharField("why", max_length=200)

    class Meta:
        verbose_name = "type code"
        ordering = ["code", "type__designation", "plant", "id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(first_year=None)
                | models.Q(last_year=None)
                | models.Q(first_year__lte=models.F("last_year")),
                name="a_type_code_begins_before_it_ends",
            ),
            models.UniqueConstraint(fields=["code", "type", "plant"], name="a_type_code_once_per_type_and_plant"),
        ]

    def __str__(self) -> str:
        plant = f" with plant sign {self.plant}" if self.plant else ""
        years = f", {self.years}" if self.years != YearsKnown() else ""
        return f"{self.code} for {self.type}{plant}{years}"

    @property
    def years(self) -> YearsKnown:
        return YearsKnown(self.first_year, self.last_year)


class SeenFeature(By):
    """A feature of construction as it was seen on one valve."""

    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="features")
    feature = models.CharField(max_length=20, choices=[(name, choice.label) for name, choice in FEATURES.items()])
    word = models.CharField(max_length=30)

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["valve", "feature"], name="a_feature_once_per_valve")]

    def __str__(self) -> str:
        return f"{self.feature} {self.word}"


class CodeReading(By):
    """How a code was read: the reading chosen and all the others it might have had.

    `form` to `latest` are those of `stockroom.marks.pure.datecodes.Reading`; `form` is empty while none is chosen.
    `alternatives` holds all of them in the order they were ranked, as `stockroom.marks.identity` writes them.
    """

    code = models.CharField("code as stamped", max_length=40)
    form = models.CharField(max_length=20, choices=[(form.name, form.value) for form in Form], blank=True)
    detail = models.CharField("reading", max_length=120, blank=True)
    source_code = models.CharField(max_length=4, blank=True)
    earliest = models.DateField(null=True)
    latest = models.DateField(null=True)
    alternatives = models.JSONField(default=list)
    current = models.BooleanField(default=True)

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return f"{self.code}: {self.words or 'not decided'}"

    @property
    def reading(self) -> DateMeaning | None:
        if not self.form:
            return None
        return DateMeaning(Form[self.form], self.detail, self.earliest, self.latest, self.source_code or None)

    @property
    def words(self) -> str:
        return self.reading.words if self.reading else ""

    @property
    def readings(self) -> list[DateMeaning]:
        """The chosen one alone; all that it may have while none is chosen."""
        return [self.reading] if self.reading else [read_alternative(one) for one in self.alternatives]


class DateReading(CodeReading):
    """How the code stamped on a valve was read."""

    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="date_readings")

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["valve"], condition=models.Q(current=True), name="one_current_date_reading_per_valve"
            )
        ]


def read_alternative(saved: dict[str, Any]) -> DateMeaning:
    """The reading that one of `DateReading.alternatives` keeps."""
    earliest, latest = (saved[name] and date.fromisoformat(saved[name]) for name in ("earliest", "latest"))
    return DateMeaning(Form[saved["form"]], saved["detail"], earliest, latest, saved["source_code"])


class Condition(By):
    """The condition a valve and its packing are in. An empty field was not looked at."""

    valve = models.OneToOneField(Valve, on_delete=models.PROTECT, related_name="condition")
    print = models.CharField(max_length=20, blank=True, choices=_words(CONDITION["print"]))
    pins = models.CharField(max_length=20, blank=True, choices=_words(CONDITION["pins"]))
    base = models.CharField(max_length=20, blank=True, choices=_words(CONDITION["base"]))
    box = models.CharField(max_length=20, blank=True, choices=_words(CONDITION["box"]))
    seal = models.CharField(max_length=20, blank=True, choices=_words(CONDITION["seal"]))
    pack_marks = models.CharField("marks on the pack", max_length=200, blank=True)
    note = models.CharField("note on the condition", max_length=300, blank=True)

    def __str__(self) -> str:
        return "; ".join(f"{name} {word}" for name, word in self.words.items()) or "nothing recorded"

    @property
    def words(self) -> dict[str, str]:
        """What was looked at, by name."""
        return {name: word for name in CONDITION if (word := getattr(self, name))}


class Cleaning(By):
    """A valve was cleaned. Written once."""

    class How(models.TextChoices):
        DRY = "dry", "Dusted dry, not over the print"
        DAMP = "damp", "Wiped damp, not over the print"
        PINS = "pins", "Pins or contacts cleaned"
        LABEL = "label", "Sticker or glue taken off"
        OTHER = "other", "Otherwise; see the note"

    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="cleanings")
    how = models.CharField("how it was cleaned", max_length=10, choices=How.choices)
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-at", "-id"]

    def __str__(self) -> str:
        return f"{self.get_how_display()}{f' ({self.note})' if self.note else ''}"


class MarkWarningQuerySet(models.QuerySet["MarkWarning"]):
    def found(self) -> MarkWarningQuerySet:
        """Still the case, whether or not somebody has dismissed it."""
        return self.filter(cleared_at=None)

    def open(self) -> MarkWarningQuerySet:
        return self.found().filter(dismissed_at=None)


class MarkWarning(models.Model):
    """Two things about a valve do not agree. Never a verdict.

    It is cleared when the disagreement is gone, and dismissed, with a reason, by somebody who has looked.
    """

    valve = models.ForeignKey(Valve, on_delete=models.PROTECT, related_name="warnings")
    subject = models.CharField(max_length=30, choices=[(subject.value, subject.value) for subject in Subject])
    reason = models.TextField()
    raised_at = models.DateTimeField(default=timezone.now, editable=False)
    cleared_at = models.DateTimeField(null=True, editable=False)
    dismissed_at = models.DateTimeField(null=True, editable=False)
    dismissed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", editable=False
    )
    dismissed_because = models.CharField("why it is dismissed", max_length=200, blank=True)

    objects = MarkWarningQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(dismissed_at=None) | ~models.Q(dismissed_because=""),
                name="a_dismissed_warning_says_why",
            )
        ]

    def __str__(self) -> str:
        return f"{self.subject}: {self.reason}"

    @property
    def outcome_in_words(self) -> str:
        """What became of it, and when."""
        words = []
        if self.cleared_at:
            words.append(f"cleared {day(timezone.localtime(self.cleared_at))}")
        if self.dismissed_at:
            when = day(timezone.localtime(self.dismissed_at))
            words.append(f"dismissed by {self.dismissed_by}, {when}: {self.dismissed_because}")
        return ", ".join(words) or "open"
