"""Pages of places, and of moving valves between them."""

from __future__ import annotations

from urllib.parse import urlencode

import django_filters
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse

from stockroom.models import Movement, Place, Valve
from stockroom.places import moving
from stockroom.places.moving import BadScans, UnknownPlace
from stockroom.pure.written import plural
from stockroom.site.named import NamedForm, edit_named
from stockroom.site.names import refuse_serial
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import how_many, page_of
from stockroom.tally import tally_lines

RECENT = 10


class PlaceForm(NamedForm):
    class Meta:
        model = Place
        fields = ["code", "note"]
        help_texts = {"code": "As printed on the shelf, drawer or box; a scanner reads it."}

    def clean_code(self) -> str:
        code = self._clean_name()
        refuse_serial(code)
        return code


class PlaceFilter(django_filters.FilterSet):
    code = django_filters.CharFilter(lookup_expr="istartswith", label="Code starts with")

    class Meta:
        model = Place
        fields: list[str] = []


def places(request: StaffRequest) -> HttpResponse:
    in_house = {"state__in": list(moving.IN_HOUSE)}
    rows = Place.objects.annotate(valve_count=how_many(Valve, "place", **in_house))
    filter = PlaceFilter(request.GET, queryset=rows)
    return render(request, "places/places.html", {"filter": filter, "page": page_of(request, filter.qs)})


def place(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Place, pk=pk)
    valves: QuerySet[Valve] = Valve.objects.in_house().for_rows().filter(place=shown)
    lines = list(shown.lines.select_related("lot", "type", "maker").order_by("lot__number", "number"))
    tallies = tally_lines([line.pk for line in lines])
    context = {
        "place": shown,
        "page": page_of(request, valves),
        "bulk": [(line, tallies[line.pk].in_bulk) for line in lines if tallies[line.pk].in_bulk],
    }
    return render(request, "places/place.html", context)


@for_roles(Role.RECEIVING)
def place_new(request: StaffRequest) -> HttpResponse:
    return edit_named(request, PlaceForm, None, "New place", reverse("places"))


@for_roles(Role.RECEIVING)
def place_edit(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Place, pk=pk)
    return edit_named(request, PlaceForm, shown, f"Place {shown}", reverse("place", args=[pk]))


@for_roles(Role.RECEIVING, Role.BENCH, Role.SALES)
def move(request: StaffRequest) -> HttpResponse:
    """Scan a place, then valves; scanning another place goes on there."""
    place, unknown = None, ""
    if "place" in request.GET:
        try:
            place = moving.read_place(request.GET["place"])
        except UnknownPlace as problem:
            unknown = str(problem)
    scanned, problems = "", []
    if place and request.method == "POST":
        scanned = request.POST.get("valves", "")
        try:
            return _to_place(moving.read_place(scanned))
        except UnknownPlace:
            pass
        try:
            valves = moving.read_valves(scanned)
            moved = moving.move(valves, place, request.user)
        except BadScans as bad:
            problems = bad.problems
        else:
            _say_what_moved(request, valves, moved, place)
            return _to_place(place)
    context = {
        "place": place,
        "asked": request.GET.get("place", ""),
        "unknown": unknown,
        "scanned": scanned,
        "many": "\n" in scanned.strip(),
        "problems": problems,
        "recent": Movement.objects.filter(to_place=place, by=request.user).select_related("valve__type", "from_place")[
            :RECENT
        ]
        if place
        else [],
    }
    return render(request, "places/move.html", context)


def _to_place(place: Place) -> HttpResponse:
    return redirect(f"{reverse('move')}?{urlencode({'place': place.code})}")


def _say_what_moved(request: StaffRequest, asked: list[Valve], moved: list[Valve], place: Place) -> None:
    there = len(asked) - len(moved)
    if len(asked) == 1:
        valve = asked[0]
        said = f"moved to {place}" if moved else f"is in {place} already"
        messages.success(request, f"{valve.serial}, {valve.called_and_type}, {said}.")
        return
    already = f" {there} stood there already." if there else ""
    messages.success(request, f"{plural(len(moved), 'valve')} moved to {place}.{already}")


urlpatterns = [
    path("places/", places, name="places"),
    path("places/new/", place_new, name="place-new"),
    path("places/<int:pk>/", place, name="place"),
    path("places/<int:pk>/edit/", place_edit, name="place-edit"),
    path("move/", move, name="move"),
]
