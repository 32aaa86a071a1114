"""Pages of listings for the staff: their list, putting an item before the public, its price, its end."""

from __future__ import annotations

from typing import Any

import django_filters
from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from grading.listings import publishing as listing_work
from grading.listings.asking import price_hint
from grading.models import MatchedSet
from stockroom.models import Listing, Shop, Valve
from stockroom.site.edits import EditForm
from stockroom.site.numbers import typed_numbers
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, refused_to
from stockroom.site.web import page_of


class ListingFilter(django_filters.FilterSet):
    type = django_filters.ModelChoiceFilter(
        label="Type", method="by_type", queryset=ValveType.objects.filter(valves__listings__isnull=False).distinct()
    )
    status = django_filters.ChoiceFilter(
        label="State", method="by_status", choices=[("live", "live"), ("ended", "ended")]
    )

    class Meta:
        model = Listing
        fields: list[str] = []

    def by_type(self, listings: QuerySet[Listing], _: str, value: ValveType) -> QuerySet[Listing]:
        return listings.filter(listed__valve__type=value).distinct()

    def by_status(self, listings: Any, _: str, value: str) -> QuerySet[Listing]:
        return listings.live() if value == "live" else listings.exclude(ended_at=None)


class ListingForm(forms.ModelForm):
    class Meta:
        model = Listing
        fields = ["title", "text", "price", "currency"]
        formfield_callback = typed_numbers


def listings(request: HttpRequest) -> HttpResponse:
    found = ListingFilter(request.GET, queryset=Listing.objects.prefetch_related("listed__valve"))
    return render(request, "listings/listings.html", {"filter": found, "page": page_of(request, found.qs)})


@for_roles(Role.SALES)
def listing_new(request: StaffRequest) -> HttpResponse:
    """Describe and price `?serial=` or `?set=`; the description starts from the records."""
    if "set" in request.GET:
        matched = get_object_or_404(MatchedSet.objects.live(), number=request.GET["set"])
        wanted = Valve.objects.filter(memberships__set=matched).order_by("memberships__position")
    else:
        wanted = Valve.objects.filter(serial=request.GET.get("serial", ""))
    valves = list(wanted.select_related("type", "maker", "line__lot"))
    if not valves:
        raise Http404("No such valve.")
    shop = Shop.own()
    cost = sum(valve.line.cost_of(valve.position, shop.currency) for valve in valves)
    start: dict[str, Any] = {
        "title": listing_work.title(valves),
        "text": listing_work.describe(valves),
        "currency": shop.currency,
    }
    hint = price_hint(valves)
    if hint is not None and hint.price is not None:
        start["price"] = hint.price
    form = ListingForm(request.POST or None, initial=start)
    form.fields["price"].widget.attrs["autofocus"] = True
    if form.is_valid():
        with errors_on(form):
            made = listing_work.publish(valves, **form.cleaned_data, by=request.user)
            messages.success(request, f"{made.number} is before the public.")
            return redirect(made)
    context = {"form": form, "valves": valves, "cost": cost, "hint": hint}
    return render(request, "listings/listing_new.html", context)


class PriceForm(EditForm):
    class Meta:
        model = Listing
        fields = ["price"]
        formfield_callback = typed_numbers


@for_roles(Role.SALES)
def listing_price(request: StaffRequest, number: str) -> HttpResponse:
    found = get_object_or_404(Listing, number=number)
    form = PriceForm(request.POST or None, instance=found)
    form.fields["price"].widget.attrs["autofocus"] = True
    if form.is_valid():
        with errors_on(form):
            listing_work.reprice(found, form.cleaned_data["price"], request.user)
            messages.success(request, f"{number} has another price.")
            return redirect("listings")
    hint = price_hint([row.valve for row in found.listed.select_related("valve__type", "valve__maker", "valve__line")])
    context = {
        "form": form,
        "title": f"Price of {number}, {found.currency}",
        "intro": " ".join(hint.sentences) if hint else "",
        "back": reverse("listings"),
    }
    return render(request, "site/form.html", context)


@require_POST
@for_roles(Role.SALES)
@refused_to("listings")
def listing_end(request: StaffRequest, number: str) -> HttpResponse:
    found = get_object_or_404(Listing, number=number)
    listing_work.end(found, request.user)
    messages.success(request, f"{number} is no longer listed.")
    return redirect("listings")


urlpatterns = [
    path("listings/", listings, name="listings"),
    path("listings/new/", listing_new, name="listing-new"),
    path("listings/<str:number>/price/", listing_price, name="listing-price"),
    path("listings/<str:number>/end/", listing_end, name="listing-end"),
]
