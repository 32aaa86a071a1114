"""Pages about the price of goods: why an item is asked for at its price, what the shop's own sales say, and listing
many at once."""

from __future__ import annotations

from collections.abc import Collection
from decimal import Decimal
from typing import Any, NamedTuple

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone

from grading.prices import explaining, many, past, sales
from grading.prices.forms import OwnSalesForm, RowToList, SetsFilter, SinglesFilter, WhyPricedForm, grade_names
from grading.prices.many import Listable, What
from grading.prices.pure.book import How
from grading.prices.pure.suggesting import LEAST, Alike, AlikeSale, Suggestion, suggested
from stockroom.models import Shop
from stockroom.models.orders import set_name
from stockroom.pure.money import shown
from stockroom.pure.written import plural
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import page_of

LONGEST_KEY = 18  # digits

# Why


def price_why(request: StaffRequest) -> HttpResponse:
    form = WhyPricedForm(request.GET or None)
    context: dict[str, Any] = {"form": form}
    if form.is_valid():
        item = explaining.item_named(form.cleaned_data["item"])
        if item is None:
            form.add_error("item", "No valve, set or listing is called that.")
        else:
            context |= _why(item, form.cleaned_data["on"] or timezone.localdate())
    return render(request, "prices/price_why.html", context)


def _why(item: explaining.Item, on: Any) -> dict[str, Any]:
    currency, moment = Shop.own().currency, past.end_of(on)
    today = on >= timezone.localdate()
    listing = item.listing
    listed = listing if listing and past.live_at(moment).filter(pk=listing.pk).exists() else None
    return {
        "item": item,
        "on": on,
        "today": today,
        "found": explaining.price_then(item, moment),
        "listed": listed,
        "asked": past.asked_at([listed], moment)[listed.pk] if listed else None,
        "repricings": listing.repricings.select_related("by").order_by("-at", "-id")[:20] if listing else [],
        "suggestion": explaining.suggestion_in_words(explaining.suggestion_for(item.valves), currency) if today else "",
    }


# The shop's own sales


class SalesRow(NamedTuple):
    what: str
    n: int
    price: str
    between: str


def own_sales(request: StaffRequest) -> HttpResponse:
    form = OwnSalesForm(request.GET or None)
    context: dict[str, Any] = {"form": form, "least": LEAST, "looked_back": sales.LOOKED_BACK}
    if form.is_valid():
        type_ = form.cleaned_data["type"]
        sold = sales.sales_of(type_)
        context |= {"type": type_, "sold": len(sold), "rows": _sales_rows(str(type_), sold)}
    return render(request, "prices/own_sales.html", context)


def _sales_rows(type_: str, sold: list[AlikeSale]) -> list[SalesRow]:
    """A row for each kind that was sold, and one for each of its grades."""
    rows = []
    ways, grades = list(How), grade_names()
    kinds = {(sale.how, sale.set_size) for sale in sold}
    for how, size in sorted(kinds, key=lambda one: (ways.index(How(one[0])), one[1])):
        alike = [sale for sale in sold if (sale.how, sale.set_size) == (how, size)]
        rows.append(_sales_row(f"{how} {set_name(size)}", Alike(type_, how, size), alike))
        known = {sale.grade for sale in alike if sale.grade}
        for grade in sorted(known, key=lambda one: (grades.index(one) if one in grades else len(grades), one)):
            some = [sale for sale in alike if sale.grade == grade]
            rows.append(_sales_row(f"{how} {set_name(size)}, {grade}", Alike(type_, how, size, grade), some))
    return rows


def _sales_row(what: str, alike: Alike, sold: list[AlikeSale]) -> SalesRow:
    found, currency = suggested(alike, sold), Shop.own().currency
    if not isinstance(found, Suggestion):
        return SalesRow(what, len(sold), "", f"too few to say: {LEAST} are needed")
    price = found.price
    return SalesRow(
        what,
        price.n,
        shown(price.median, currency),
        f"{shown(price.low, currency)} to {shown(price.high, currency)}",
    )


# Many at once


