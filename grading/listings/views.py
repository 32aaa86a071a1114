"""Pages of listings: the staff's list, putting an item before the public, and what the public sees."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import django_filters
from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from grading.listings import publishing as listing_work
from grading.listings.asking import price_hint
from grading.listings.graded_table import graded_table
from grading.listings.parts import part_of
from grading.models import Grade, MatchedSet
from grading.sets import doubts, making
from grading.sets.stating import stated_of_set
from grading.testers import conditions
from grading.verdicts.graded import PREFETCHED
from grading.verdicts.stating import stated
from stockroom.models import Listing, Shop, Valve
from stockroom.pure import written
from stockroom.site import searches
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


class SaleFilter(django_filters.FilterSet):
    type = django_filters.ModelChoiceFilter(
        label="Type",
        method="by_type",
        queryset=ValveType.objects.filter(valves__listings__live=True).distinct(),
    )

    class Meta:
        model = Listing
        fields: list[str] = []

    by_type = ListingFilter.by_type


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


@login_not_required
def for_sale(request: HttpRequest) -> HttpResponse:
    found = SaleFilter(request.GET, queryset=Listing.objects.for_public_display())
    page = page_of(request, found.qs.distinct())
    if not page.paginator.count:
        searches.found_nothing(request.GET.get("name", ""))
    return render(request, "listings/for_sale.html", {"filter": found, "page": page})


def _how_read(grades: Sequence[Grade]) -> list[str]:
    """At which settings on which tester, and whose the sheet's nominals are; each said once."""
    said = []
    readings = [reading for grade in grades for reading in grade.readings.all()]
    for reading in readings:
        day = written.day(timezone.localtime(reading.taken_at))
        at = "Emission read" if reading.on_a_scale_only else f"Read at {conditions.read_at(reading).in_words}"
        said.append(f"{at} on {reading.shift.tester}, {day}.")
    said += [f"The data sheet's nominals: {reading.test_point.cited}." for reading in readings]
    return list(dict.fromkeys(said))


@login_not_required
def item(request: HttpRequest, number: str) -> HttpResponse:
    """One item for anybody to read. When it is gone the page stays and says so."""
    found = get_object_or_404(
        Listing.objects.prefetch_related("listed__valve__type", "listed__valve__maker"), number=number
    )
    valves = [row.valve for row in found.listed.all()]
    matched = None
    if len(valves) > 1:
        matched = MatchedSet.objects.live().filter(members__valve__in=valves, members__live=True).first()
    members = list(matched.members.select_related("grade")) if matched else []
    # A set is sold by the readings that it was made on, here as on its certificate.
    speaking = Q(memberships__in=members) if matched else Q(valve__in=valves, current=True)
    rows = Grade.objects.filter(speaking).select_related("policy", "valve__maker", "valve__type")
    rows = rows.prefetch_related(*PREFETCHED, "readings__test_point__source", "readings__shift__tester__conditions")
    grades = list(rows.order_by("valve__serial"))
    spreads = making.spread_of(members)
    said = [*stated(grades), *(stated_of_set(matched, spreads) if matched else ())]
    part = part_of(valves)
    available = Listing.objects.for_public_display().filter(pk=found.pk).exists()
    doubtful = matched is not None and doubts.why_doubtful(matched) != ""
    available = available and not doubtful and not (part and part.why_not)
    return render(
        request,
        "listings/item.html",
        {
            "listing": found,
            "valves": valves,
            "grades": grades,
            "set": matched,
            "available": available,
            "part": part,
            "readings": graded_table(grades),
            "not_tested": doubts.not_tested(grades),
            "how_read": _how_read(grades),
            "stated": said,
            "sold_before": listing_work.sold_before(valves),
            "spreads": spreads,
            "no_interval": making.why_no_interval(members),
            "read_since": doubts.read_since(matched) if matched and not doubtful else [],
        },
    )


urlpatterns = [
    path("listings/", listings, name="listings"),
    path("listings/new/", listing_new, name="listing-new"),
    path("listings/<str:number>/price/", listing_price, name="listing-price"),
    path("listings/<str:number>/end/", listing_end, name="listing-end"),
    path("for-sale/", for_sale, name="for-sale"),
    path("for-sale/<str:number>/", item, name="item"),
]
