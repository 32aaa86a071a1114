"""The fields of the bench: one form a section, and the questions asked of what was typed."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django import forms
from django.db.models import prefetch_related_objects
from django.http import HttpRequest

from catalog.models import Section, TestPoint
from grading.bench.entered import EnteredReading
from grading.bench.series import SEPARATOR, read_series
from grading.metrology import units
from grading.metrology.plausible import doubt, stray_serial
from grading.metrology.quantities import CLAIMING, NOISE, capitalised, claimed_at
from grading.metrology.shorts import read_short
from grading.metrology.units import Unit
from grading.models import Quantity, Reading, Tester
from grading.testers.conditions import Setting, conditions_for
from grading.testers.records import may_record
from grading.verdicts.pure.grades import GRIDLESS
from stockroom.files.numbers import UnreadableNumber, proves_mark
from stockroom.pure.written import plain
from stockroom.site.numbers import FloatTyped

SERIES = re.compile(r"\d\s*/\s*\d")
GM_UNITS = {unit.name: unit for unit in (units.MA_PER_V, *Quantity.GM.facts.also_typed_in)}
# What a valve is judged by is always asked for, where its tester reads it; the rest as the bench chooses.
ALWAYS = (*CLAIMING, Quantity.EMISSION)
ASKABLE = {
    "shorts": "shorts",
    **{quantity.key: quantity.short for quantity in Quantity if quantity not in ALWAYS},
    "noise": "noise",
    "remark": "remark",
}
TYPED = {"autocomplete": "off", "spellcheck": "false"}
SCANNED_HERE = (
    "“{}” is a serial: the scanner fired in this field. Type the reading, and save before you scan the next valve."
)


UNDESCRIBED = frozenset(Quantity) - {Quantity.EMISSION}


def _applies(quantity: Quantity, point: TestPoint) -> bool:
    """What a section of its kind can have. A rectifier has no gm: without a nominal there is nothing to read."""
    section = point.section
    if quantity.claims and point.anode_current_ma is None:  # no nominal is known: all that such a section shows
        return quantity in claimed_at(point) and not (quantity is Quantity.GM and section.kind in GRIDLESS)
    if quantity.claims:
        return quantity.limits(point)[0] is not None
    if quantity is Quantity.LEAKAGE:
        return section.type.cathode == "indirect"
    if quantity is Quantity.GRID_CURRENT:
        return section.kind not in GRIDLESS
    return section.kind != "stabiliser"


def read_by(tester: Tester) -> frozenset[Quantity]:
    """What a form asks of it. What a valve is judged by only where it reads that; the rest is always at hand."""
    scale = {Quantity.EMISSION} if tester.measures(Quantity.EMISSION) else set()
    return frozenset(
        scale | {one for one in UNDESCRIBED if one not in ALWAYS or one.facts.only_of or may_record(tester, one)[0]}
    )


@dataclass(frozen=True)
class BenchChoices:
    """What this bench has chosen for the shift: the unit of gm, the fields Enter stops at, test points by type."""

    gm_unit: str = "mA/V"
    ask: tuple[str, ...] = ("shorts",)
    points: Mapping[str, str] = field(default_factory=dict)
    interval_s: float = 10.0

    @classmethod
    def of(cls, request: HttpRequest) -> BenchChoices:
        remembered = request.session.get("bench", {})
        unit = remembered.get("gm_unit")
        return cls(
            unit if unit in GM_UNITS else "mA/V",
            tuple(name for name in remembered.get("ask", ("shorts",)) if name in ASKABLE),
            remembered.get("points", {}),
            remembered.get("interval_s", 10.0),
        )

    def remember(self, request: HttpRequest) -> None:
        request.session["bench"] = {
            "gm_unit": self.gm_unit,
            "ask": list(self.ask),
            "points": dict(self.points),
            "interval_s": self.interval_s,
        }

    @property
    def unit(self) -> Unit:
        return GM_UNITS[self.gm_unit]

    def unit_of(self, quantity: Quantity) -> Unit | None:
        """What a number without a unit is in; None for divisions of a scale."""
        return self.unit if quantity is Quantity.GM else quantity.facts.typed_in


class ChoicesForm(forms.Form):
    gm_unit = forms.ChoiceField(label="gm is read in", choices=[(name, name) for name in GM_UNITS])
    ask = forms.MultipleChoiceField(
        label="Besides anode current and gm, ask for",
        choices=list(ASKABLE.items()),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="The other fields stay at hand below, reached with Tab.",
    )

    interval_s = FloatTyped(
        label="Seconds between the readings of a series",
        min_value=0.1,
        max_value=3600,
        initial=10,
        required=False,
        help_text="A valve read while it warms up: type 1.15/1.18/1.20/1.20 and the settled value is used.",
    )

    def choices(self) -> BenchChoices:
        data = self.cleaned_data
        return BenchChoices(data["gm_unit"], tuple(data["ask"]), {}, data["interval_s"] or 10.0)


class ShiftForm(ChoicesForm):
    tester = forms.ModelChoiceField(Tester.objects.filter(in_use=True), empty_label=None)
    serial = forms.CharField(required=False, max_length=200, widget=forms.HiddenInput)

    field_order = ["tester", "gm_unit", "ask", "interval_s"]


@dataclass(frozen=True)
class Typed:
    """What was typed in a field: one value, or the last of a series."""

    value: float
    unit: Unit
    series: tuple[float, ...] = ()


class ReadingField(forms.CharField):
    """A number with or without a unit, or a series of them; None when nothing was typed."""

    def __init__(self, unit: Unit, **kwargs: Any) -> None:
        self.unit = unit
        widget = forms.TextInput(attrs={"inputmode": "decimal", "size": 9, **TYPED})
        super().__init__(required=False, max_length=200, widget=widget, **kwargs)

    def clean(self, value: Any) -> Typed | None:
        text = super().clean(value)
        if units.is_blank(text):
            return None
        if serial := stray_serial(text):
            raise forms.ValidationError(SCANNED_HERE.format(serial))
        try:
            # "mA/V" has a stroke too: only what stands between numbers makes a series.
            parts = read_series(text.replace("mA/V", "mS")) if SERIES.search(text) else []
            read = [units.read_typed(part, self.unit) for part in parts or [text]]
        except UnreadableNumber as error:
            raise forms.ValidationError(str(error)) from None
        series = tuple(measured.value for measured in read) if parts else ()
        return Typed(read[-1].value, read[-1].unit, series)


def _field_for(quantity: Quantity, unit: Unit | None) -> forms.Field:
    """For a number in `unit`; for divisions of a scale where it has none."""
    label = f"{capitalised(quantity.short)}, {unit.name if unit else quantity.unit}"
    if unit is None:
        attrs = {"size": 9, **TYPED}
        return FloatTyped(label=label, required=False, min_value=0, widget=forms.TextInput(attrs=attrs))
    return ReadingField(unit, label=label)


class SectionReadingForm(forms.Form):
    """What is read of one section: a field for each quantity of the register that the tester reads and the type has.

    `doubts` fills with what is believable only if somebody says so.
    """

    shorts = forms.CharField(
        required=False, max_length=80, widget=forms.TextInput(attrs={"size": 9, "placeholder": "none", **TYPED})
    )
    noise = forms.ChoiceField(required=False, choices=[("", "–"), *((heard, heard) for heard in NOISE)])
    remark = forms.CharField(required=False, max_length=200, widget=forms.TextInput(attrs=TYPED))

    def __init__(
        self,
        data: Any = None,
        *,
        section: Section,
        point: TestPoint,
        choices: BenchChoices,
        reads: Collection[Quantity] = UNDESCRIBED,
        sure: Collection[str] = (),
        may_be_empty: bool = False,
        initial: Mapping[str, Any] | None = None,
        setting: Setting | None = None,
    ) -> None:
        super().__init__(data, prefix=f"s{section.number}", initial=dict(initial or {}), label_suffix="")
        self.section = section
        self.point = point
        self.setting = setting or Setting(point, None)
        self.sure = sure
        self.may_be_empty = may_be_empty
        self.doubts: list[str] = []
        self.interval_s = choices.interval_s
        asks = [one for one in Quantity if one in reads and _applies(one, point)]
        # What was kept of another can be corrected.
        self.quantities = [one for one in Quantity if one in asks or self.initial.get(one.key) is not None]
        for quantity in self.quantities:
            field = _field_for(quantity, choices.unit_of(quantity))
            if isinstance(field, ReadingField):
                field.help_text = expected(*quantity.limits(point), field.unit)
            if quantity.facts.only_of:
                field.help_text += f", at {plain(point.anode_current_ma)} mA"
            self.fields[quantity.key] = field
        if section.kind in GRIDLESS and not self.initial.get("noise"):
            del self.fields["noise"]
        always = [quantity.key for quantity in self.quantities if quantity in ALWAYS]
        self.asked = [*always, *(name for name in ASKABLE if name in choices.ask and name in self.fields)]
        self.order_fields([*always, *ASKABLE])

    def clean_shorts(self) -> Any:
        text = self.cleaned_data["shorts"]
        if serial := stray_serial(text):
            raise forms.ValidationError(SCANNED_HERE.format(serial))
        if proves_mark(text) or (text.strip().isdigit() and text.strip() not in {"0", "1"}):
            raise forms.ValidationError(f"“{text}” is a number. Leave this empty, or name the electrodes, such as h-k.")
        return read_short(text)

    def clean(self) -> None:
        for quantity in self.quantities:
            name, measured = quantity.key, self.cleaned_data.get(quantity.key)
            nominal, _, _ = quantity.limits(self.point)
            found = doubt(quantity, measured.value, nominal, measured.unit) if isinstance(measured, Typed) else None
            if found and found.impossible:
                self.add_error(name, capitalised(found.message))
            elif found:
                key = f"{self.prefix} {name} {self.data[f'{self.prefix}-{name}'].strip()}"
                self.doubts.append(key)
                if key not in self.sure:
                    self.add_error(name, capitalised(found.message))
        if not self.errors and not self.entered.says_something and not (self.may_be_empty and self.says_nothing):
            first = self.asked[0]
            name = next((quantity.short for quantity in ALWAYS if quantity.key == first), first)
            holds = first == Quantity.ANODE_VOLTAGE.key
            what = "voltage that it holds" if holds else f"{name}; 0 if none flows"
            self.add_error(first, f"Type the {what}. If it is shorted, say where.")

    @property
    def says_nothing(self) -> bool:
        return not any(value and value != (False, "") for value in self.cleaned_data.values())

    @property
    def entered(self) -> EnteredReading:
        clean = self.cleaned_data
        read = {one.value: clean[one.key] for one in self.quantities if clean.get(one.key) is not None}
        numbers: dict[str, Any] = {name: one.value if isinstance(one, Typed) else one for name, one in read.items()}
        series: dict[str, Any] = {
            name: list(one.series) for name, one in read.items() if isinstance(one, Typed) and one.series
        }
        if series:
            series["interval_s"] = self.interval_s
        return EnteredReading(
            self.point,
            series=series,
            shorted=clean["shorts"].shorted,
            short_between=clean["shorts"].between,
            noise=clean.get("noise", ""),
            remark=clean["remark"],
            **numbers,
        )

    @property
    def asked_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.asked]

    @property
    def other_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if name not in self.asked]


def expected(nominal: float | None, low: float | None, high: float | None, unit: Unit) -> str:
    """ "nominal 1.6 (1.2 to 2)", in the field's unit."""
    if nominal is None:
        return ""
    limits = [f"{word} {units.amount(limit, unit)}" for word, limit in (("least", low), ("most", high)) if limit]
    return f"nominal {units.amount(nominal, unit)}" + (f" ({', '.join(limits)})" if limits else "")


