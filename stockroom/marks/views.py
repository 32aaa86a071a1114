"""Pages of identification: what is on a valve, on a whole line, the warnings, and cleaning."""

from __future__ import annotations

from typing import Any

import django_filters
from django.contrib import messages
from django.db import transaction
from django.db.models import Prefetch, QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from stockroom.marks import identity
from stockroom.marks.forms import ALONE, OVER, CleaningForm, DismissForm, MarksForm
from stockroom.marks.pure.identification import NOT_A_VERDICT, Built, Subject
from stockroom.marks.register import Register
from stockroom.models import DateReading, Entry, Line, Lot, Maker, MarkWarning, Valve
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.pure.written import plural
from stockroom.site.locks import hold_valves
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, messages_on
from stockroom.site.web import page_of

LATELY = 12


def _valve(serial: str) -> Valve:
    return get_object_or_404(Valve.objects.for_rows().select_related("line__type", "line__lot"), serial=serial)


@for_roles(Role.RECEIVING, Role.BENCH)
def identify(request: StaffRequest) -> HttpResponse:
    """Scan one valve after the other."""
    problem, scanned = "", request.GET.get("serial", "")
    if scanned:
        try:
            serial = read_serial(scanned)
        except BadSerial as bad:
            problem = str(bad)
        else:
            if Valve.objects.filter(serial=serial).exists():
                return redirect(f"{reverse('valve-identify', args=[serial])}?next=scan")
            problem = f"No valve here has the serial {serial}."
    entries = Entry.objects.filter(by=request.user, action="identified").exclude(valve=None)
    context = {"problem": problem, "scanned": scanned, "entries": entries.select_related("valve__type")[:LATELY]}
    return render(request, "marks/identify.html", context)


@for_roles(Role.RECEIVING, Role.BENCH)
@transaction.atomic
def valve_identify(request: StaffRequest, serial: str) -> HttpResponse:
    """The valve is held from the look at what was sent until it is written."""
    valve = _valve(serial)
    if request.method == "POST":
        (valve,) = hold_valves([valve.pk], "maker", "place", "line__type")
    others = Valve.objects.in_house().filter(line=valve.line).exclude(pk=valve.pk)
    form = MarksForm(request.POST or None, line=valve.line, valve=valve, others=others.count())
    if request.method == "POST" and form.is_valid() and form.settled:
        seen, maker = form.seen(), form.cleaned_data["maker"]
        new = maker is not None and maker.pk is None
        count = 0
        with errors_on(form, "code"):
            with transaction.atomic():
                identity.record(valve, seen, request.user)
                if form.spread_to != ALONE:
                    count = identity.spread(others, seen, request.user, over=form.spread_to == OVER)
            alike = f", and {count} others of its line alike" if form.spread_to != ALONE else ""
            messages.success(request, f"{serial} is recorded{alike}.")
            _say_new_maker(request, maker if new else None)
            _say_warnings(request, valve)
            return redirect("identify" if request.GET.get("next") == "scan" else valve.get_absolute_url())
    return _marks_page(request, form, f"Identify {serial}", valve.get_absolute_url())


@for_roles(Role.RECEIVING, Role.BENCH)
def line_identify(request: StaffRequest, number: str, line: int) -> HttpResponse:
    """The same for the valves of a whole line; what is left empty here is left alone there."""
    of = _line(number, line)
    valves = Valve.objects.in_house().filter(line=of)
    form = MarksForm(request.POST or None, line=of, valve=None, others=valves.count())
    back = reverse("line-marks", args=[number, line])
    if request.method == "POST" and form.is_valid() and form.settled:
        maker = form.cleaned_data["maker"]
        new = maker is not None and maker.pk is None
        with errors_on(form, "code"):
            count = identity.spread(valves, form.seen(), request.user, over=form.spread_to == OVER)
            told = f"{plural(count, 'valve')} of line {of} recorded."
            messages.success(request, told if count else "Nothing was new.")
            _say_new_maker(request, maker if new and maker.pk else None)
            return redirect(back)
    return _marks_page(request, form, f"Identify line {of}", back)


def _marks_page(request: StaffRequest, form: MarksForm, title: str, back: str) -> HttpResponse:
    asked = request.method == "POST" and not form.errors
    form.put_cursor(on_reading=asked and bool(form.ranked))
    context = {
        "form": form,
        "title": title,
        "back": back,
        "valve": form.valve,
        "line": form.line,
        "cautions": form.line.type.caution_sentences,
        "asked": asked,
        "show_readings": form.ranked and (form.is_bound or form.saved),
        "unread": form.is_bound and form["code"].value() and not form.ranked,
        "said": form.said if form.is_bound or form.saved else [],
        "built": form.built,
    }
    return render(request, "marks/marks_form.html", context)


def _say_new_maker(request: StaffRequest, maker: Maker | None) -> None:
    if maker is not None:
        messages.warning(request, f"“{maker}” was not known and is added as a new maker.")


def _say_warnings(request: StaffRequest, valve: Valve) -> None:
    sentence = identity.in_words(list(valve.warnings.open()))
    if sentence:
        messages.warning(request, f"{valve.serial}: {sentence}")


