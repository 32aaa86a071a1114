"""Pages of matched sets: the list, one set, making them from stock or by hand, breaking one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import django_filters
from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from grading.matching import Rules
from grading.models import MatchedSet, Member
from grading.sets import doubts
from grading.sets import making as matched_sets
from grading.sets.shortfalls import asked_within, why_none
from grading.testers.readings_table import OwnColumn, ReadingsTable, readings_table, state_mark, valve_link
from grading.verdicts.grade_choice import BestGradesField
from stockroom.models import Entry, Valve
from stockroom.models.orders import set_name
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.pure.written import NOT_MEASURED
from stockroom.site.numbers import FloatTyped
from stockroom.site.people import Role, StaffRequest, for_roles, may
from stockroom.site.web import TypeField, page_of

SHOWN = 100  # proposals on one page


class SetFilter(django_filters.FilterSet):
    type = django_filters.ModelChoiceFilter(
        label="Type", queryset=ValveType.objects.filter(matched_sets__isnull=False).distinct()
    )
    size = django_filters.NumberFilter(label="Pieces")
    status = django_filters.ChoiceFilter(
        label="State",
        method="by_status",
        choices=[("free", "free"), ("live", "all live"), ("doubtful", "no longer hold"), ("broken", "broken")],
    )

    class Meta:
        model = MatchedSet
        fields: list[str] = []

    def by_status(self, sets: Any, _: str, value: str) -> QuerySet[MatchedSet]:
        if value == "broken":
            return sets.exclude(broken_at=None)
        if value == "doubtful":
            return sets.filter(pk__in=doubts.doubtful(doubts.read_again(sets.live())))
        return sets.free() if value == "free" else sets.live()


class AskForm(forms.Form):
    """What sets to look for."""

    type = TypeField(label="Type")
    size = forms.TypedChoiceField(
        label="Set of",
        coerce=int,
        initial=4,
        choices=[(n, f"{n} ({set_name(n)})" if n in (2, 4) else n) for n in range(2, 13)],
    )
    tolerance_percent = FloatTyped(label="Within %", initial=5, min_value=0.1, max_value=100)
    best_grades = BestGradesField()
    same_maker = forms.BooleanField(label="Same marked maker", required=False)
    same_grade = forms.BooleanField(label="Same grade", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["type"].widget.attrs["autofocus"] = True


class ByHandForm(forms.Form):
    serials = forms.CharField(
        label="Serials",
        widget=forms.Textarea(attrs={"autofocus": True, "rows": 6, "class": "serial"}),
        help_text="Scan the valves one after the other; one on each line.",
    )
    tolerance_percent = FloatTyped(label="Within %", initial=5, min_value=0.1, max_value=100)

    def clean_serials(self) -> list[Valve]:
        valves = []
        for place, text in enumerate(self.cleaned_data["serials"].split(), start=1):
            try:
                serial = read_serial(text)
            except BadSerial as problem:
                raise forms.ValidationError(f"Scan {place}: {problem}") from problem
            valve = Valve.objects.select_related("type", "line__lot").filter(serial=serial).first()
            if valve is None:
                raise forms.ValidationError(f"Scan {place}: no valve has the serial {serial}.")
            valves.append(valve)
        return valves


class BreakForm(forms.Form):
    reason = forms.CharField(label="Why it is broken up", max_length=200)


def sets(request: HttpRequest) -> HttpResponse:
    found = SetFilter(request.GET, queryset=MatchedSet.objects.select_related("type"))
    page = page_of(request, found.qs)
    shown = MatchedSet.objects.live().filter(pk__in=[matched.pk for matched in page]).select_related("policy")
    doubtful = doubts.doubtful(doubts.read_again(shown))
    rows = [(matched, doubtful.get(matched.pk, "")) for matched in page]
    return render(request, "sets/sets.html", {"filter": found, "page": page, "rows": rows})


def set_(request: StaffRequest, number: str) -> HttpResponse:
    matched = get_object_or_404(
        MatchedSet.objects.select_related("type", "policy", "made_by", "broken_by"), number=number
    )
    members = list(
        matched.members.select_related("valve__place", "valve__maker", "grade").prefetch_related(
            "grade__readings__test_point"
        )
    )
    return render(
        request,
        "sets/set.html",
        {
            "set": matched,
            "members": members,
            "doubt": doubts.why_doubtful(matched),
            "read_since": doubts.read_since(matched),
            "readings": _readings_table(members),
            "spreads": matched_sets.spread_of(members),
            "no_interval": matched_sets.why_no_interval(members),
            "break_form": BreakForm(),
            "may_break": matched.broken_at is None and may(request.user, Role.BENCH, Role.SALES),
            "entries": Entry.objects.filter(valve__in=[m.valve_id for m in members], text__contains=matched.number)[
                :20
            ],
        },
    )


def _readings_table(members: Sequence[Member]) -> ReadingsTable:
    """The readings that the set was made on."""
    return readings_table(
        [(member, reading) for member in members for reading in member.grade.readings.all()],
        "Readings",
        reading_of=lambda row: row[1],
        before=[
            OwnColumn("Valve", lambda row: valve_link(row[0].valve), once=True),
            OwnColumn("Grade", lambda row: row[0].grade, once=True),
            OwnColumn("Maker", lambda row: row[0].valve.maker or NOT_MEASURED, once=True),
            OwnColumn("Place", lambda row: row[0].valve.place or NOT_MEASURED, once=True),
            OwnColumn("n:Section", lambda row: row[1].section),
        ],
        after=[OwnColumn("State", lambda row: state_mark(row[0].valve), once=True)],
        group=lambda row: row[0],
    )


@for_roles(Role.BENCH, Role.SALES)
def sets_make(request: StaffRequest) -> HttpResponse:
    """Ask (GET), see what could be made, and make the ticked ones (POST)."""
    form = AskForm(request.GET if "type" in request.GET else None)
    proposals: list[matched_sets.Proposal] | None = None
    why: tuple[str, ...] = ()
    if form.is_valid():
        ask = form.cleaned_data
        if request.method == "POST":
            return _make_ticked(request, ask["tolerance_percent"])
        proposals = matched_sets.propose(
            ask["type"],
            ask["size"],
            ask["tolerance_percent"],
            ask["best_grades"],
            same_maker=ask["same_maker"],
            same_grade=ask["same_grade"],
        )
        if not proposals:
            asked = asked_within(ask["type"], ask["size"], ask["tolerance_percent"], ask["best_grades"])
            rules = Rules(same_maker=ask["same_maker"], same_grade=ask["same_grade"])
            why = why_none(asked._replace(rules=rules)).words
    return render(
        request,
        "sets/sets_make.html",
        {
            "form": form,
            "proposals": proposals and proposals[:SHOWN],
            "found": len(proposals or ()),
            "why_none": why,
        },
    )


def _make_ticked(request: StaffRequest, tolerance_percent: float) -> HttpResponse:
    made = []
    for ticked in request.POST.getlist("take"):
        valves = Valve.objects.filter(serial__in=ticked.split()).select_related("type", "line__lot").order_by("serial")
        try:
            made.append(matched_sets.make_set(list(valves), tolerance_percent, request.user))
        except matched_sets.CannotMatch as problem:
            messages.error(request, str(problem))
    if made:
        messages.success(request, f"Made {matched_sets.numbers_of(made)}.")
    else:
        messages.warning(request, "No set was ticked." if not request.POST.getlist("take") else "No set was made.")
    return redirect(made[0] if len(made) == 1 else "sets")


@for_roles(Role.BENCH, Role.SALES)
def set_by_hand(request: StaffRequest) -> HttpResponse:
    form = ByHandForm(request.POST or None)
    if form.is_valid():
        try:
            matched = matched_sets.make_set(
                form.cleaned_data["serials"], form.cleaned_data["tolerance_percent"], request.user
            )
        except matched_sets.CannotMatch as problem:
            form.add_error("serials", str(problem))
        else:
            messages.success(request, f"Made {matched}.")
            return redirect(matched)
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": "Make a set by hand",
            "action": "Make the set",
        },
    )


@require_POST
@for_roles(Role.BENCH, Role.SALES)
def set_break(request: StaffRequest, number: str) -> HttpResponse:
    matched = get_object_or_404(MatchedSet, number=number)
    form = BreakForm(request.POST)
    if form.is_valid():
        try:
            matched_sets.break_set(matched, form.cleaned_data["reason"], request.user)
            messages.success(request, f"{number} is broken up; its valves are free.")
        except matched_sets.CannotMatch as problem:
            messages.error(request, str(problem))
    else:
        messages.error(request, "Say why the set is broken up.")
    return redirect(matched)


urlpatterns = [
    path("sets/", sets, name="sets"),
    path("sets/make/", sets_make, name="sets-make"),
    path("sets/by-hand/", set_by_hand, name="set-by-hand"),
    path("sets/<str:number>/", set_, name="set"),
    path("sets/<str:number>/break/", set_break, name="set-break"),
]
