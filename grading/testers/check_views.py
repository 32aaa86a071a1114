"""Pages of reference valves: the start-of-shift check, the control chart, and a tester that is stopped."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone

from grading.metrology.quantities import CLAIMING
from grading.metrology.units import in_full
from grading.models import Quantity, Reading, ReferenceCheck, ReferenceValve, Shift, Stop, Tester
from grading.plots import charts as plots
from grading.testers import reference_checks as at_checks
from grading.testers.conditions import conditions_for
from grading.testers.fields import SureForm, ValueField
from grading.testers.readings_table import (
    SECTION,
    WHEN,
    OwnColumn,
    ReadingsTable,
    readings_table,
    state_mark,
    valve_link,
)
from grading.testers.reference_checks import CheckChart
from grading.testers.study_views import CorrectForm
from grading.testers.views import SectionForm
from stockroom.models import Valve
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.pure.written import moment, plain
from stockroom.site.numbers import WholeTyped
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, messages_on
from stockroom.site.web import page_of
from stockroom.states import State

SHOWN = 60  # checks on a plot
FAR_SIGMAS = 10  # a check so far off is first taken for a slip of the hand


class CheckForm(SureForm):
    """One field a reference valve; those not read now may stay empty."""

    def __init__(self, charts: list[CheckChart], due: set[int], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.charts = {f"r{chart.reference.pk}": chart for chart in charts}
        for name, chart in self.charts.items():
            reference, lines = chart.reference, chart.lines
            settings = conditions_for(chart.tester, reference.test_point).in_words
            usual = getattr(reference.test_point, reference.quantity) if reference.of in CLAIMING else None
            far = None
            if lines:
                usual, far = lines.centre, FAR_SIGMAS * lines.standard_deviation
            self.fields[name] = ValueField(
                reference.of,
                usual=usual,
                far=far,
                required=False,
                label=f"{reference}, {reference.unit}",
                help_text=settings + (f". {reference.note}" if reference.note else ""),
            )
        first_due = next((name for name, chart in self.charts.items() if chart.reference.pk in due), None)
        if first_due:  # the cursor starts at what is still asked for
            self.order_fields([first_due])

    def clean(self) -> None:
        super().clean()
        if not self.errors and not self.read:
            self.add_error(next(iter(self.charts)), "Type what it read.")

    @property
    def read(self) -> list[tuple[ReferenceValve, float]]:
        values = ((chart.reference, self.cleaned_data.get(name)) for name, chart in self.charts.items())
        return [(reference, value) for reference, value in values if value is not None]


class ReferenceForm(SectionForm):
    known_by = forms.CharField(
        label="Serial, or a name for a valve without one",
        max_length=80,
        widget=forms.TextInput(attrs={"autofocus": True, "autocomplete": "off"}),
    )
    tester = forms.ModelChoiceField(
        Tester.objects.filter(in_use=True), required=False, empty_label="every tester that measures it"
    )
    quantity = forms.ChoiceField(choices=Quantity.choices)
    note = forms.CharField(required=False, max_length=200, help_text="Where it is kept, how long it warms up.")

    field_order = ["known_by", "type", "section", "quantity", "tester", "note"]

    def clean_known_by(self) -> Valve | str:
        text = self.cleaned_data["known_by"]
        try:
            serial = read_serial(text)
        except BadSerial as problem:
            if any(letter.isalpha() for letter in text):
                return text
            raise forms.ValidationError(str(problem)) from problem
        valve = Valve.objects.select_related("type").filter(serial=serial).first()
        if valve is None:
            raise forms.ValidationError(f"No valve has the serial {serial}.")
        if valve.state not in (State.RECEIVED, State.TESTED, State.GRADED):
            raise forms.ValidationError(f"{serial} is {valve.state}: choose one that is not on its way out.")
        return valve

    def clean(self) -> None:
        super().clean()
        valve, type_ = self.cleaned_data.get("known_by"), self.cleaned_data.get("type")
        if isinstance(valve, Valve) and type_ and valve.type != type_:
            self.add_error("type", f"{valve} is a {valve.type}.")
        tester, quantity = self.cleaned_data.get("tester"), self.cleaned_data.get("quantity")
        if tester and quantity and not tester.measures(quantity):
            self.add_error("quantity", f"By its record {tester} does not measure this.")


class CheckField(forms.ModelChoiceField):
    def label_from_instance(self, obj: Any) -> str:
        return f"{_when(obj)}, {plain(obj.value)}"


class BaselineForm(forms.Form):
    start = CheckField(label="From the check of", queryset=ReferenceCheck.objects.none(), empty_label=None)
    size = WholeTyped(
        label="So many checks",
        min_value=at_checks.SHORTEST_BASELINE,
        initial=at_checks.BASELINE,
        help_text="More checks draw truer limits; take a stretch in which nothing was changed.",
    )
    why = forms.CharField(label="Why these", max_length=200)

    def __init__(self, checks: QuerySet[ReferenceCheck], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["start"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = checks
        field.widget.attrs["autofocus"] = True


class ClearForm(forms.Form):
    action = forms.CharField(
        label="What was done",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="What was found, what was put right, and what becomes of the readings below.",
    )
    new_baseline = forms.BooleanField(
        label="Learn the charts of this tester anew",
        required=False,
        help_text="When it was adjusted or repaired and rightly reads otherwise now. Until then nothing is stopped.",
    )


def _when(check: ReferenceCheck) -> str:
    return moment(timezone.localtime(check.taken_at))


@for_roles(Role.BENCH)
def checks(request: StaffRequest) -> HttpResponse:
    """The start-of-shift check: read each reference valve, Enter by Enter."""
    shift = Shift.objects.running_for(request.user)
    if shift is None:
        messages.warning(request, "Start a shift first: a check belongs to a tester.")
        return redirect("bench")
    charts = [at_checks.chart_of(reference, shift.tester) for reference in at_checks.for_tester(shift.tester)]
    due = {reference.pk for reference in at_checks.due(shift)}
    form = CheckForm(charts, due, request.POST or None)
    if request.method == "POST" and charts and form.is_valid():
        with errors_on(form):
            outcomes = [at_checks.record(reference, shift, value, request.user) for reference, value in form.read]
            _tell(request, outcomes)
            stop = outcomes[-1].stop
            return redirect(stop) if stop else redirect("checks" if at_checks.due(shift) else "bench")
    form.place_cursor()
    return render(
        request,
        "testers/checks.html",
        {
            "shift": shift,
            "form": form,
            "charts": charts,
            "due": due,
            "stop": at_checks.current_stop(shift.tester),
        },
    )


def _tell(request: StaffRequest, outcomes: list[at_checks.CheckOutcome]) -> None:
    for outcome in outcomes:
        chart = outcome.chart
        if not chart.in_control:
            messages.error(request, at_checks.reasons(chart))
        elif chart.lines is None:
            far = chart.problem or f"{chart.so_far} of {chart.size} checks for the chart's lines are made."
            messages.success(request, f"{chart.reference}: kept. {far}")
        else:
            messages.success(request, f"{chart.reference} is in control.")


def reference_valves(request: HttpRequest) -> HttpResponse:
    found = ReferenceValve.objects.select_related("valve", "tester", "test_point__section__type")
    page = page_of(request, found.order_by("-active", "pk"))
    testers = list(Tester.objects.filter(in_use=True).prefetch_related("capabilities"))
    rows = [
        (one, [tester for tester in testers if one.tester_id in (None, tester.pk) and tester.measures(one.quantity)])
        for one in page
    ]
    return render(request, "testers/reference_valves.html", {"page": page, "rows": rows})


@for_roles(Role.OWNER)
def reference_new(request: StaffRequest) -> HttpResponse:
    form = ReferenceForm(request.POST or None, initial={"tester": request.GET.get("tester")})
    if request.method == "POST" and form.is_valid():
        clean = form.cleaned_data
        valve = clean["known_by"] if isinstance(clean["known_by"], Valve) else None
        reference = at_checks.add_reference(
            ReferenceValve(
                tester=clean["tester"],
                valve=valve,
                name="" if valve else clean["known_by"],
                test_point=clean["test_point"],
                quantity=clean["quantity"],
                note=clean["note"],
            ),
            request.user,
        )
        messages.success(request, f"{reference} is a reference valve now. Keep it apart from the stock.")
        return redirect("reference-valves")
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": "A new reference valve",
            "back": reverse("reference-valves"),
            "intro": (
                "A good, well-aged valve kept aside and read at the start of every shift shows when a tester drifts."
            ),
        },
    )


@for_roles(Role.OWNER)
def reference_use(request: StaffRequest, pk: int) -> HttpResponse:
    """Put a reference valve out of use, or in use again."""
    reference = get_object_or_404(ReferenceValve.objects.select_related("valve", "test_point__section"), pk=pk)
    if request.method == "POST":
        at_checks.put_in_use(reference, not reference.active, request.user)
        messages.success(request, f"{reference} is {'in use' if reference.active else 'out of use'}.")
    return redirect("reference-valves")


def chart(request: HttpRequest, pk: int, tester: int) -> HttpResponse:
    """The control chart of one reference valve on one tester."""
    reference = get_object_or_404(ReferenceValve.objects.select_related("valve", "test_point__section__type"), pk=pk)
    found = at_checks.chart_of(reference, get_object_or_404(Tester, pk=tester))
    signals = [(rule, _in_words(found, first, last)) for rule, first, last in found.broken]
    return render(
        request,
        "testers/reference_chart.html",
        {
            "chart": found,
            "plots": _plots(found),
            "signals": signals,
            "rules": [f"{rule.key}, {rule.statement}" for rule in at_checks.RULES],
            "unsteady": [f"{_when(check)} ({plain(check.value)})" for check in found.outside_baseline],
            "latest": list(reversed(found.checks))[:SHOWN],
            "stop": at_checks.current_stop(found.tester),
        },
    )


def _in_words(chart: CheckChart, first: int, last: int) -> str:
    """The checks `chart.checks[first:last]`, by when they were made and what the last one read."""
    stretch = chart.checks[first:last]
    since = f"the checks from {_when(stretch[0])} to" if len(stretch) > 1 else "the check of"
    return f"{since} {_when(stretch[-1])} ({chart.reference.of.amount(stretch[-1].value)})"


def _plots(chart: CheckChart) -> list[plots.Plot]:
    if len(chart.checks) < 2:
        return []
    skipped = max(0, len(chart.checks) - SHOWN)
    shown = chart.checks[skipped:]
    signalled = frozenset(
        chart.judged_from + i - skipped
        for signal in (chart.assessment.signals if chart.assessment else ())
        for i in range(signal.first, signal.last + 1)
        if chart.judged_from + i >= skipped
    )
    baseline = range(max(0, chart.first - skipped), max(0, chart.last - skipped)) if chart.lines else range(0)
    series = plots.PlotSeries(
        [check.value for check in shown], [_when(check) for check in shown], signalled, baseline, chart.reference.unit
    )
    drawn = [plots.individuals_plot(series, chart.lines)]
    if chart.lines and chart.assessment:
        drawn.append(plots.moving_range_plot(series, chart.lines))
        points = chart.assessment.ewma[max(0, skipped - chart.judged_from) :]
        if points:
            drawn.append(plots.ewma_plot(series, chart.lines, points, max(0, chart.judged_from - skipped)))
    return drawn


@for_roles(Role.OWNER)
def baseline(request: StaffRequest, pk: int, tester: int) -> HttpResponse:
    """Draw the chart's lines from other checks."""
    reference = get_object_or_404(ReferenceValve.objects.select_related("valve", "test_point__section"), pk=pk)
    on = get_object_or_404(Tester, pk=tester)
    current = ReferenceCheck.objects.current().filter(reference=reference, shift__tester=on)
    form = BaselineForm(current.order_by("taken_at", "pk"), request.POST or None)
    if request.method == "POST" and form.is_valid():
        clean = form.cleaned_data
        at_checks.choose_baseline(reference, on, clean["start"].taken_at, clean["size"], clean["why"], request.user)
        messages.success(request, "The chart is drawn from these checks now.")
        return redirect("reference-chart", pk, tester)
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": f"Baseline of {reference} on {on}",
            "back": reverse("reference-chart", args=[pk, tester]),
        },
    )


