"""Pages of the owner's desk. Each shows what the last job has worked out, and from when that is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from grading.desk import overview, worth
from grading.desk.overview import TEST_FIRST, BuyingAdvice, BuyingTerms, Desk
from grading.desk.pure.selling import BuyingCall
from grading.plots.bars import bar_chart
from grading.plots.charts import counts_plot
from stockroom.models import Job, Shop
from stockroom.pure.money import shown
from stockroom.pure.written import plural
from stockroom.site.numbers import WholeTyped
from stockroom.site.people import StaffRequest, for_roles
from stockroom.site.web import page_of

A_FEW = 8


def _with_desk(
    view: Callable[[StaffRequest, Desk, dict[str, Any]], HttpResponse],
) -> Callable[[StaffRequest], HttpResponseBase]:
    """A page about the last desk that was worked out; where there is none the first page says so."""

    @for_roles()
    def shown_(request: StaffRequest) -> HttpResponse:
        last, job = overview.latest(), overview.under_way()
        context: dict[str, Any] = {"job": job, "last": last}
        if last is None:
            return render(request, "desk/desk.html", context)
        desk = overview.read(last.result)
        return view(request, desk, {**context, "desk": desk})

    return shown_


@_with_desk
def desk(request: StaffRequest, desk: Desk, context: dict[str, Any]) -> HttpResponse:
    home = Shop.own().currency
    advice = overview.advise(desk, BuyingTerms())
    months = [(f"{start:%b %Y}", sold) for start, sold in desk.months]
    ages = [
        (age.label, float(age.cost), f"{shown(age.cost, home)}, {plural(age.pieces, 'piece')}") for age in desk.ages
    ]
    context |= {
        "by_age": bar_chart(
            "by-age", "What the stock cost, by how long it has been here", _ages_in_words(desk, home), ages
        ),
        "months": months,
        "by_month": counts_plot("sold", "Pieces sold, month by month", months),
        "to_buy": _to_buy(advice)[:A_FEW],
        "slow": _slow(advice)[:A_FEW],
        "not_had": sorted((row for row in desk.types if row.not_had), key=lambda row: -row.not_had)[:A_FEW],
        "searches": desk.searches[:A_FEW],
    }
    return render(request, "desk/desk.html", context)


def _ages_in_words(desk: Desk, home: str) -> str:
    return "; ".join(f"{age.label}: {plural(age.pieces, 'piece')}, {shown(age.cost, home)}" for age in desk.ages) + "."


ORDER = [BuyingCall.BUY, TEST_FIRST, BuyingCall.MAY_RUN_OUT]


def _to_buy(advice: Sequence[BuyingAdvice]) -> list[BuyingAdvice]:
    """The most urgent first, and of those as urgent what sells best."""
    found = [one for one in advice if one.call in ORDER]
    return sorted(found, key=lambda one: (ORDER.index(one.call), -one.row.wanted, one.row.name))


def _slow(advice: Sequence[BuyingAdvice]) -> list[BuyingAdvice]:
    """What ties up most first."""
    found = [one for one in advice if one.call == BuyingCall.SLOW]
    return sorted(found, key=lambda one: (-one.row.cost, one.row.name))


@require_POST
@for_roles()
def desk_work_out(request: StaffRequest) -> HttpResponse:
    overview.start(request.user)
    messages.success(request, "The desk is being worked out anew.")
    return redirect("desk")


@_with_desk
def desk_stock(request: StaffRequest, desk: Desk, context: dict[str, Any]) -> HttpResponse:
    page = page_of(request, [row for row in desk.types if row.pieces])
    rows = [(row, [row.kinds.get(column, 0) for column in desk.columns]) for row in page]
    heads = [f"n:{column.capitalize()}" for column in desk.columns]
    return render(request, "desk/stock.html", {**context, "page": page, "rows": rows, "heads": heads})


class BuyingForm(forms.Form):
    restock_days = WholeTyped(label="Time to restock, days", min_value=1, max_value=2000)
    cover_days = WholeTyped(label="Buy to last, days more", min_value=0, max_value=3650)
    slow_days = WholeTyped(label="Slow is what lasts, days", min_value=1, max_value=20000)


def _terms(request: StaffRequest) -> tuple[BuyingForm, BuyingTerms]:
    usual = BuyingTerms()._asdict()
    form = BuyingForm({**usual, **request.GET.dict()}, initial=usual)
    said = {name: form.cleaned_data[name] for name in usual} if form.is_valid() else usual
    return form, BuyingTerms(**said)


@_with_desk
def desk_buying(request: StaffRequest, desk: Desk, context: dict[str, Any]) -> HttpResponse:
    form, terms = _terms(request)
    page = page_of(request, _to_buy(overview.advise(desk, terms)))
    return render(request, "desk/buying.html", {**context, "form": form, "page": page, "terms": terms})


@_with_desk
def desk_slow(request: StaffRequest, desk: Desk, context: dict[str, Any]) -> HttpResponse:
    form, terms = _terms(request)
    page = page_of(request, _slow(overview.advise(desk, terms)))
    return render(request, "desk/slow.html", {**context, "form": form, "page": page, "terms": terms})


@_with_desk
def desk_not_had(request: StaffRequest, desk: Desk, context: dict[str, Any]) -> HttpResponse:
    found = sorted((row for row in desk.types if row.not_had), key=lambda row: (-row.not_had, row.name))
    return render(request, "desk/not_had.html", {**context, "page": page_of(request, found)})


# What the stock is worth


class WorthDay(forms.Form):
    on = forms.DateField(
        label="At the end of", required=False, widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d")
    )

    def clean_on(self) -> date:
        on: date = self.cleaned_data["on"] or timezone.localdate()
        if on > timezone.localdate():
            raise forms.ValidationError("This day is still to come.")
        return on


@for_roles()
def stock_worth(request: StaffRequest) -> HttpResponse:
    form = WorthDay({"on": timezone.localdate(), **request.GET.dict()})
    on = form.cleaned_data["on"] if form.is_valid() else timezone.localdate()
    jobs = Job.objects.keyed(worth.key_of(on))
    done, newest = jobs.filter(state="done").first(), jobs.first()
    context = {
        "form": form,
        "on": on,
        "last": done,
        "worth": worth.read(done.result) if done else None,
        "job": newest if newest and not newest.is_done else None,
    }
    return render(request, "desk/worth.html", context)


@require_POST
@for_roles()
def stock_worth_work_out(request: StaffRequest) -> HttpResponse:
    form = WorthDay(request.POST)
    if form.is_valid():
        worth.start(form.cleaned_data["on"], request.user)
        return redirect(f"{reverse('worth')}?on={form.cleaned_data['on'].isoformat()}")
    messages.error(request, "Say a day that is not still to come.")
    return redirect("worth")


urlpatterns = [
    path("desk/", desk, name="desk"),
    path("desk/work-out/", desk_work_out, name="desk-work-out"),
    path("desk/stock/", desk_stock, name="desk-stock"),
    path("desk/buying/", desk_buying, name="desk-buying"),
    path("desk/slow/", desk_slow, name="desk-slow"),
    path("desk/not-had/", desk_not_had, name="desk-not-had"),
    path("desk/worth/", stock_worth, name="worth"),
    path("desk/worth/work-out/", stock_worth_work_out, name="worth-work-out"),
]
