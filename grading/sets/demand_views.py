"""Pages of demand: what a type is wanted for, and what to make of its pool for that."""

from __future__ import annotations

from typing import Any, NamedTuple

from django import forms
from django.contrib import messages
from django.db import transaction
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from grading.models import Demand
from grading.sets import accepting, making, plans
from grading.verdicts.grade_choice import USUAL, grade_choices
from stockroom.models import Entry, Job, Shop, Valve
from stockroom.pure.money import to_minor
from stockroom.site.edits import EditForm
from stockroom.site.numbers import typed_numbers
from stockroom.site.people import Role, StaffRequest, for_roles, may
from stockroom.site.web import TypeField, page_of

MOST_GRADES = 20


class DemandForm(EditForm):
    class Meta:
        model = Demand
        fields = ["size", "within_percent", "price", "wanted"]
        formfield_callback = typed_numbers

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            self.initial["price"] = to_minor(self.instance.price, Shop.own().currency)
            self.initial["within_percent"] = f"{self.instance.within_percent:g}"

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        size, within = data.get("size"), data.get("within_percent")
        if size and size > 1 and not within:
            self.add_error("within_percent", "Say within how many per cent a set must match.")
        if size == 1 and within:
            self.add_error("within_percent", "A single matches nothing: write 0.")
        return data


DemandFormSet = forms.inlineformset_factory(
    ValveType, Demand, form=DemandForm, extra=2, can_delete=True, can_delete_extra=False
)


class PickForm(forms.Form):
    type = TypeField(label="Type")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["type"].widget.attrs["autofocus"] = True


def _type(name: str) -> ValveType:
    return get_object_or_404(ValveType.objects.filter(designation=name))


def demands(request: HttpRequest) -> HttpResponse:
    form = PickForm(request.GET if "type" in request.GET else None)
    if form.is_valid():
        return redirect("demand", form.cleaned_data["type"].designation)
    types = ValveType.objects.annotate(demand_lines=Count("demands")).filter(demand_lines__gt=0).order_by("designation")
    return render(request, "sets/demands.html", {"form": form, "page": page_of(request, types)})


class OfferedSet(NamedTuple):
    """A set of a plan, and how a form names it: its tolerance and its serials."""

    planned: plans.PlannedSets
    is_free: bool
    take: str


def demand(request: StaffRequest, name: str) -> HttpResponse:
    """The mix of one type, and what to make of its pool for that once somebody has asked for a plan."""
    found = _type(name)
    job = plans.latest(found)
    making_job = Job.objects.keyed(accepting.planned_key(found)).select_related("made_by").first()
    planned = plans.planned(job) if job else None
    wanted = list(Demand.objects.filter(type=found))
    within = {str(row): row.within_percent for row in wanted}
    sets = [
        OfferedSet(
            one,
            one.is_free,
            f"{within[one.demand]}:{' '.join(valve.serial for valve in one.valves)}" if one.demand in within else "",
        )
        for one in (planned.made if planned else ())
        if one.spread is not None
    ]
    may_make = may(request.user, Role.SALES, Role.BENCH)
    return render(
        request,
        "sets/demand.html",
        {
            "type": found,
            "rows": [(row, planned.short.get(str(row)) if planned else None) for row in wanted],
            "none_made": [(row, planned.why[str(row)]) for row in wanted if planned and str(row) in planned.why],
            "job": job,
            "planned": planned,
            "making": making_job,
            "best_grades": job.question.get("best_grades", USUAL) if job else USUAL,
            "grade_choices": grade_choices(),
            "sets": sets,
            "singles": [one.valves[0] for one in (planned.made if planned else ()) if one.spread is None],
            "may_make": may_make,
            "may_take": may_make and any(one.is_free and one.take for one in sets),
        },
    )


@require_POST
@for_roles(Role.SALES, Role.BENCH)
def demand_plan(request: StaffRequest, name: str) -> HttpResponse:
    found = _type(name)
    best_grades = request.POST.get("best_grades", "")
    best = int(best_grades) if best_grades.isdecimal() and 0 < int(best_grades) <= MOST_GRADES else USUAL
    if not Demand.objects.filter(type=found).exists():
        messages.error(request, f"Nobody has written down what {found} is wanted for.")
    else:
        plans.start_planning(found, best, request.user)
    return redirect("demand", found.designation)


@for_roles(Role.SALES)
def demand_edit(request: StaffRequest, name: str) -> HttpResponse:
    found = _type(name)
    rows = DemandFormSet(request.POST or None, instance=found)
    for first in rows.forms[:1]:  # none, where what was sent does not say how many there are
        first.fields["size"].widget.attrs["autofocus"] = True
    if rows.is_valid():
        with transaction.atomic():
            rows.save()
            said = "; ".join(f"{row.wanted} {row}" for row in Demand.objects.filter(type=found)) or "nothing"
            Entry.write(request.user, "demand", f"{found} is wanted for: {said}")
        messages.success(request, "The demand is recorded.")
        return redirect("demand", found.designation)
    return render(request, "sets/demand_edit.html", {"type": found, "rows": rows})


@require_POST
@for_roles(Role.SALES, Role.BENCH)
def demand_accept(request: StaffRequest, name: str) -> HttpResponse:
    """Make the ticked sets of a plan; each comes as its tolerance and its serials."""
    found = _type(name)
    ticked = [take.partition(":") for take in request.POST.getlist("take")]
    keys = dict(
        Valve.objects.filter(type=found, serial__in=" ".join(serials for _, _, serials in ticked).split()).values_list(
            "serial", "pk"
        )
    )
    wanted = []
    for within, _, serials in ticked:
        try:
            wanted.append(([keys[serial] for serial in serials.split()], float(within)))
        except (KeyError, ValueError):
            messages.error(request, "One of the sets was not sent as this page offers it. Tick it again.")
    if len(wanted) > accepting.FEW:
        accepting.start_making_planned(found, wanted, request.user)
    elif wanted:
        made, troubles = accepting.make_sets(wanted, request.user)
        for trouble in troubles:
            messages.error(request, trouble)
        if made:
            messages.success(request, f"Made {making.numbers_of(made)}.")
    return redirect("demand", found.designation)


urlpatterns = [
    path("demand/", demands, name="demands"),
    path("demand/<str:name>/", demand, name="demand"),
    path("demand/<str:name>/plan/", demand_plan, name="demand-plan"),
    path("demand/<str:name>/edit/", demand_edit, name="demand-edit"),
    path("demand/<str:name>/accept/", demand_accept, name="demand-accept"),
]
