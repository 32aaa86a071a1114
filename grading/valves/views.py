"""Pages of single valves: the list, and one with its whole history."""

from __future__ import annotations

from collections.abc import Iterable

import django_filters
from django import forms
from django.contrib import messages
from django.db.models import Prefetch, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils.html import format_html
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from grading.models import Grade, Policy, Reading
from grading.testers import conditions
from grading.testers.readings_table import SECTION, WHEN, OwnColumn, ReadingsTable, readings_table
from grading.verdicts import judging
from stockroom.marks import identity
from stockroom.models import Entry, Lot, Maker, Place, Shop, Valve
from stockroom.places import write_offs
from stockroom.site.people import Role, StaffRequest, for_roles, may
from stockroom.site.refusals import messages_on
from stockroom.site.web import page_of
from stockroom.states import State


class ValveFilter(django_filters.FilterSet):
    serial = django_filters.CharFilter(label="Serial starts with", lookup_expr="startswith")
    type = django_filters.ModelChoiceFilter(
        label="Type", queryset=ValveType.objects.filter(valves__isnull=False).distinct()
    )
    state = django_filters.ChoiceFilter(label="State", choices=State.choices())
    grade = django_filters.ChoiceFilter(label="Grade", method="by_grade", choices=lambda: _grade_names())
    maker = django_filters.ModelChoiceFilter(label="Marked maker", queryset=Maker.objects.all())
    lot = django_filters.ModelChoiceFilter(label="Lot", field_name="line__lot", queryset=Lot.objects.all())
    place = django_filters.ModelChoiceFilter(label="Place", queryset=Place.objects.all())

    class Meta:
        model = Valve
        fields: list[str] = []

    def by_grade(self, valves: QuerySet[Valve], _: str, value: str) -> QuerySet[Valve]:
        return valves.filter(grades__current=True, grades__name=value)


def _grade_names() -> list[tuple[str, str]]:
    policy = Policy.objects.filter(in_force=True).first()
    return [(name, name) for name in policy.parsed.names] if policy else []


class WriteOffForm(forms.Form):
    reason = forms.CharField(label="Why it is written off", max_length=200)


def current_grade() -> Prefetch:
    return Prefetch("grades", Grade.objects.filter(current=True), to_attr="current_grades")


def valves(request: HttpRequest) -> HttpResponse:
    rows = Valve.objects.for_rows().prefetch_related(current_grade())
    found = ValveFilter(request.GET, queryset=rows)
    return render(request, "valves/valves.html", {"filter": found, "page": page_of(request, found.qs)})


def valve(request: StaffRequest, serial: str) -> HttpResponse:
    found = get_object_or_404(Valve.objects.for_rows().select_related("line__lot__supplier"), serial=serial)
    readings = (
        Reading.objects.filter(valve=found)
        .select_related("test_point__section", "shift__tester", "shift__operator", "superseded_by", "supersedes")
        .prefetch_related("shift__tester__conditions")
        .latest_first()
    )
    grades = found.grades.select_related("policy", "given_by")
    return render(
        request,
        "valves/valve.html",
        {
            "valve": found,
            "cost": found.line.cost_of(found.position, Shop.own().currency),
            "marks": identity.marks_of(found),
            "readings": _readings_table(readings, may(request.user, Role.BENCH)),
            "why_ungraded": "" if any(grade.current for grade in grades) else judging.why_ungraded(found),
            "grades": grades,
            "memberships": found.memberships.select_related("set"),
            "allocations": found.allocations.select_related("order_line__order__customer"),
            "listings": found.listings.select_related("listing"),
            "returns": found.returns.select_related("order", "by", "case"),
            "movements": found.movements.select_related("from_place", "to_place", "by"),
            "entries": Entry.objects.for_valve(found).select_related("by")[:100],
            "write_off_form": WriteOffForm(),
            "may_write_off": not found.written_off and may(request.user, Role.RECEIVING, Role.BENCH),
        },
    )


def _readings_table(readings: Iterable[Reading], may_correct: bool) -> ReadingsTable:
    """Every reading there ever was, the superseded ones too, with who took it where and at which settings."""
    return readings_table(
        readings,
        "Readings",
        before=[WHEN, SECTION],
        after=[
            OwnColumn("Tester, by, settings", _how, "what"),
            OwnColumn("", lambda reading: _correction(reading, may_correct)),
        ],
        shorts=True,
        remarks=True,
        css_of=lambda reading: "superseded" if hasattr(reading, "superseded_by") else "",
    )


def _how(reading: Reading) -> str:
    setting = conditions.read_at(reading)
    at = "emission, on the tester's own scale" if reading.on_a_scale_only else setting.in_words
    own = f", the tester's own (the sheet has {reading.test_point.conditions})" if setting.differs else ""
    by = f"{reading.shift.tester}, {reading.shift.operator}"
    return format_html('{}<br><span class="soft">{}{}</span>', by, at, own)


def _correction(reading: Reading, may_correct: bool) -> str:
    """What became of it, and what it came of."""
    if later := getattr(reading, "superseded_by", None):
        became = f"superseded: {later.reason}"
    elif may_correct:
        became = format_html('<a href="{}">Correct</a>', reverse("reading-correct", args=[reading.pk]))
    else:
        became = ""
    if not reading.supersedes_id:
        return became
    return format_html('{}<br><span class="soft">corrects an earlier reading: {}</span>', became, reading.reason)


@for_roles(Role.RECEIVING, Role.BENCH)
@require_POST
def valve_write_off(request: StaffRequest, serial: str) -> HttpResponse:
    found = get_object_or_404(Valve, serial=serial)
    form = WriteOffForm(request.POST)
    if form.is_valid():
        with messages_on(request):
            write_offs.write_off(found, form.cleaned_data["reason"], request.user)
            messages.success(request, f"{serial} is written off.")
    else:
        messages.error(request, "Say why the valve is written off.")
    return redirect(found)


urlpatterns = [
    path("valves/", valves, name="valves"),
    path("valves/<str:serial>/", valve, name="valve"),
    path("valves/<str:serial>/write-off/", valve_write_off, name="valve-write-off"),
]
