"""Pages of keeping: suppliers, places, and moving valves between places."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

import django_filters
from django import forms
from django.contrib import messages
from django.db.models import Count, IntegerField, Max, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse

from stockroom.models import Line, Movement, Place, Shop, Supplier, Valve
from stockroom.models.shop import check_currency
from stockroom.places import moving
from stockroom.places.moving import BadScans, UnknownPlace
from stockroom.receiving.tally import tally_lines
from stockroom.receiving.views import listed_lots, lot_rows
from stockroom.site.names import known_name, name_of_field, refuse_serial
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import page_of

RECENT = 10


class KeepingForm(forms.ModelForm):
    """A name is written once, in capitals or not."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields[name_of_field(self._meta.model)].widget.attrs.update(autofocus=True, autocomplete="off")

    def _clean_name(self) -> str:
        name = " ".join(self.cleaned_data[name_of_field(self._meta.model)].split())
        other = known_name(self._meta.model, name)
        if other is not None and other.pk != self.instance.pk:
            raise forms.ValidationError(f"There is a {self._meta.model._meta.verbose_name} “{other}” already.")
        return name

    def clean_name(self) -> str:
        return self._clean_name()


class SupplierForm(KeepingForm):
    currency = forms.CharField(max_length=3, label="Bills in", help_text="Three letters of ISO 4217, such as GBP.")

    class Meta:
        model = Supplier
        fields = ["name", "country", "currency", "contact", "note"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk is None:
            self.initial["currency"] = Shop.own().currency

    def clean_currency(self) -> str:
        currency = self.cleaned_data["currency"].upper()
        check_currency(currency)
        return currency


class PlaceForm(KeepingForm):
    class Meta:
        model = Place
        fields = ["code", "note"]
        help_texts = {"code": "As printed on the shelf, drawer or box; a scanner reads it."}

    def clean_code(self) -> str:
        code = self._clean_name()
        refuse_serial(code)
        return code


def how_many(model: type[Line] | type[Valve], field: str, **where: Any) -> Coalesce:
    """So many rows of `model` point here by `field`; counted apart, so that two counts do not multiply."""
    rows = model._default_manager.filter(**{field: OuterRef("pk")}, **where).order_by().values(field)
    return Coalesce(Subquery(rows.annotate(n=Count("pk")).values("n"), output_field=IntegerField()), 0)


def _edit(request: StaffRequest, form_class: type[KeepingForm], thing: Any, title: str, back: str) -> HttpResponse:
    form = form_class(request.POST or None, instance=thing)
    if request.method == "POST" and form.is_valid():
        kept = moving.keep(form.save(commit=False), request.user)
        messages.success(request, f"{kept} is saved.")
        return redirect(reverse(kept._meta.model_name, args=[kept.pk]))
    return render(request, "site/form.html", {"form": form, "title": title, "back": back})


class SupplierFilter(django_filters.FilterSet):
    name = django_filters.CharFilter(lookup_expr="icontains", label="Name has")

    class Meta:
        model = Supplier
        fields: list[str] = []


def suppliers(request: StaffRequest) -> HttpResponse:
    rows = Supplier.objects.annotate(times=Count("lots"), last=Max("lots__received_on")).order_by("name")
    filter = SupplierFilter(request.GET, queryset=rows)
    return render(request, "places/suppliers.html", {"filter": filter, "page": page_of(request, filter.qs)})


def supplier(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Supplier, pk=pk)
    page = page_of(request, listed_lots().filter(supplier=shown))
    context = {"supplier": shown, "page": page, "rows": lot_rows(list(page))}
    return render(request, "places/supplier.html", context)


@for_roles(Role.RECEIVING)
def supplier_new(request: StaffRequest) -> HttpResponse:
    return _edit(request, SupplierForm, None, "New supplier", reverse("suppliers"))


@for_roles(Role.RECEIVING)
def supplier_edit(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Supplier, pk=pk)
    return _edit(request, SupplierForm, shown, f"Supplier {shown}", shown.get_absolute_url())


class PlaceFilter(django_filters.FilterSet):
    code = django_filters.CharFilter(lookup_expr="istartswith", label="Code begins")

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
    return _edit(request, PlaceForm, None, "New place", reverse("places"))


@for_roles(Role.RECEIVING)
def place_edit(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Place, pk=pk)
    return _edit(request, PlaceForm, shown, f"Place {shown}", reverse("place", args=[pk]))


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
        except BadScans as bad:
            problems = bad.problems
        else:
            _say_what_moved(request, valves, moving.move(valves, place, request.user), place)
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
        messages.success(request, f"{valve.serial}, {valve.type}, {said}.")
        return
    already = f" {there} stood there already." if there else ""
    messages.success(request, f"{len(moved)} valves moved to {place}.{already}")


urlpatterns = [
    path("suppliers/", suppliers, name="suppliers"),
    path("suppliers/new/", supplier_new, name="supplier-new"),
    path("suppliers/<int:pk>/", supplier, name="supplier"),
    path("suppliers/<int:pk>/edit/", supplier_edit, name="supplier-edit"),
    path("places/", places, name="places"),
    path("places/new/", place_new, name="place-new"),
    path("places/<int:pk>/", place, name="place"),
    path("places/<int:pk>/edit/", place_edit, name="place-edit"),
    path("move/", move, name="move"),
]
