"""Pages of demand: what a type is wanted for, and what to make of its pool for that."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.db import transaction
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from grading.models import Demand
from grading.sets import making, plans
from grading.verdicts.grade_choice import USUAL, grade_choices
from stockroom.models import Entry, Shop, Valve
from stockroom.pure.money import to_minor
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import TypeField, page_of


class DemandForm(forms.ModelForm):
    class Meta:
        model = Demand
        fields = ["size", "within_percent", "price", "wanted"]

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


def demand(request: HttpRequest, name: str) -> HttpResponse:
    """The mix of one type; with `?plan=` what to make of its pool for it."""
    found = _type(name)
    planned, trouble = None, ""
    best_grades = request.GET.get("best_grades", "")
    best = int(best_grades) if best_grades.isdecimal() and int(best_grades) else USUAL
    if "plan" in request.GET:
        try:
            planned = plans.plan_for(found, best)
        except ValueError as problem:
            trouble = str(problem)
    return render(
        request,
        "sets/demand.html",
        {
            "type": found,
            "rows": Demand.objects.filter(type=found),
            "planned": planned,
            "trouble": trouble,
            "best_grades": best,
            "grade_choices": grade_choices(),
            "new_sets": sum(len(one.valves) > 1 for one in planned.made) if planned else 0,
        },
    )


@for_roles(Role.SALES)
def demand_edit(request: StaffRequest, name: str) -> HttpResponse:
    found = _type(name)
    rows = DemandFormSet(request.POST or None, instance=found)
    rows.forms[0].fields["size"].widget.attrs["autofocus"] = True
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
    made = []
    for ticked in request.POST.getlist("take"):
        within, _, serials = ticked.partition(":")
        valves = list(Valve.objects.filter(serial__in=serials.split(), type=found).select_related("type", "line__lot"))
        try:
            made.append(making.make_set(valves, float(within), request.user))
        except (making.CannotMatch, ValueError) as problem:
            messages.error(request, str(problem))
    if made:
        messages.success(request, f"Made {making.numbers_of(made)}.")
    return redirect(reverse("demand", args=[found.designation]))


urlpatterns = [
    path("demand/", demands, name="demands"),
    path("demand/<str:name>/", demand, name="demand"),
    path("demand/<str:name>/edit/", demand_edit, name="demand-edit"),
    path("demand/<str:name>/accept/", demand_accept, name="demand-accept"),
]
