"""Pages of offers: the list, one offer with its forecast, its lines, and what is decided. For the owner."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db.models import OuterRef, Subquery, Sum
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from grading.buying import forecasting, offering
from grading.buying.forms import DeclineForm, OfferForm, OfferLineForm
from grading.buying.outcomes import forecast_it_was_bought_on, outcome_of
from grading.buying.told import OfferAsTold
from grading.models import LotOffer, LotOfferLine, OfferForecast
from stockroom.models import Shop, Supplier
from stockroom.receiving.forms import last_rates, put_cursor_on_error
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, refused_to
from stockroom.site.web import page_of

EARLIER = 10  # forecasts of one offer that its page lists


def _offer(number: str) -> LotOffer:
    return get_object_or_404(LotOffer.objects.select_related("supplier", "lot", "made_by"), number=number)


def _offer_line(number: str, line: int) -> LotOfferLine:
    lines = LotOfferLine.objects.select_related("offer__supplier", "type", "maker")
    return get_object_or_404(lines, offer__number=number, number=line)


@for_roles(Role.OWNER)
def offers(request: StaffRequest) -> HttpResponse:
    pieces = LotOfferLine.objects.filter(offer=OuterRef("pk")).order_by().values("offer").annotate(n=Sum("pieces"))
    last = OfferForecast.objects.filter(offer=OuterRef("pk"))
    rows = LotOffer.objects.select_related("supplier", "lot").annotate(
        pieces=Subquery(pieces.values("n")),
        most=Subquery(last.values("most")[:1]),
        most_in=Subquery(last.values("currency")[:1]),
    )
    return render(request, "buying/offers.html", {"page": page_of(request, rows)})


@for_roles(Role.OWNER)
def offer_new(request: StaffRequest) -> HttpResponse:
    home = Shop.own().currency
    form = OfferForm(home, request.POST if request.method == "POST" else None)
    if supplier := _supplier_named(request):
        form.initial.update({"supplier": supplier.name, "currency": supplier.currency})
        if supplier.currency != home:
            form.initial["rate"] = last_rates().get(supplier.currency, "")
    if request.method == "POST" and form.is_valid():
        with errors_on(form):
            offer = offering.add_offer(form.save(commit=False), request.user)
            messages.success(request, f"Offer {offer} from {offer.supplier}. Now its lines.")
            return redirect(f"{offer.get_absolute_url()}?add=1")
    put_cursor_on_error(form)
    context = {"form": form, "title": "A lot is offered", "back": reverse("offers")}
    return render(request, "buying/offer_form.html", context)


def _supplier_named(request: StaffRequest) -> Supplier | None:
    """Whose page the offer was begun on."""
    key = request.GET.get("supplier", "")
    return Supplier.objects.filter(pk=int(key)).first() if key.isdecimal() and len(key) < 10 else None


@for_roles(Role.OWNER)
def offer_edit(request: StaffRequest, number: str) -> HttpResponse:
    offer = _offer(number)
    form = OfferForm(Shop.own().currency, request.POST if request.method == "POST" else None, instance=offer)
    if request.method == "POST" and form.is_valid():
        with errors_on(form):
            offering.change_offer(form.save(commit=False), request.user)
            messages.success(request, f"Offer {offer} is saved.")
            return redirect(offer)
    put_cursor_on_error(form)
    context = {"form": form, "title": f"Offer {offer}: price and terms", "back": offer.get_absolute_url()}
    return render(request, "buying/offer_form.html", context)


@for_roles(Role.OWNER)
def offer(request: StaffRequest, number: str) -> HttpResponse:
    one = _offer(number)
    form = OfferLineForm() if one.is_open and request.GET.get("add") else None
    return _offer_page(request, one, form)


def _offer_page(request: StaffRequest, one: LotOffer, form: OfferLineForm | None) -> HttpResponse:
    forecasts = list(one.forecasts.select_related("made_by")[: EARLIER + 1])
    kept = forecast_it_was_bought_on(one) if one.lot_id else (forecasts[0] if forecasts else None)
    told = OfferAsTold(kept) if kept else None
    lines = list(one.lines.select_related("type", "maker").order_by("number"))
    said = told.lines if told else {}
    context: dict[str, Any] = {
        "offer": one,
        "asked": offering.asked_in_words(one),
        "lines": [(line, said.get(line.number)) for line in lines],
        "pieces": sum(line.pieces for line in lines),
        "form": form,
        "told": told,
        "stale": bool(kept and one.is_open and one.changed_at > kept.made_at),
        "earlier": forecasts[1:],
        "outcome": outcome_of(one, timezone.localdate()),
    }
    return render(request, "buying/offer.html", context)


@for_roles(Role.OWNER)
def offer_line_new(request: StaffRequest, number: str) -> HttpResponse:
    one = _offer(number)
    if request.method != "POST":
        return redirect(f"{one.get_absolute_url()}?add=1")
    form = OfferLineForm(request.POST)
    if form.is_valid():
        with errors_on(form):
            line = form.save(commit=False)
            offering.add_lines(one, [line], request.user)
            messages.success(request, f"Line {line.number}: {line.pieces} × {line.called}.")
            return redirect(f"{one.get_absolute_url()}?add=1")
    put_cursor_on_error(form)
    return _offer_page(request, one, form)


@for_roles(Role.OWNER)
def offer_line_edit(request: StaffRequest, number: str, line: int) -> HttpResponse:
    edited = _offer_line(number, line)
    form = OfferLineForm(request.POST if request.method == "POST" else None, instance=edited)
    if request.method == "POST" and form.is_valid():
        with errors_on(form):
            offering.change_line(form.save(commit=False), request.user)
            messages.success(request, f"Line {line} is saved.")
            return redirect(edited.offer)
    put_cursor_on_error(form)
    return render(request, "buying/offer_line.html", {"form": form, "line": edited, "offer": edited.offer})


@for_roles(Role.OWNER)
@require_POST
@refused_to("offer", "number")
def offer_line_drop(request: StaffRequest, number: str, line: int) -> HttpResponse:
    dropped = _offer_line(number, line)
    offering.drop_line(dropped, request.user)
    messages.success(request, f"Line {line}, {dropped.called}, is taken out.")
    return redirect("offer", number)


@for_roles(Role.OWNER)
@require_POST
@refused_to("offer", "number")
def offer_forecast(request: StaffRequest, number: str) -> HttpResponse:
    forecasting.make_forecast(_offer(number), request.user)
    return redirect("offer", number)


@for_roles(Role.OWNER)
def offer_decline(request: StaffRequest, number: str) -> HttpResponse:
    one = _offer(number)
    form = DeclineForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        with errors_on(form):
            offering.decline(one, form.cleaned_data["why"], request.user)
            messages.success(request, f"Offer {one} is declined.")
            return redirect(one)
    context = {"form": form, "title": f"Decline offer {one}", "action": "Decline", "back": one.get_absolute_url()}
    return render(request, "site/form.html", context)


@for_roles(Role.OWNER)
@require_POST
@refused_to("offer", "number")
def offer_buy(request: StaffRequest, number: str) -> HttpResponse:
    lot = offering.buy(_offer(number), request.user)
    messages.success(
        request, f"Offer {number} is bought: lot {lot}. Look over its charges, and count it when it comes."
    )
    return redirect(lot)


urlpatterns = [
    path("offers/", offers, name="offers"),
    path("offers/new/", offer_new, name="offer-new"),
    path("offers/<str:number>/", offer, name="offer"),
    path("offers/<str:number>/edit/", offer_edit, name="offer-edit"),
    path("offers/<str:number>/forecast/", offer_forecast, name="offer-forecast"),
    path("offers/<str:number>/decline/", offer_decline, name="offer-decline"),
    path("offers/<str:number>/buy/", offer_buy, name="offer-buy"),
    path("offers/<str:number>/lines/new/", offer_line_new, name="offer-line-new"),
    path("offers/<str:number>/<int:line>/", offer_line_edit, name="offer-line-edit"),
    path("offers/<str:number>/<int:line>/drop/", offer_line_drop, name="offer-line-drop"),
]
