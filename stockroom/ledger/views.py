"""Pages of the books: what every account stands at, what was earned, every entry, and the file for an accountant."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from stockroom.ledger import checking, posting, profit, valuation
from stockroom.ledger.pure.double_entry import ABOUT, PROFIT, trial_balance
from stockroom.models import LedgerEntry, Order, Posting
from stockroom.pure.written import plural
from stockroom.receiving.forms import RateField, put_cursor
from stockroom.site.people import StaffRequest, for_roles
from stockroom.site.refusals import errors_on
from stockroom.site.web import page_of


def _day_field(label: str) -> forms.DateField:
    return forms.DateField(label=label, required=False, widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"))


class DayChoice(forms.Form):
    on = _day_field("At the end of")


class ProfitChoice(forms.Form):
    by = forms.ChoiceField(choices=[(key, way.label) for key, way in profit.WAYS.items()], required=False)
    since = _day_field("From")
    until = _day_field("Until")


class OrderRateForm(forms.Form):
    rate = RateField()


@for_roles()
def ledger(request: StaffRequest) -> HttpResponse:
    form = DayChoice(request.GET or None)
    today = timezone.localdate()
    on: date = (form.is_valid() and form.cleaned_data["on"]) or today
    columns = trial_balance(valuation.balances_on(on))
    lots, orders = posting.not_in_the_books()
    context = {
        "form": form,
        "on": on,
        "columns": columns,
        "debits": sum((column.debit for column in columns), Decimal(0)),
        "credits": sum((column.credit for column in columns), Decimal(0)),
        "at_cost": valuation.at_cost(on),
        "waiting": list(checking.waiting()),
        "to_open": [*lots, *(order for order in orders if posting.positions.of_order(order))],
    }
    return render(request, "ledger/ledger.html", context)


@for_roles()
@require_POST
def ledger_open(request: StaffRequest) -> HttpResponse:
    lots, orders = posting.open_books(request.user)
    messages.success(request, f"{plural(lots, 'lot')} and {plural(orders, 'order')} entered in the books.")
    return redirect("ledger")


@for_roles()
def ledger_profit(request: StaffRequest) -> HttpResponse:
    form = ProfitChoice(request.GET or None)
    chosen = form.cleaned_data if form.is_valid() else {}
    by, days = chosen.get("by") or "lot", (chosen.get("since"), chosen.get("until"))
    rows = profit.earned(by, *days)
    context = {
        "form": form,
        "way": profit.WAYS[by],
        "page": page_of(request, rows),
        "together": profit.of_the_shop(*days),
        "heads": [f"n:{ABOUT[account].name}" for account in PROFIT],
    }
    return render(request, "ledger/profit.html", context)


@for_roles()
def ledger_entries(request: StaffRequest) -> HttpResponse:
    related = ("postings__lot", "postings__line__lot", "postings__valve", "postings__order")
    found = LedgerEntry.objects.select_related("by").prefetch_related(*related)
    return render(request, "ledger/entries.html", {"page": page_of(request, found)})


@for_roles()
def ledger_rate(request: StaffRequest, number: str) -> HttpResponse:
    order = get_object_or_404(Order, number=number)
    form = OrderRateForm(request.POST or None)
    form.fields["rate"].label = f"Home currency for one {order.currency}"
    put_cursor(form, "rate")
    if form.is_valid():
        with errors_on(form, "rate"):
            posting.say_rate(order, form.cleaned_data["rate"], request.user)
            messages.success(request, f"The rate of {order} is recorded.")
            return redirect("ledger")
    context = {"form": form, "title": f"What {order} is worth at home", "back": reverse("ledger")}
    return render(request, "site/form.html", context)


class _Echo:
    """What `csv` writes to: the line itself comes back."""

    def write(self, text: str) -> str:
        return text


ABOUT_IT = ["lot", "line", "serial", "order", "customer", "by"]
HEADS = ["entry", "day", "text", "account", "name", "debit", "credit", "pieces", *ABOUT_IT]


def _rows() -> Iterator[list[Any]]:
    yield HEADS
    postings = Posting.objects.select_related("entry__by", "lot", "line", "valve", "order__customer")
    for one in postings.order_by("entry__on", "entry_id", "id").iterator(500):
        entry, about = one.entry, one.about
        yield [
            entry.pk,
            entry.on.isoformat(),
            entry.text,
            about.code,
            about.name,
            "" if one.debit is None else one.debit,
            "" if one.credit is None else one.credit,
            "" if one.pieces is None else one.pieces,
            one.lot or "",
            one.line.number if one.line else "",
            one.valve or "",
            one.order or "",
            one.order.customer if one.order else "",
            entry.by or "",
        ]


@for_roles()
def ledger_csv(request: StaffRequest) -> StreamingHttpResponse:
    """The journal, a posting a row, for an accountant's program."""
    writer = csv.writer(_Echo())
    name = f"ledger-{timezone.localdate():%Y-%m-%d}.csv"
    return StreamingHttpResponse(
        (writer.writerow(row) for row in _rows()),
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


urlpatterns = [
    path("ledger/", ledger, name="ledger"),
    path("ledger/open/", ledger_open, name="ledger-open"),
    path("ledger/profit/", ledger_profit, name="ledger-profit"),
    path("ledger/entries/", ledger_entries, name="ledger-entries"),
    path("ledger/rates/<str:number>/", ledger_rate, name="ledger-rate"),
    path("ledger/ledger.csv", ledger_csv, name="ledger-csv"),
]