def _line(number: str, line: int) -> Line:
    return get_object_or_404(
        Line.objects.select_related("lot__supplier", "type", "maker"), lot__number=number, number=line
    )


def line_marks(request: StaffRequest, number: str, line: int) -> HttpResponse:
    """Everything that is recorded of the marks of a line's valves, on one page."""
    of = _line(number, line)
    valves = (
        Valve.objects.for_rows()
        .filter(line=of)
        .select_related("condition")
        .prefetch_related(
            "features",
            Prefetch("date_readings", DateReading.objects.filter(current=True), to_attr="current_readings"),
            Prefetch("warnings", MarkWarning.objects.open(), to_attr="open_warnings"),
        )
    )
    page = page_of(request, valves.order_by("position"))
    register = Register()
    context = {
        "line": of,
        "page": page,
        "rows": [(valve, _reasons(valve.open_warnings), _built(valve, register)) for valve in page],
        "warned": identity.warnings_by_line([of.pk]).get(of.pk, 0),
        "not_a_verdict": NOT_A_VERDICT,
    }
    return render(request, "marks/line_marks.html", context)


def _built(valve: Valve, register: Register) -> Built | None:
    """What the construction tells of the years of a valve whose code tells no date."""
    read = valve.current_readings  # type: ignore[attr-defined]
    if read and read[0].earliest:
        return None
    features = {one.feature: one.word for one in valve.features.all()}
    return identity.built(features, valve.maker, valve.type_id, register)


def _reasons(warnings: list[MarkWarning]) -> str:
    """The sentence without its closing words, which the page says once for all."""
    return identity.in_words(warnings).removesuffix(f" {NOT_A_VERDICT}")


class WarningFilter(django_filters.FilterSet):
    status = django_filters.ChoiceFilter(
        label="State",
        method="by_status",
        empty_label="open",
        choices=[("dismissed", "dismissed"), ("cleared", "cleared"), ("all", "all")],
    )
    subject = django_filters.ChoiceFilter(label="Subject", choices=[(one.value, one.value) for one in Subject])
    type = django_filters.ModelChoiceFilter(
        label="Type",
        field_name="valve__type",
        queryset=ValveType.objects.filter(valves__warnings__isnull=False).distinct(),
    )
    lot = django_filters.ModelChoiceFilter(
        label="Lot",
        field_name="valve__line__lot",
        queryset=Lot.objects.filter(lines__valves__warnings__isnull=False).distinct(),
    )

    class Meta:
        model = MarkWarning
        fields: list[str] = []

    def by_status(self, warnings: QuerySet[MarkWarning], _: str, value: str) -> QuerySet[MarkWarning]:
        if value == "dismissed":
            return warnings.filter(cleared_at=None).exclude(dismissed_at=None)
        return warnings.exclude(cleared_at=None) if value == "cleared" else warnings

    @property
    def qs(self) -> Any:
        found = super().qs
        return found if self.form.is_valid() and self.form.cleaned_data.get("status") else found.open()


def warnings(request: StaffRequest) -> HttpResponse:
    rows = MarkWarning.objects.select_related("valve__type", "valve__maker", "valve__line__lot", "dismissed_by")
    found = WarningFilter(request.GET, queryset=rows)
    context = {"filter": found, "page": page_of(request, found.qs), "not_a_verdict": NOT_A_VERDICT}
    return render(request, "marks/warnings.html", context)


@for_roles(Role.RECEIVING, Role.BENCH)
@require_POST
def warning_dismiss(request: StaffRequest, pk: int) -> HttpResponse:
    warning = get_object_or_404(MarkWarning.objects.select_related("valve"), pk=pk)
    form = DismissForm(request.POST)
    if form.is_valid():
        with messages_on(request):
            identity.dismiss(warning, form.cleaned_data["because"], request.user)
            messages.success(request, "The warning is dismissed; it stays in the valve’s history.")
    else:
        messages.error(request, "Say why the warning is nothing; it is not dismissed without a reason.")
    return redirect(warning.valve)


@for_roles(Role.RECEIVING, Role.BENCH)
def valve_clean(request: StaffRequest, serial: str) -> HttpResponse:
    valve = _valve(serial)
    form = CleaningForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        identity.clean(valve, form.cleaned_data["how"], form.cleaned_data["note"], request.user)
        messages.success(request, f"The cleaning of {serial} is recorded.")
        return redirect(valve)
    context = {"form": form, "valve": valve, "cautions": identity.cleaning_cautions(valve.type)}
    return render(request, "marks/valve_clean.html", context)


urlpatterns = [
    path("identify/", identify, name="identify"),
    path("valves/<str:serial>/identify/", valve_identify, name="valve-identify"),
    path("valves/<str:serial>/clean/", valve_clean, name="valve-clean"),
    path("lots/<str:number>/<int:line>/marks/", line_marks, name="line-marks"),
    path("lots/<str:number>/<int:line>/identify/", line_identify, name="line-identify"),
    path("warnings/", warnings, name="warnings"),
    path("warnings/<int:pk>/dismiss/", warning_dismiss, name="warning-dismiss"),
]