def typed(reading: Reading, choices: BenchChoices) -> dict[str, str]:
    """A reading as somebody would type it, to be corrected."""
    written = {}
    for quantity in Quantity:
        unit = choices.unit_of(quantity)
        values = reading.series.get(quantity.value) or [getattr(reading, quantity)]
        written[quantity.key] = SEPARATOR.join(units.in_full(value, unit) for value in values if value is not None)
    shorts = (reading.short_between or "yes") if reading.shorted else ""
    return {**written, "shorts": shorts, "noise": reading.noise, "remark": reading.remark}


class ValveForms:
    """The sections of a valve as one form: Enter goes from field to field, and from the last asked one sends.

    `point_name` is the test point wanted; a section that has none of that name uses its first. `at` is when the
    tester was read, now if none is given: its settings of that time are shown.
    """

    def __init__(
        self,
        sections: Sequence[Section],
        choices: BenchChoices,
        tester: Tester | None,
        *,
        point_name: str = "",
        data: Any = None,
        initial: Mapping[int, Mapping[str, Any]] | None = None,
        already_read: Collection[int] = (),
        last_sends: bool = True,
        at: datetime | None = None,
    ) -> None:
        self.sure = set((data or {}).get("sure", "").split("|")) - {""}
        self.point_name = point_name
        reads = read_by(tester) if tester else UNDESCRIBED
        points = [_point_of(section, point_name) for section in sections]
        if tester:
            prefetch_related_objects([tester], "conditions")
        self.forms = [
            SectionReadingForm(
                data,
                section=section,
                point=point,
                choices=choices,
                reads=reads,
                sure=self.sure,
                setting=conditions_for(tester, point, at) if tester else None,
                may_be_empty=section.number in already_read,
                initial=(initial or {}).get(section.number),
            )
            for section, point in zip(sections, points, strict=True)
        ]
        self.cursor_on_box = False
        if last_sends:
            last = self.forms[-1]
            last.fields[last.asked[-1]].widget.attrs["data-enter"] = "send"

    def is_valid(self) -> bool:
        valid = not [form for form in self.forms if not form.is_valid()]  # every form, so that all faults show
        if valid and all(form.says_nothing for form in self.forms):
            first = self.forms[0].asked[0]
            self.forms[0].add_error(first, "Nothing was typed. Type what a section read.")
            valid = False
        return valid

    @property
    def entered(self) -> dict[int, EnteredReading]:
        return {form.section.number: form.entered for form in self.forms if not form.says_nothing}

    @property
    def asks(self) -> str:
        """What somebody must say they are sure of; empty when there is nothing."""
        return "|".join(doubt for form in self.forms for doubt in form.doubts)

    @property
    def is_wrong(self) -> bool:
        return any(form.errors for form in self.forms)

    @property
    def has_more(self) -> bool:
        return any(form.other_fields for form in self.forms)

    @property
    def more_open(self) -> bool:
        """Something was typed there, or is wrong there."""
        return any(field.errors or field.value() for form in self.forms for field in form.other_fields)

    def place_cursor(self) -> None:
        """On the box when only that is wanted, else in the first field that is wrong, else in the first."""
        wrong = [form[name] for form in self.forms for name in form.fields if name in form.errors]
        refused = [field for field in wrong if not self._is_doubt(field)]
        self.cursor_on_box = bool(wrong) and not refused
        if not self.cursor_on_box:
            field = (refused or self.forms[0].asked_fields)[0]
            field.field.widget.attrs["autofocus"] = True

    def _is_doubt(self, field: forms.BoundField) -> bool:
        form = field.form
        assert isinstance(form, SectionReadingForm)
        return any(doubt.startswith(f"{form.prefix} {field.name} ") for doubt in form.doubts)


def _point_of(section: Section, name: str) -> TestPoint:
    points = list(section.test_points.all())
    return next((point for point in points if point.name == name), section.test_point or points[0])
