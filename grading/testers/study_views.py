"""Pages of repeatability studies: planning one, reading it at the bench, and what it says of the tester."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.models import User
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from catalog.models import Section
from grading.metrology.quantities import CLAIMING
from grading.metrology.units import in_full
from grading.models import Quantity, Study, StudyReading, Tester
from grading.plots import charts
from grading.testers import studies
from grading.testers.fields import SureForm, ValueField
from grading.testers.studies import Analysis
from stockroom.models import Valve
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.pure.written import plain
from stockroom.site.numbers import WholeTyped
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, messages_on
from stockroom.site.web import page_of


class StudyPlanForm(forms.Form):
    quantity = forms.ChoiceField(label="Quantity")
    serials = forms.CharField(
        label="Valves",
        widget=forms.Textarea(attrs={"rows": 6, "class": "serial"}),
        help_text="Scan them, one on each line: some ten of one type, as different as those you sort.",
    )
    section = WholeTyped(label="Section", initial=1, min_value=1)
    operators = forms.ModelMultipleChoiceField(
        label="Operators", queryset=User.objects.none(), widget=forms.CheckboxSelectMultiple
    )
    repeats = WholeTyped(label="Readings of each valve by each of them", initial=3, min_value=2, max_value=10)
    note = forms.CharField(required=False, max_length=300)

    def __init__(self, tester: Tester, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        measured = [Quantity(row.quantity) for row in tester.capabilities.all()]
        self.fields["quantity"].choices = [(quantity.value, quantity.label) for quantity in measured]  # type: ignore[attr-defined]
        hands = User.objects.filter(groups__name__in=[Role.BENCH, Role.OWNER], is_active=True)
        self.fields["operators"].queryset = hands.distinct().order_by("username")  # type: ignore[attr-defined]
        self.fields["quantity"].widget.attrs["autofocus"] = True

    def clean_serials(self) -> list[Valve]:
        valves: list[Valve] = []
        for place, text in enumerate(self.cleaned_data["serials"].split(), start=1):
            try:
                serial = read_serial(text)
            except BadSerial as problem:
                raise forms.ValidationError(f"Scan {place}: {problem}") from problem
            valve = Valve.objects.in_house().select_related("type").filter(serial=serial).first()
            if valve is None:
                raise forms.ValidationError(f"Scan {place}: no valve in the house has the serial {serial}.")
            valves.append(valve)
        return valves

    def clean(self) -> None:
        valves, number = self.cleaned_data.get("serials"), self.cleaned_data.get("section")
        if not valves or number is None:
            return
        section = Section.objects.filter(type=valves[0].type, number=number).prefetch_related("test_points").first()
        if section is None or section.test_point is None:
            self.add_error("section", f"The {valves[0].type} has no section {number} with a test point.")
        else:
            self.cleaned_data["test_point"] = section.test_point


class ReadForm(SureForm):
    """The valve asked for, scanned to be sure of it, and what it reads."""

    serial = forms.CharField(
        label="Scan it", max_length=200, widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"})
    )

    def __init__(self, study: Study, valve: Valve, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.valve = valve
        usual = getattr(study.test_point, study.quantity) if study.of in CLAIMING else None
        self.fields["value"] = ValueField(study.of, usual=usual, label=f"It reads, {study.unit}")

    def clean_serial(self) -> str:
        try:
            serial = read_serial(self.cleaned_data["serial"])
        except BadSerial as problem:
            raise forms.ValidationError(str(problem)) from problem
        if serial != self.valve.serial:
            raise forms.ValidationError(f"That is {serial}. Take {self.valve.serial}.")
        return serial


class CorrectForm(SureForm):
    reason = forms.CharField(label="What was wrong with it", max_length=200)

    field_order = ["value", "reason"]

    def __init__(self, quantity: Quantity, *args: Any, usual: float | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["value"] = ValueField(quantity, usual=usual, label=f"It read, {quantity.unit}")
        self.order_fields(self.field_order)


class GiveUpForm(forms.Form):
    why = forms.CharField(label="Why it is abandoned", max_length=200)


def all_studies(request: HttpRequest) -> HttpResponse:
    found = Study.objects.select_related("tester", "test_point__section__type", "by")
    return render(request, "testers/studies.html", {"page": page_of(request, found)})


def study(request: HttpRequest, pk: int) -> HttpResponse:
    """How far it is while it runs; what it says once every reading has been made."""
    found = get_object_or_404(Study.objects.select_related("tester", "test_point__section__type", "by"), pk=pk)
    analysis = studies.analyse(found)
    shares = studies.progress_of(found)
    complete = not any(share.left for share in shares)
    context: dict[str, Any] = {"study": found, "shares": shares, "complete": complete, "give_up_form": GiveUpForm()}
    if complete or not found.open:
        context |= {"analysis": analysis, "plot": _plot(analysis), "readings": _current(found)}
    context["mine"] = next((share for share in shares if share.operator == request.user), None)
    return render(request, "testers/study.html", context)


def _current(study: Study) -> list[StudyReading]:
    return list(study.readings.current().select_related("valve", "operator", "supersedes"))


def _plot(analysis: Analysis) -> charts.Plot | None:
    valves = [str(valve) for valve, _ in analysis.table]
    readings = [[values for _, values in row] for _, row in analysis.table]
    if not any(values for row in readings for values in row):
        return None
    operators = [operator.get_username() for operator, _ in analysis.table[0][1]]
    return charts.study_plot(valves, operators, readings, analysis.study.of.label, analysis.study.unit)


@for_roles(Role.BENCH)
def study_new(request: StaffRequest, pk: int) -> HttpResponse:
    tester = get_object_or_404(Tester, pk=pk)
    form = StudyPlanForm(tester, request.POST or None)
    if request.method == "POST" and form.is_valid():
        clean = form.cleaned_data
        with errors_on(form):
            made = studies.plan(
                tester,
                Quantity(clean["quantity"]),
                clean["test_point"],
                clean["serials"],
                list(clean["operators"]),
                clean["repeats"],
                request.user,
                clean["note"],
            )
            messages.success(request, f"Planned {made}.")
            return redirect(made)
    return render(request, "testers/study_new.html", {"tester": tester, "form": form})


@for_roles(Role.BENCH)
def study_read(request: StaffRequest, pk: int) -> HttpResponse:
    """The next reading of this person: scan the valve, Enter, type what it reads, Enter."""
    found = get_object_or_404(Study.objects.select_related("tester", "test_point__section__type"), pk=pk)
    cell = studies.next_cell(found, request.user) if found.open else None
    if cell is None:
        messages.success(request, "You have nothing to read in this study now.")
        return redirect(found)
    valve = Valve.objects.select_related("type").get(pk=cell.valve_id)
    # A page sent twice must not put the first valve's value on the next one.
    asked = f"{cell.repeat}-{cell.valve_id}"
    posted = request.method == "POST" and request.POST.get("cell") == asked
    if request.method == "POST" and not posted:
        messages.warning(request, "That reading was kept already. This is the next one.")
        return redirect("study-read", pk)
    form = ReadForm(found, valve, request.POST if posted else None)
    if posted and form.is_valid():
        with messages_on(request):
            studies.record(found, cell, form.cleaned_data["value"], request.user)
        return redirect("study-read", pk)
    form.place_cursor()
    mine = next(share for share in studies.progress_of(found) if share.operator == request.user)
    last = found.readings.current().filter(operator=request.user).order_by("-recorded_at", "-pk").first()
    return render(
        request,
        "testers/study_read.html",
        {
            "study": found,
            "cell": cell,
            "asked": asked,
            "valve": valve,
            "form": form,
            "mine": mine,
            "last": last,
        },
    )


@for_roles(Role.BENCH)
def study_correct(request: StaffRequest, pk: int) -> HttpResponse:
    wrong = get_object_or_404(StudyReading.objects.select_related("study__tester", "valve", "operator"), pk=pk)
    form = CorrectForm(wrong.study.of, request.POST or None, initial={"value": in_full(wrong.value, None)})
    if request.method == "POST" and form.is_valid():
        with errors_on(form):
            studies.correct(wrong, form.cleaned_data["value"], form.cleaned_data["reason"], request.user)
            messages.success(request, f"The reading of {wrong.valve} is corrected.")
            mine = wrong.study.open and studies.next_cell(wrong.study, request.user)
            return redirect("study-read" if mine else "study", wrong.study_id)
    form.place_cursor()
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": f"Correct a reading of {wrong.valve}",
            "back": wrong.study.get_absolute_url(),
            "intro": f"{wrong.study}: {wrong.operator} read {wrong.study.of.shown(wrong.value)}, time {wrong.repeat}.",
        },
    )


@for_roles(Role.BENCH)
@require_POST
def study_finish(request: StaffRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Study, pk=pk)
    with messages_on(request):
        follows = studies.finish(found, request.user)
        messages.success(request, " ".join(("Finished.", _who_speaks(found), *follows)))
    return redirect(found)


def _who_speaks(study: Study) -> str:
    """Whether the study speaks for readings like its own, or another does."""
    analysed = studies.analyse(study).result
    if analysed is None:
        return "Its readings cannot be analysed."
    speaks = studies.repeatability_of(study.tester, study.of, analysed.grand_mean)
    if speaks is None:
        return "No study speaks for the tester."
    of = f"the {study.of.label} of {study.tester}"
    if speaks.study == study:
        return f"It speaks for {of} from now on."
    return (
        f"Study {speaks.study.pk} still speaks for {of}, for it has {plain(speaks.degrees_of_freedom)} degrees of "
        f"freedom and this one {plain(analysed.repeatability_degrees_of_freedom)}. Set that one aside if the tester "
        "is no longer what it was."
    )


@for_roles(Role.OWNER)
@require_POST
def study_set_aside(request: StaffRequest, pk: int) -> HttpResponse:
    """Set it aside with a reason, or bring it back."""
    found = get_object_or_404(Study, pk=pk)
    with messages_on(request):
        if "back" in request.POST:
            follows = studies.bring_back(found, request.user)
            said = "It may speak for its tester again."
        else:
            follows = studies.set_aside(found, request.POST.get("why", "")[:200], request.user)
            said = "It is set aside. Its readings stay on record."
        messages.success(request, " ".join((said, *follows)))
    return redirect(found)


@for_roles(Role.BENCH)
@require_POST
def study_give_up(request: StaffRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Study, pk=pk)
    form = GiveUpForm(request.POST)
    if not form.is_valid():
        messages.error(request, "Say why the study is abandoned.")
        return redirect(found)
    with messages_on(request):
        studies.give_up(found, form.cleaned_data["why"], request.user)
        messages.success(request, "The study is abandoned. Its readings stay on record.")
    return redirect(found)


urlpatterns = [
    path("studies/", all_studies, name="studies"),
    path("testers/<int:pk>/studies/new/", study_new, name="study-new"),
    path("studies/<int:pk>/", study, name="study"),
    path("studies/<int:pk>/read/", study_read, name="study-read"),
    path("studies/<int:pk>/finish/", study_finish, name="study-finish"),
    path("studies/<int:pk>/give-up/", study_give_up, name="study-give-up"),
    path("studies/<int:pk>/set-aside/", study_set_aside, name="study-set-aside"),
    path("study-readings/<int:pk>/correct/", study_correct, name="study-reading-correct"),
]