@for_roles(Role.BENCH)
def check_correct(request: StaffRequest, pk: int) -> HttpResponse:
    about = ("reference__valve", "reference__test_point__section", "shift__tester", "by")
    wrong = get_object_or_404(ReferenceCheck.objects.select_related(*about), pk=pk)
    form = CorrectForm(wrong.reference.of, request.POST or None, initial={"value": in_full(wrong.value, None)})
    if request.method == "POST" and form.is_valid():
        with errors_on(form):
            outcome = at_checks.correct(wrong, form.cleaned_data["value"], form.cleaned_data["reason"], request.user)
            _tell(request, [outcome])
            return redirect("reference-chart", wrong.reference_id, wrong.shift.tester_id)
    form.place_cursor()
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": f"Correct a check of {wrong.reference}",
            "back": reverse("reference-chart", args=[wrong.reference_id, wrong.shift.tester_id]),
            "intro": (
                f"{wrong.by} read {wrong.reference.of.shown(wrong.value)} on {wrong.shift.tester}, {_when(wrong)}."
            ),
        },
    )


def stop(request: HttpRequest, pk: int) -> HttpResponse:
    """Why a tester is stopped, every reading since its last good check, and, for the owner, clearing it."""
    found = get_object_or_404(Stop.objects.select_related("tester", "check_made__reference", "cleared_by"), pk=pk)
    readings = at_checks.under_review(found)
    page = page_of(request, readings)
    gone = Valve.objects.filter(readings__in=readings, state=State.DESPATCHED).distinct()
    return render(
        request,
        "testers/stop.html",
        {
            "stop": found,
            "page": page,
            "readings": _under_review(page),
            "form": ClearForm(),
            "gone": gone[:50],
            "count": page.paginator.count,
            "charts": [at_checks.chart_of(reference, found.tester) for reference in at_checks.for_tester(found.tester)],
        },
    )


