"""Pages of single valves: the list, and one with its whole history."""

from __future__ import annotations

from typing import Any

import django_filters
from django import forms
from django.contrib import messages
from django.db import transaction
from django.db.models import Prefetch, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from grading import progress
from grading.models import Grade, Policy, Reading
from stockroom.models import Entry, Lot, Maker, Place, Shop, Valve
from stockroom.people import Role, StaffRequest, for_roles
from stockroom.states import State
from stockroom.web import TypeField, page_of


class ValveFilter(django_filters.FilterSet):
    serial = django_filters.CharFilter(label="Serial begins", lookup_expr="startswith")
    type = django_filters.ModelChoiceFilter(label="Type", queryset=ValveType.objects.filter(valves__isnull=False).distinct())
    state = django_filters.ChoiceFilter(label="State", choices=State.choices())
    grade = django_filters.ChoiceFilter(label="Grade", method="by_grade", choices=lambda: _grade_names())
    maker = django_filters.ModelChoiceFilter(label="Marked maker", queryset=Maker.objects.all())
    lot = django_filters.ModelChoiceFilter(label="Lot", field_name="line__lot", queryset=Lot.objects.all())
    place = django_filters.ModelChoiceFilter(label="Place", queryset=Place.objects.all())

    class Meta:
        model = Valve
        fields: list[str] = []

    def by_grade(self, valves: QuerySet[Valve], _: str, value: str) -> QuerySet[Valve]:
        return valves.filter(grades__standing=True, grades__name=value)


def _grade_names() -> list[tuple[str, str]]:
    policy = Policy.objects.filter(in_force=True).first()
    return [(name, name) for name in policy.parsed.names] if policy else []


class IdentifyForm(forms.ModelForm):
    """What the glass says, where it differs from what the line claimed."""

    type = TypeField(label="Type")

    class Meta:
        model = Valve
        fields = ["maker", "date_code"]

    field_order = ["type", "maker", "date_code"]

    def __init__(self, data: Any = None, *, instance: Valve) -> None:
        super().__init__(data, instance=instance, initial={"type": instance.type})


class WriteOffForm(forms.Form):
    reason = forms.CharField(label="Why it is written off", max_length=200)


def standing_grade() -> Prefetch:
    return Prefetch("grades", Grade.objects.filter(standing=True), to_attr="standing_grades")


def valves(request: HttpRequest) -> HttpResponse:
    rows = Valve.objects.for_rows().prefetch_related(standing_grade())
    found = ValveFilter(request.GET, queryset=rows)
    return render(request, "grading/valves.html", {"filter": found, "page": page_of(request, found.qs)})


def valve(request: HttpRequest, serial: str) -> HttpResponse:
    found = get_object_or_404(Valve.objects.for_rows().select_related("line__lot__supplier"), serial=serial)
    readings = (
        Reading.objects.filter(valve=found)
        .select_related("test_point", "shift__tester", "shift__operator", "superseded_by", "supersedes")
        .latest_first()
    )
    return render(request, "grading/valve.html", {
        "valve": found,
        "cost": found.line.cost_of(found.position, Shop.own().currency),
        "readings": readings,
        "grades": found.grades.select_related("policy", "given_by"),
        "memberships": found.memberships.select_related("set"),
        "allocations": found.allocations.select_related("order_line__order__customer"),
        "listings": found.listings.select_related("listing"),
        "returns": found.returns.select_related("order", "by"),
        "movements": found.movements.select_related("from_place", "to_place", "by"),
        "entries": Entry.objects.for_valve(found).select_related("by")[:100],
        "identify_form": IdentifyForm(instance=found),
        "write_off_form": WriteOffForm(),
    })  # fmt: skip


@for_roles(Role.RECEIVING, Role.BENCH)
def valve_identify(request: StaffRequest, serial: str) -> HttpResponse:
    """Say what the valve is by its glass. A change of type throws out its grade: the test point is another."""
    found = get_object_or_404(Valve.objects.select_related("type", "maker", "line__lot"), serial=serial)
    before = (found.type, found.maker, found.date_code)
    form = IdentifyForm(request.POST or None, instance=found)
    if form.is_valid():
        with transaction.atomic():
            changed = form.save(commit=False)
            changed.type = form.cleaned_data["type"]
            changed.save()
            after = (changed.type, changed.maker, changed.date_code)
            names = ("type", "marked maker", "code as stamped")
            told = [f"{name} {was or '–'} → {now or '–'}" for name, was, now in zip(names, before, after, strict=True) if was != now]
            if told:
                Entry.write(request.user, "identified", "Identified: " + "; ".join(told), valve=changed, lot=changed.line.lot)
            if before[0] != changed.type:
                changed.grades.filter(standing=True).update(standing=False)
            progress.refresh([changed.pk])
        messages.success(request, f"{serial} is recorded.")
        return redirect(found)
    return render(request, "stockroom/form.html", {"form": form, "title": f"Identify {serial}", "back": found.get_absolute_url()})


@require_POST
@for_roles(Role.RECEIVING, Role.BENCH)
def valve_write_off(request: StaffRequest, serial: str) -> HttpResponse:
    form = WriteOffForm(request.POST)
    found = get_object_or_404(Valve, serial=serial)
    if not form.is_valid():
        messages.error(request, "Say why the valve is written off.")
        return redirect(found)
    with transaction.atomic():
        found = Valve.objects.select_for_update().select_related(None).get(pk=found.pk)
        held = (
            "it is set aside for an order" if found.allocations.filter(live=True).exists()
            else "it is in a set: break the set up" if found.memberships.filter(live=True).exists()
            else "it is listed: end the listing" if found.listings.filter(live=True).exists()
            else ""
        )  # fmt: skip
        if held:
            messages.error(request, f"{serial} cannot be written off: {held} first.")
            return redirect(found)
        found.written_off = form.cleaned_data["reason"]
        found.save()
        Entry.write(request.user, "written-off", f"Written off: {found.written_off}", valve=found, lot=found.line.lot)
        progress.refresh([found.pk])
    messages.success(request, f"{serial} is written off.")
    return redirect(found)


urlpatterns = [
    path("valves/", valves, name="valves"),
    path("valves/<str:serial>/", valve, name="valve"),
    path("valves/<str:serial>/identify/", valve_identify, name="valve-identify"),
    path("valves/<str:serial>/write-off/", valve_write_off, name="valve-write-off"),
]