@for_roles(Role.SALES)
def list_many(request: StaffRequest, what: str) -> HttpResponse:
    """Tick what is to be listed; the prices are the book's until somebody types others."""
    if what not in list(What):
        raise Http404("There is no such list.")
    kind = What(what)
    found = _filter(kind, request)
    page = page_of(request, found.qs)
    if request.method == "POST" and "all" in request.POST:
        keys = list(found.qs.values_list("pk", flat=True))
        if keys:
            many.start(kind, keys, request.user)
        return redirect("list-many", what)
    if request.method == "POST":
        return _list_ticked(request, kind, found, page)
    return _many_page(request, kind, found, page, many.rows_of(kind, list(page)))


def _filter(kind: What, request: StaffRequest) -> Any:
    if kind is What.SETS:
        return SetsFilter(request.GET, queryset=many.listable_sets())
    found = SinglesFilter(request.GET, queryset=many.listable_valves(kind))
    if kind is What.UNTESTED:
        del found.form.fields["grade"]
    return found


def _list_ticked(request: StaffRequest, kind: What, found: Any, page: Any) -> HttpResponse:
    """Those that the page showed, as they were ticked and priced: the page may have moved on meanwhile."""
    keys = _keys(request, "row")
    rows = many.rows_of(kind, many.things_by_key(kind, keys))
    currency = Shop.own().currency
    forms = {row.key: RowToList(row.key, currency, request.POST) for row in rows}
    chosen = {row.key for row in rows} & set(_keys(request, "take"))
    wrong = [key for key in chosen if not forms[key].is_valid()]
    if wrong or not chosen:
        messages.error(request, "Look at the prices marked below." if wrong else "Nothing is ticked.")
        return _many_page(request, kind, found, page, rows, forms, chosen)
    prices = {key: price for key in chosen if (price := forms[key].cleaned_data["price"]) is not None}
    answer = many.list_rows([row for row in rows if row.key in chosen], prices, request.user)
    if answer.made:
        asked = sum((listing.price for listing in answer.made.values()), Decimal(0))
        many_are = plural(len(answer.made), "item is", "items are")
        messages.success(request, f"{many_are} before the public, for {shown(asked, currency)} together.")
    if not answer.refused:
        return redirect(request.get_full_path())
    messages.error(request, f"{plural(len(answer.refused), 'item was', 'items were')} refused: see below.")
    for key, why in answer.refused.items():
        forms[key].add_error(None, why)
    left = [row for row in rows if row.key not in answer.made]
    return _many_page(request, kind, found, page, left, forms, chosen)


def _keys(request: StaffRequest, name: str) -> list[int]:
    """What a database may be asked for: other texts no page of ours sends."""
    return [int(text) for text in request.POST.getlist(name) if text.isdecimal() and len(text) < LONGEST_KEY]


class RowShown(NamedTuple):
    row: Listable
    form: RowToList
    ticked: bool
    address: str  # of the item
    why: str  # why the book asks that


def _many_page(
    request: StaffRequest,
    kind: What,
    found: Any,
    page: Any,
    rows: list[Listable],
    forms: dict[int, RowToList] | None = None,
    chosen: Collection[int] = (),
) -> HttpResponse:
    currency = Shop.own().currency
    job = many.latest(kind)
    return render(
        request,
        "prices/list_many.html",
        {
            "kind": kind.value,
            "kinds": [(one.value, reverse("list-many", args=[one.value])) for one in What],
            "filter": found,
            "page": page,
            "rows": [
                RowShown(
                    row,
                    forms[row.key] if forms else RowToList(row.key, currency, price=row.price.amount),
                    row.key in chosen,
                    reverse("set" if kind is What.SETS else "valve", args=[row.name]),
                    f"{reverse('price-why')}?item={row.name}",
                )
                for row in rows
            ],
            "job": job if job is not None and not job.is_done else None,
            "done": job if job is not None and job.is_done else None,
        },
    )


urlpatterns = [
    path("prices/why/", price_why, name="price-why"),
    path("prices/sales/", own_sales, name="price-sales"),
    path("listings/many/<slug:what>/", list_many, name="list-many"),
]
