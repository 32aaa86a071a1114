"""The bench page, where a valve is read and judged without a mouse, and the page that corrects a reading."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from grading.bench import readings as at_bench
from grading.bench import tables
from grading.bench.beside import told_of
from grading.bench.entered import EnteredReading
from grading.bench.forms import ASKABLE, BenchChoices, ChoicesForm, ShiftForm, ValveForms, typed
from grading.bench.readings import BenchError
from grading.bench.series import with_settled_values
from grading.models import Reading, Shift, Tester
from grading.testers import reference_checks
from stockroom.models import Line, Valve
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.receiving import booking
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import messages_on

LINE = re.compile(r"\s*(L[0-9]+)\s*/\s*([0-9]+)\s*", re.IGNORECASE)
SHOWN_LINES = 8


@for_roles(Role.BENCH)
def bench(request: StaffRequest) -> HttpResponse:
    """Without a shift, start one; with one, scan a valve, read it, save it, and see what it is."""
    shift = Shift.objects.running_for(request.user)
    if request.method == "POST":
        return _save(request, shift)
    scanned = request.GET.get("serial")
    if shift is None:
        return _start_page(request, scanned or "")
    if scanned is None:
        return _bench_page(request, shift)
    if line := LINE.fullmatch(scanned):
        found = at_bench.bulk_lines().filter(lot__number=line[1].upper(), number=line[2]).first()
        fault = "" if found else f"{line[1].upper()}/{line[2]} has no pieces in bulk."
        return _bench_page(request, shift, scanned=scanned, fault=fault, line=found)
    try:
        valve = at_bench.fetch(scanned)
    except at_bench.NoTestPoint as error:
        return _bench_page(request, shift, scanned=scanned, fault=str(error), unsettable=error.type_)
    except (BadSerial, BenchError) as error:
        return _bench_page(request, shift, scanned=scanned, fault=str(error))
    choices = BenchChoices.of(request)
    point_name = request.GET.get("point") or choices.points.get(str(valve.type_id), "")
    valve_forms = _valve_forms(valve, choices, shift, point_name=point_name)
    return _bench_page(request, shift, valve=valve, valve_forms=valve_forms, choices=choices)


def _save(request: StaffRequest, shift: Shift | None) -> HttpResponse:
    """Keep the readings of the valve on the page, or show the page again with all that was typed."""
    try:
        serial = read_serial(request.POST.get("serial", ""))
    except BadSerial as error:
        messages.error(request, str(error))
        return redirect("bench")
    valve = get_object_or_404(at_bench.testable(Valve.objects.all()), serial=serial)
    if not valve.type.test_sections:
        messages.error(request, at_bench.why_not(valve))
        return redirect("bench")
    choices = BenchChoices.of(request)
    point_name = request.POST.get("point", "")
    valve_forms = _valve_forms(valve, choices, shift, point_name=point_name, data=request.POST)
    if valve_forms.is_valid():
        try:
            if shift is None:
                raise at_bench.ShiftEnded("Your shift has ended. Start one in another window, then save again.")
            at_bench.record_readings(shift, valve, valve_forms.entered, request.user)
        except BenchError as error:
            return _bench_page(request, shift, valve=valve, valve_forms=valve_forms, choices=choices, fault=str(error))
        if point_name:
            replace(choices, points={**choices.points, str(valve.type_id): point_name}).remember(request)
        done = {"read": valve.serial, "once": request.POST.get("once", "")}  # by which the browser forgets its draft
        return redirect(f"{reverse('bench')}?{urlencode(done)}")
    return _bench_page(request, shift, valve=valve, valve_forms=valve_forms, choices=choices)


def _valve_forms(
    valve: Valve, choices: BenchChoices, shift: Shift | None, *, point_name: str, data: Any = None
) -> ValveForms:
    read = Reading.objects.current().filter(valve=valve).values_list("section", flat=True)
    tester = shift.tester if shift else None
    return ValveForms(
        valve.type.test_sections, choices, tester, point_name=point_name, data=data, already_read=set(read)
    )


def _start_page(request: StaffRequest, serial: str, form: ShiftForm | None = None) -> HttpResponse:
    """`serial` is the valve to go on with once the shift has started."""
    if form is None:
        remembered = BenchChoices.of(request)
        last = Shift.objects.filter(operator=request.user, tester__in_use=True).first()
        start: dict[str, Any] = {
            "tester": last and last.tester_id,
            "gm_unit": remembered.gm_unit,
            "ask": remembered.ask,
        }
        start |= {"serial": serial, "interval_s": remembered.interval_s}
        form = ShiftForm(initial=start)
    form.fields["tester"].widget.attrs |= {"autofocus": True, "data-enter": "send"}
    testers = Tester.objects.filter(in_use=True).exists()
    return render(request, "bench/bench_start.html", {"form": form, "testers": testers})


def _bench_page(
    request: StaffRequest,
    shift: Shift | None,
    *,
    scanned: str = "",
    fault: str = "",
    valve: Valve | None = None,
    valve_forms: ValveForms | None = None,
    choices: BenchChoices | None = None,
    line: Line | None = None,
    unsettable: ValveType | None = None,
) -> HttpResponse:
    choices = choices or BenchChoices.of(request)
    context: dict[str, Any] = {"shift": shift, "scanned": scanned, "fault": fault, "choices": choices, "line": line}
    context["unsettable"] = unsettable
    if shift:
        tested = at_bench.latest(shift)
        last = tested[0] if tested and tested[0].valve.serial == request.GET.get("read") else None
        lines = list(at_bench.bulk_lines()[:SHOWN_LINES])
        here = tested[0].valve.line_id if tested else None
        next_line = at_bench.bulk_lines().filter(pk=here).first() if here else None
        context |= {
            "tested": tested,
            "last": last,  # only where this person has just saved it: after a log-in another valve lies there
            "readings": tables.this_shift(tested),
            "tally": at_bench.tally(shift),
            "next_line": next_line,
            "lines": [other for other in lines if next_line is None or other.pk != next_line.pk],
            "stop": reference_checks.current_stop(shift.tester),
            "check_due": reference_checks.check_due(shift),
            "choices_form": ChoicesForm(
                initial={"gm_unit": choices.gm_unit, "ask": choices.ask, "interval_s": choices.interval_s}
            ),
        }
    if valve and valve_forms:
        valve_forms.place_cursor()
        context |= {"valve": valve, "valve_forms": valve_forms, **_about(valve, valve_forms)}
        context["beside"] = told_of(valve, shift.tester if shift else None)
    return render(request, "bench/bench.html", context)


def _about(valve: Valve, valve_forms: ValveForms) -> dict[str, Any]:
    """What the person is told of the valve on the page."""
    names = dict.fromkeys(point.name for section in valve.type.test_sections for point in section.test_points.all())
    before = Reading.objects.current().filter(valve=valve).select_related("shift__tester", "test_point__section")
    previous = list(before.prefetch_related("shift__tester__conditions")[:8])
    return {
        "point_names": [(name, name == valve_forms.forms[0].point.name) for name in names],
        "nominals": tables.nominals(valve_forms.forms),
        "previous": previous and tables.read_before(previous),
        "grade": valve.grades.filter(current=True).first(),
        "set": valve.memberships.filter(live=True).select_related("set").first(),
        "order": valve.allocations.filter(live=True).select_related("order_line__order").first(),
    }


@for_roles(Role.BENCH)
@require_POST
def shift_start(request: StaffRequest) -> HttpResponse:
    form = ShiftForm(request.POST)
    if not form.is_valid():
        return _start_page(request, request.POST.get("serial", ""), form)
    with messages_on(request):
        at_bench.start_shift(form.cleaned_data["tester"], request.user)
        form.choices().remember(request)
    return redirect(_bench_with(form.cleaned_data["serial"]))


@for_roles(Role.BENCH)
@require_POST
def shift_end(request: StaffRequest) -> HttpResponse:
    shift = Shift.objects.running_for(request.user)
    if shift:
        at_bench.end_shift(shift, request.user)
        messages.success(request, f"Shift at {shift.tester} ended.")
    return redirect("bench")


@for_roles(Role.BENCH)
@require_POST
def bench_choices(request: StaffRequest) -> HttpResponse:
    """The unit of gm and the fields asked for, changed in the middle of a shift."""
    form = ChoicesForm(request.POST)
    if form.is_valid():
        replace(form.choices(), points=BenchChoices.of(request).points).remember(request)
    else:
        messages.error(request, "Those are not choices of this bench.")
    return redirect("bench")


@for_roles(Role.BENCH)
@require_POST
def give_serial(request: StaffRequest, line: int) -> HttpResponse:
    """One piece from bulk gets its serial and goes straight to the bench."""
    try:
        valve = booking.give_serial(get_object_or_404(Line, pk=line), request.user)
    except booking.ReceivingError as error:
        messages.error(request, str(error))
        return redirect("bench")
    return redirect(_bench_with(valve.serial, new="1"))


def _bench_with(serial: str, **more: str) -> str:
    return reverse("bench") + (f"?{urlencode({'serial': serial, **more})}" if serial else "")


class CorrectionForm(forms.Form):
    reason = forms.CharField(label="What was wrong with it", max_length=200)
    withdraw = forms.BooleanField(
        label="It was read on another valve",
        required=False,
        help_text="Takes the reading away from this valve and puts nothing in its place.",
    )


@for_roles(Role.BENCH)
def correct(request: StaffRequest, reading: int) -> HttpResponse:
    """What the tester really said, and why the first reading was wrong."""
    about = ("valve__type", "valve__line__lot", "shift__tester", "shift__operator", "test_point__section__type")
    wrong = get_object_or_404(Reading.objects.select_related(*about), pk=reading)
    if Reading.objects.filter(supersedes=wrong).exists():
        messages.error(request, at_bench.corrected_already(wrong))
        return redirect(wrong.valve)
    choices = BenchChoices.of(request)
    section = wrong.test_point.section
    initial: Mapping[int, Mapping[str, Any]] = {wrong.section: typed(wrong, choices)}
    point_name = request.POST.get("point", wrong.test_point.name)
    everything = replace(choices, ask=tuple(ASKABLE))
    data = request.POST or None
    valve_forms = ValveForms(
        [section],
        everything,
        wrong.shift.tester,
        point_name=point_name,
        data=data,
        initial=initial,
        last_sends=False,
        at=wrong.taken_at,
    )
    form = CorrectionForm(request.POST or None)
    from_bench = (request.POST or request.GET).get("from") == "bench"
    if request.method == "POST" and _correct(request, wrong, valve_forms, form):
        return redirect("bench") if from_bench else redirect(wrong.valve)
    valve_forms.place_cursor()
    points = list(section.test_points.values_list("name", flat=True))
    context = {
        "reading": wrong,
        "wrong": tables.as_written(wrong),
        "valve_forms": valve_forms,
        "form": form,
        "points": points,
    }
    context |= {"from_bench": from_bench}
    return render(request, "bench/reading_correct.html", context)


def _correct(request: StaffRequest, wrong: Reading, valve_forms: ValveForms, form: CorrectionForm) -> bool:
    """True when the correction was written; otherwise the forms say what is wrong."""
    if not form.is_valid():
        valve_forms.is_valid()
        return False
    reason = form.cleaned_data["reason"]
    try:
        if form.cleaned_data["withdraw"]:
            grade = at_bench.withdraw(wrong, reason, request.user)
        elif not valve_forms.is_valid():
            return False
        elif with_settled_values(valve_forms.entered[wrong.section], wrong.shift.tester) == EnteredReading.of(wrong):
            form.add_error(None, "Nothing was changed. Change what was wrong, or go back.")
            return False
        else:
            grade = at_bench.correct(wrong, valve_forms.entered[wrong.section], reason, request.user)
    except BenchError as error:
        form.add_error(None, str(error))
        return False
    verdict = f"{wrong.valve} is {grade} now." if grade else f"{wrong.valve} has no grade now."
    messages.success(request, f"Section {wrong.section} corrected. {verdict}")
    return True


urlpatterns = [
    path("bench/", bench, name="bench"),
    path("bench/start/", shift_start, name="bench-start"),
    path("bench/end/", shift_end, name="bench-end"),
    path("bench/choices/", bench_choices, name="bench-choices"),
    path("bench/take-up/<int:line>/", give_serial, name="bench-take-up"),
    path("readings/<int:reading>/correct/", correct, name="reading-correct"),
]