def _under_review(readings: Iterable[Reading]) -> ReadingsTable:
    return readings_table(
        readings,
        "Readings for review",
        before=[
            OwnColumn("Valve", lambda reading: valve_link(reading.valve)),
            OwnColumn("Type", lambda reading: reading.valve.type),
            SECTION,
        ],
        after=[
            WHEN._replace(head="Read"),
            OwnColumn("By", lambda reading: reading.shift.operator),
            OwnColumn("State", lambda reading: state_mark(reading.valve)),
        ],
        empty="None: nothing was graded on it since.",
    )


@for_roles(Role.OWNER)
def stop_clear(request: StaffRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Stop.objects.select_related("tester"), pk=pk)
    form = ClearForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        with messages_on(request):
            at_checks.clear(found, form.cleaned_data["action"], form.cleaned_data["new_baseline"], request.user)
            messages.success(request, f"{found.tester} may grade again. Check its reference valves before you do.")
        return redirect(found)
    form.fields["action"].widget.attrs["autofocus"] = True
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": f"Clear the stop of {found.tester}",
            "action": "Clear the stop",
            "back": found.get_absolute_url(),
            "intro": found.why,
        },
    )


urlpatterns = [
    path("checks/", checks, name="checks"),
    path("checks/<int:pk>/correct/", check_correct, name="check-correct"),
    path("reference-valves/", reference_valves, name="reference-valves"),
    path("reference-valves/new/", reference_new, name="reference-new"),
    path("reference-valves/<int:pk>/use/", reference_use, name="reference-use"),
    path("reference-valves/<int:pk>/on/<int:tester>/", chart, name="reference-chart"),
    path("reference-valves/<int:pk>/on/<int:tester>/baseline/", baseline, name="reference-baseline"),
    path("stops/<int:pk>/", stop, name="stop"),
    path("stops/<int:pk>/clear/", stop_clear, name="stop-clear"),
]
