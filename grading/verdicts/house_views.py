"""Pages of house nominals: learning one from valves known to be good, and grading those that waited for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from catalog.models import TestPoint
from grading.metrology.quantities import Quantity
from grading.models import HouseNominal, Reading, Tester
from grading.testers import conditions, house_nominals
from grading.testers.readings_table import WHEN, OwnColumn, ReadingsTable, readings_table, valve_link
from grading.testers.views import SectionForm
from grading.verdicts import waiting
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import messages_on


def known_good_table(readings: Iterable[Reading], label: str, only: Collection[Quantity]) -> ReadingsTable:
    """The readings that a house nominal is or would be learnt from."""
    return readings_table(
        readings,
        label,
        only=only,
        before=[
            OwnColumn("Valve", lambda reading: valve_link(reading.valve)),
            OwnColumn("Lot line", lambda one: f"{one.valve.line}, {one.valve.line.get_condition_display()}", "what"),
            WHEN._replace(head="Read"),
        ],
    )


@for_roles(Role.OWNER)
def house_learn(request: StaffRequest, pk: int) -> HttpResponse:
    """Ask for a section (GET), see what would be learnt from and which valves wait for it, and learn it (POST)."""
    found = get_object_or_404(Tester, pk=pk)
    form = SectionForm(request.GET if "type" in request.GET else None)
    good = setting = waits = None
    if form.is_valid():
        point: TestPoint = form.cleaned_data["test_point"]
        setting = conditions.conditions_for(found, point)
        if request.method == "POST":
            with messages_on(request):
                learnt = house_nominals.learn(found, point, request.user)
                messages.success(request, f"Learnt: {'; '.join(str(row) for row in learnt)}.")
                return redirect(request.get_full_path())
        good = house_nominals.known_good(found, point, setting.condition)
        waits = waiting.waiting_for(found, point)
    if not (waits and waits.ready):
        form.fields["type"].widget.attrs["autofocus"] = True
    return render(
        request,
        "verdicts/house_learn.html",
        {
            "tester": found,
            "form": form,
            "good": good,
            "readings": known_good_table(good or (), "Known-good valves", tuple(Quantity)),
            "setting": setting,
            "waiting": waits,
            "fewest": house_nominals.FEWEST,
            "leakage": house_nominals.LEAKAGE_AT_MOST_UA,
            "grid": house_nominals.GRID_CURRENT_AT_MOST_UA,
        },
    )


@for_roles(Role.OWNER)
@require_POST
def house_grade(request: StaffRequest, pk: int) -> HttpResponse:
    """Grade the valves that waited for what is known of this section now."""
    found = get_object_or_404(Tester, pk=pk)
    form = SectionForm(request.GET)
    if not form.is_valid():
        messages.error(request, "Say which section of which type.")
        return redirect("house-learn", pk)
    with messages_on(request):
        given = waiting.grade_them(found, form.cleaned_data["test_point"], request.user)
        names = Counter(grade.name for grade in sorted(given.values(), key=lambda grade: grade.rank))
        how = ", ".join(f"{count} {name}" for name, count in names.items())
        messages.success(request, f"{len(given)} valve{'s are' if len(given) > 1 else ' is'} graded: {how}.")
    return redirect(reverse("house-learn", args=[pk]) + f"?{request.GET.urlencode()}")


def house_nominal(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(
        HouseNominal.objects.select_related("tester", "test_point__section__type", "condition", "by"), pk=pk
    )
    latest = house_nominals.nominal_for(found.tester, found.test_point, found.of, found.condition)
    readings = found.readings.select_related("valve__line__lot").order_by("valve__serial")
    return render(
        request,
        "verdicts/house_nominal.html",
        {
            "nominal": found,
            "latest": latest,
            "readings": known_good_table(readings, "The valves", (found.of,)),
        },
    )


urlpatterns = [
    path("testers/<int:pk>/house-nominals/", house_learn, name="house-learn"),
    path("testers/<int:pk>/house-nominals/grade/", house_grade, name="house-grade"),
    path("house-nominals/<int:pk>/", house_nominal, name="house-nominal"),
]
