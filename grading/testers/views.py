"""Pages of testers: the register, what each measures and how well, calibrations, conditions and house nominals."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from django import forms
from django.contrib import messages
from django.db.models import Max
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from catalog.models import Section
from catalog.physics.electrics import ConversionRefused
from grading.models import Calibration, CalibrationValue, Capability, Quantity, Stop, Tester, TesterCondition
from grading.testers import conditions, records, reference_checks
from grading.testers.records import Calibrated, CalibrationState, Described
from grading.testers.studies import StudiedRepeatability
from stockroom.site.edits import EditForm
from stockroom.site.numbers import FloatTyped, WholeTyped
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import TypeField, page_of

DATE = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class TesterForm(EditForm):
    class Meta:
        model = Tester
        fields = ("name", "serial_number", "note", "in_use")
        labels = {"in_use": "In use: offered when a shift starts"}
        help_texts = {"name": "What you call it on the bench. It is printed on certificates."}
        error_messages = {"name": {"unique": "Another tester has this name."}}


class MeasuresForm(forms.Form):
    """One quantity of a tester; without a step it is not measured."""

    resolution = FloatTyped(label="Step of the display", required=False, min_value=0)
    accuracy_percent = FloatTyped(label="Accuracy, ± % of reading", required=False, min_value=0)
    accuracy_absolute = FloatTyped(label="and ±", required=False, min_value=0)

    def __init__(self, quantity: Quantity, data: Any = None, initial: dict[str, Any] | None = None) -> None:
        super().__init__(data, prefix=quantity.value, initial=initial)
        self.quantity = quantity
        self.fields["resolution"].label = f"Step of the display, {quantity.unit}"
        self.fields["accuracy_absolute"].label = f"and ± {quantity.unit}"
        if quantity == Quantity.EMISSION:
            self.fields["scale_pass_at"] = FloatTyped(label="Good from, divisions", required=False)

    def clean(self) -> None:
        stated = [name for name in self.fields if name != "resolution" and self.cleaned_data.get(name) is not None]
        step = self.cleaned_data.get("resolution")
        if "resolution" not in self.errors and (step == 0 or (step is None and stated)):
            self.add_error("resolution", "Give the smallest step of the display; half a division of a pointer will do.")
        if "scale_pass_at" in self.fields and step and self.cleaned_data.get("scale_pass_at") is None:
            self.add_error("scale_pass_at", "Give the mark from which a valve is good.")

    @property
    def described(self) -> Described | None:
        clean = self.cleaned_data
        if clean["resolution"] is None:
            return None
        return Described(
            clean["resolution"], clean["accuracy_percent"], clean["accuracy_absolute"], clean.get("scale_pass_at")
        )


class CalibrationForm(forms.ModelForm):
    class Meta:
        model = Calibration
        fields = ("done_on", "due_on", "by", "certificate_number", "note")
        widgets = {"done_on": DATE, "due_on": DATE}

    def clean(self) -> dict[str, Any]:
        clean = super().clean() or {}
        if clean.get("done_on") and clean.get("due_on") and clean["due_on"] <= clean["done_on"]:
            self.add_error("due_on", "The next one is due after this one was done.")
        return clean


class CalibrationValueForm(forms.Form):
    """What it says of one quantity; the percentage of uncertainty is empty when it was not calibrated."""

    percent = FloatTyped(label="Standard uncertainty, %", required=False, min_value=0)
    amount = FloatTyped(label="and", required=False, min_value=0)
    correction_percent = FloatTyped(
        label="Correction, %", required=False, help_text="What to add to a reading: −2 where it reads 2 % too high."
    )
    correction_amount = FloatTyped(label="and", required=False)
    degrees = FloatTyped(
        label="Degrees of freedom", required=False, min_value=1, help_text="Empty: as good as infinite."
    )

    def __init__(self, quantity: Quantity, data: Any = None) -> None:
        super().__init__(data, prefix=quantity.value)
        self.quantity = quantity
        self.fields["amount"].label = f"Standard uncertainty, {quantity.unit}"
        self.fields["correction_amount"].label = f"Correction, {quantity.unit}"

    def clean(self) -> dict[str, Any]:
        clean = super().clean() or {}
        others = ("amount", "correction_percent", "correction_amount")
        if clean.get("percent") is None and "percent" not in self.errors and any(clean.get(name) for name in others):
            self.add_error("percent", "Say how well it is known: 0 where the amount beside it is all there is.")
        return clean

    @property
    def calibrated(self) -> Calibrated | None:
        clean = self.cleaned_data
        if clean["percent"] is None:
            return None
        return Calibrated(
            clean["percent"],
            clean["degrees"],
            clean["amount"] or 0.0,
            clean["correction_percent"] or 0.0,
            clean["correction_amount"] or 0.0,
        )


class SectionForm(forms.Form):
    """A section of a type, at the test point that the bench uses."""

    type = TypeField(label="Type")
    section = WholeTyped(label="Section", initial=1, min_value=1)

    def clean(self) -> None:
        type_, number = self.cleaned_data.get("type"), self.cleaned_data.get("section")
        if type_ is None or number is None:
            return
        section = Section.objects.filter(type=type_, number=number).prefetch_related("test_points").first()
        if section is None:
            self.add_error("section", f"The {type_} has no section {number}.")
        elif section.test_point is None:
            self.add_error("section", f"The reference data give no test point for section {number} of the {type_}.")
        else:
            self.cleaned_data["test_point"] = section.test_point


class ConditionForm(forms.Form):
    type = TypeField(label="Type")
    section = WholeTyped(label="Section", required=False, min_value=1, help_text="Empty: every section of the type.")
    anode_voltage_v = FloatTyped(label="Anode voltage, V", min_value=0)
    screen_voltage_v = FloatTyped(label="Screen voltage, V", required=False, min_value=0)
    grid_voltage_v = FloatTyped(label="Grid voltage, V", required=False, help_text="Or a cathode resistor.")
    cathode_resistor_ohm = FloatTyped(label="Cathode resistor, Ω", required=False, min_value=0)
    heater_voltage_v = FloatTyped(
        label="Heater voltage, V", required=False, min_value=0.1, help_text="Empty: as the data sheet has it."
    )
    judged_by = forms.ChoiceField(
        label="Its readings are judged",
        choices=[
            (one.value, one.label) for one in (TesterCondition.JudgedBy.CONVERTED, TesterCondition.JudgedBy.HOUSE)
        ],
    )
    note = forms.CharField(required=False, max_length=200)

    def clean(self) -> None:
        type_, number = self.cleaned_data.get("type"), self.cleaned_data.get("section")
        if type_ is not None and "section" not in self.errors:
            sections = type_.sections.prefetch_related("test_points")
            points = [one.test_point for one in sections if number in (None, one.number) and one.test_point]
            if not points:
                self.add_error("section", f"The {type_} has no such section with a test point.")
            self.cleaned_data["points"] = points
        if self.cleaned_data.get("grid_voltage_v") is not None and self.cleaned_data.get("cathode_resistor_ohm"):
            self.add_error("cathode_resistor_ohm", "The bias is a grid voltage or a cathode resistor, not both.")

    def conditions(self, tester: Tester) -> list[TesterCondition]:
        skipped = ("type", "section", "points")
        clean = {name: value for name, value in self.cleaned_data.items() if name not in skipped}
        return [TesterCondition(tester=tester, test_point=point, **clean) for point in self.cleaned_data["points"]]


class TesterRow(NamedTuple):
    tester: Tester
    calibration: Calibration | None
    calibration_state: CalibrationState
    stop: Stop | None


def testers(request: HttpRequest) -> HttpResponse:
    found = Tester.objects.annotate(last_shift=Max("shifts__started_at")).order_by("name")
    page = page_of(request, found.prefetch_related("capabilities", "calibrations"))
    stops = {stop.tester_id: stop for stop in Stop.objects.filter(cleared_at=None)}
    rows = [
        TesterRow(one, records.calibration_of(one), records.calibration_state(one), stops.get(one.pk)) for one in page
    ]
    return render(request, "testers/testers.html", {"page": page, "rows": rows})


@for_roles(Role.OWNER)
def tester_new(request: StaffRequest) -> HttpResponse:
    return _edit(request, Tester(), "A new tester", reverse("testers"))


@for_roles(Role.OWNER)
def tester_edit(request: StaffRequest, pk: int) -> HttpResponse:
    known = get_object_or_404(Tester, pk=pk)
    return _edit(request, known, known.name, known.get_absolute_url())


def _edit(request: StaffRequest, known: Tester, title: str, back: str) -> HttpResponse:
    form = TesterForm(request.POST or None, instance=known)
    if request.method == "POST" and form.is_valid():
        saved = records.save_tester(form.instance, request.user)
        messages.success(request, f"{saved} is kept.")
        return redirect(saved)
    form.fields["name"].widget.attrs["autofocus"] = True
    return render(request, "site/form.html", {"form": form, "title": title, "back": back})


class TesterMeasures(NamedTuple):
    """A quantity of a tester with everything known of it; `wanting` is what is not."""

    capability: Capability
    calibrated: CalibrationValue | None
    repeatability: tuple[StudiedRepeatability, ...]
    wanting: tuple[str, ...]


def tester(request: HttpRequest, pk: int) -> HttpResponse:
    """Everything written down of one tester."""
    found = get_object_or_404(Tester.objects.prefetch_related("capabilities", "calibrations__values"), pk=pk)
    record = records.record_of(found)
    return render(
        request,
        "testers/tester.html",
        {
            "tester": found,
            "measures": list(_measured(record)),
            "calibration": record.calibration,
            "calibration_state": records.calibration_state(found),
            "conditions": [(row, _shown_basis(row)) for row in conditions.current_conditions(found)],
            "house_nominals": found.house_nominals.select_related("test_point__section__type", "condition")[:20],
            "studies": found.studies.select_related("test_point__section__type", "by")[:20],
            "charts": [reference_checks.chart_of(reference, found) for reference in reference_checks.for_tester(found)],
            "stop": reference_checks.current_stop(found),
            "stops": found.stops.select_related("cleared_by")[:20],
        },
    )


def _measured(record: records.TesterRecord) -> Iterator[TesterMeasures]:
    for quantity, capability in record.capabilities.items():
        calibrated = record.calibration_values.get(quantity)
        yield TesterMeasures(
            capability,
            calibrated,
            record.repeatability.get(quantity, ()),
            record.known(Quantity(quantity), 1.0).wanting,
        )


def _shown_basis(condition: TesterCondition) -> list[str]:
    """How each quantity read at these conditions is compared, as papers will say."""
    tester, point = condition.tester, condition.test_point
    return [
        f"{quantity.label[0].upper()}{quantity.label[1:]}: {records.basis_for(tester, point, quantity).words}."
        for quantity in (Quantity.ANODE_CURRENT, Quantity.GM)
        if getattr(point, quantity) is not None and records.may_record(tester, quantity)[0]
    ]


@for_roles(Role.OWNER)
def tester_measures(request: StaffRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Tester, pk=pk)
    known = {row.quantity: row for row in found.capabilities.all()}
    rows = [
        MeasuresForm(quantity, request.POST or None, initial=_initial(known.get(quantity))) for quantity in Quantity
    ]
    valid = [row.is_valid() for row in rows]  # every row, so that all faults show
    if request.method == "POST" and all(valid):
        described = {row.quantity: row.described for row in rows if row.described}
        follows = records.describe(found, described, request.user)
        messages.success(request, " ".join((f"What {found} measures is kept.", *follows)))
        return redirect(found)
    rows[0].fields["resolution"].widget.attrs["autofocus"] = True
    return render(request, "testers/tester_measures.html", {"tester": found, "rows": rows})


def _initial(row: Capability | None) -> dict[str, Any]:
    return {name: getattr(row, name) for name in Described._fields} if row else {}


@for_roles(Role.OWNER)
def calibration_new(request: StaffRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Tester, pk=pk)
    form = CalibrationForm(request.POST or None, instance=Calibration(tester=found))
    rows = [CalibrationValueForm(Quantity(row.quantity), request.POST or None) for row in found.capabilities.all()]
    valid = [row.is_valid() for row in (form, *rows)]  # every row, so that all faults show
    if request.method == "POST" and all(valid):
        values = {row.quantity: row.calibrated for row in rows if row.calibrated}
        follows = records.calibrate(form.instance, values, request.user)
        messages.success(request, " ".join((f"The calibration of {found} is kept.", *follows)))
        return redirect(found)
    form.fields["done_on"].widget.attrs["autofocus"] = True
    return render(request, "testers/calibration_new.html", {"tester": found, "form": form, "rows": rows})


@for_roles(Role.OWNER)
def condition_new(request: StaffRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Tester, pk=pk)
    form = ConditionForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            saved = conditions.set_conditions(form.conditions(found), request.user)
        except conditions.SameAsSheet as problem:
            form.add_error("anode_voltage_v", str(problem))
        except ConversionRefused as problem:
            form.add_error("judged_by", str(problem))
        else:
            for condition in saved:
                messages.success(request, f"{condition} from now on.")
            return redirect(found)
    form.fields["type"].widget.attrs["autofocus"] = True
    return render(request, "testers/condition_new.html", {"tester": found, "form": form})


@for_roles(Role.OWNER)
@require_POST
def condition_end(request: StaffRequest, pk: int) -> HttpResponse:
    """The tester sets this section up as the sheet does again."""
    row = get_object_or_404(TesterCondition.objects.select_related("tester", "test_point__section__type"), pk=pk)
    conditions.back_to_sheet(row.tester, row.test_point, request.user)
    messages.success(request, f"{row.tester} does as the data sheet again for the {row.test_point.section}.")
    return redirect(row.tester)


urlpatterns = [
    path("testers/", testers, name="testers"),
    path("testers/new/", tester_new, name="tester-new"),
    path("testers/<int:pk>/", tester, name="tester"),
    path("testers/<int:pk>/edit/", tester_edit, name="tester-edit"),
    path("testers/<int:pk>/measures/", tester_measures, name="tester-measures"),
    path("testers/<int:pk>/calibrations/new/", calibration_new, name="calibration-new"),
    path("testers/<int:pk>/conditions/new/", condition_new, name="condition-new"),
    path("conditions/<int:pk>/end/", condition_end, name="condition-end"),
]
