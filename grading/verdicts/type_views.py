"""After a type's nominals changed: what re-grading its valves would change, and then the re-grade."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path

from catalog.models import ValveType
from grading.models import Grade, MatchedSet, Policy, Reading
from grading.verdicts import regrading
from stockroom.pure.written import plural
from stockroom.site.people import Role, StaffRequest, for_roles


def judged_by(type_: ValveType) -> list[str]:
    """What of the judgement hangs on a type (`stockroom.types.bearing`)."""
    grades = Grade.objects.filter(valve__type=type_, current=True).count()
    readings = Reading.objects.filter(valve__type=type_).count()
    sets = MatchedSet.objects.live().filter(type=type_).count()
    counted = ((grades, "grade"), (readings, "reading"), (sets, "matched set"))
    return [plural(count, word) for count, word in counted if count]


@for_roles(Role.OWNER)
def type_regrade(request: StaffRequest, name: str) -> HttpResponse:
    type_, policy = get_object_or_404(ValveType, designation=name), Policy.current()
    if request.method == "POST":
        if "work-out" in request.POST:
            regrading.start_effect(policy, request.user, type_)
        else:
            regrading.start_regrade(policy, type_, request.user)
            messages.success(request, f"The valves of {type_} are being graded by what is on file now.")
        return redirect("type-regrade", name)
    job = regrading.latest_effect(policy, type_)
    context = {"type": type_, "policy": policy, "job": job, "effect": regrading.effect_of(job) if job else None}
    context["regrade"] = regrading.latest_regrade(policy, type_)
    return render(request, "verdicts/type_regrade.html", context)


urlpatterns = [
    path("types/<path:name>/regrade/", type_regrade, name="type-regrade"),
]
