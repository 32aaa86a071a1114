"""Pages of receiving: lots, their lines, counting, serials."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, NamedTuple

import django_filters
from django import forms
from django.contrib import messages
from django.db import transaction
from django.db.models import Count, F, IntegerField, Prefetch, Q, QuerySet, Sum
from django.db.models.functions import Coalesce
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils.html import format_html

from catalog.models import ValveType
from stockroom.marks.identity import warnings_by_line
from stockroom.models import Credit, Line, Lot, Shop, Supplier
from stockroom.pure.money import to_minor
from stockroom.pure.written import plural
from stockroom.receiving import booking
from stockroom.receiving.booking import difference_in_words, in_home
from stockroom.receiving.forms import (
    CountForm,
    LineForm,
    LotForms,
    NamingForm,
    SerialsForm,
    last_rates,
    put_cursor_on_error,
)
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on
from stockroom.site.web import TypeField, page_of
from stockroom.states import LADDER
from stockroom.tally import LotTally, tally_lines, tally_lots

LATEST = 30


class LotTypeFilter(django_filters.Filter):
    field_class = TypeField


class LotFilter(django_filters.FilterSet):
    supplier = django_filters.ModelChoiceFilter(queryset=Supplier.objects.all())
    state = django_filters.ChoiceFilter(choices=[(state.value, state.value) for state in LADDER])
    since = django_filters.DateFilter(
        "received_on", "gte", label="Received from", widget=forms.DateInput({"type": "date"})
    )
    until = django_filters.DateFilter(
        "received_on", "lte", label="Received until", widget=forms.DateInput({"type": "date"})
    )
    type = LotTypeFilter(label="Type", method="with_type")

    class Meta:
        model = Lot
        fields: list[str] = []

    def with_type(self, lots: QuerySet[Lot], name: str, type: ValveType) -> QuerySet[Lot]:
        return lots.filter(pk__in=Line.objects.filter(type=type).values("lot"))


class LotRow(NamedTuple):
    lot: Lot
    tally: LotTally
    cost: Decimal


def lot_rows(lots: list[Lot]) -> list[LotRow]:
    """What a list says of each lot; a fixed number of queries."""
    currency = Shop.own().currency
    tallies = tally_lots([lot.pk for lot in lots])
    return [LotRow(lot, tallies[lot.pk], booking.cost_of(lot, currency)) for lot in lots]


def listed_lots() -> QuerySet[Lot]:
    return Lot.objects.select_related("supplier").prefetch_related("charges", "credits")


def lots(request: StaffRequest) -> HttpResponse:
    filter = LotFilter(request.GET, queryset=listed_lots())
    page = page_of(request, filter.qs if filter.is_valid() else listed_lots().none())
    context = {"filter": filter, "page": page, "rows": lot_rows(list(page))}
    return render(request, "receiving/lots.html", context)


class LineRow(NamedTuple):
    line: Line
    tally: LotTally
    difference: str
    least: Decimal | None  # the cost of a piece; they differ by one minor unit at most
    most: Decimal | None
    warned: int  # valves whose marks do not agree

    @property
    def cost_each(self) -> str:
        """One figure, or two where the pieces of the line differ by a minor unit."""
        if self.least is None or self.most is None:
            return "–"
        return str(self.least) if self.least == self.most else f"{self.least}–{self.most}"


class Differences(NamedTuple):
    """A lot's lines against what was expected."""

    short: int
    over: int
    uncounted: int

    @property
    def in_words(self) -> str:
        words = [f"{word} {pieces}" for word, pieces in (("short", self.short), ("over", self.over)) if pieces]
        if self.uncounted:
            words.append(f"{plural(self.uncounted, 'line')} not yet counted")
        return ", ".join(words) or "as expected"


def _lot(number: str) -> Lot:
    credits = Prefetch("credits", Credit.objects.select_related("claim"))
    return get_object_or_404(
        Lot.objects.select_related("supplier", "created_by").prefetch_related(credits), number=number
    )


def _line(number: str, line: int) -> Line:
    return get_object_or_404(
        Line.objects.select_related("lot__supplier", "type", "maker", "place"), lot__number=number, number=line
    )


def _line_row(line: Line, tally: LotTally, currency: str, warned: int) -> LineRow:
    least, most = line.cost_each(currency) if line.bearing_cost else (None, None)
    return LineRow(line, tally, difference_in_words(line.expected, line.counted), least, most, warned)


def _differences(lot: Lot) -> Differences:
    missing = Sum(F("expected") - F("counted"), filter=Q(counted__lt=F("expected")), output_field=IntegerField())
    extra = Sum(F("counted") - F("expected"), filter=Q(counted__gt=F("expected")), output_field=IntegerField())
    found = lot.lines.aggregate(
        short=Coalesce(missing, 0), over=Coalesce(extra, 0), uncounted=Count("pk", filter=Q(counted=None))
    )
    return Differences(**found)


def lot(request: StaffRequest, number: str) -> HttpResponse:
    shown = _lot(number)
    form = None
    if "add" in request.GET or not shown.lines.exists():
        last = shown.lines.order_by("-number").first()
        form = LineForm(initial={"condition": last.condition, "place": last.place_id} if last else None)
    return _lot_page(request, shown, form)


def _lot_page(request: StaffRequest, lot: Lot, form: LineForm | None) -> HttpResponse:
    currency = Shop.own().currency
    page = page_of(request, lot.lines.select_related("type", "maker", "place", "lot"))
    tallies = tally_lines([line.pk for line in page])
    warned = warnings_by_line([line.pk for line in page])
    cost = booking.cost_of(lot, currency)
    shared = lot.lines.aggregate(cost=Sum("cost"))["cost"] or Decimal(0)
    charges = [(charge, in_home(charge, currency)) for charge in lot.charges.order_by("pk")]
    context = {
        "lot": lot,
        "charges": charges,
        "claimed_back": sum((home for charge, home in charges if not charge.is_cost), Decimal(0)),
        "credits": [(credit, in_home(credit, currency)) for credit in lot.credits.all() if credit.stands],
        "cost": cost,
        "unshared": to_minor(cost - shared, currency),
        "tally": tally_lots([lot.pk])[lot.pk],
        "differences": _differences(lot),
        "page": page,
        "rows": [_line_row(line, tallies[line.pk], currency, warned.get(line.pk, 0)) for line in page],
        "form": form,
        "entries": lot.entries.select_related("by", "valve")[:LATEST],
    }
    return render(request, "receiving/lot.html", context)


@for_roles(Role.RECEIVING)
def lot_new(request: StaffRequest) -> HttpResponse:
    lot_forms = LotForms(Shop.own().currency, data=request.POST if request.method == "POST" else None)
    if request.method == "POST" and lot_forms.is_valid():
        lot = lot_forms.lot
        new = lot.supplier.pk is None
        with errors_on(lot_forms.lot_form):
            booking.book_in(lot, lot_forms.charges, request.user)
            messages.success(request, f"Lot {lot} is booked in. Now its lines.")
            _say_what_is_new(request, lot.supplier if new else None)
            return redirect(f"{lot.get_absolute_url()}?add=1")
    return _lot_form(request, lot_forms, "Book in a lot")


@for_roles(Role.RECEIVING)
def lot_edit(request: StaffRequest, number: str) -> HttpResponse:
    lot = _lot(number)
    lot_forms = LotForms(Shop.own().currency, lot, request.POST if request.method == "POST" else None)
    if request.method == "POST" and lot_forms.is_valid():
        lot = lot_forms.lot
        new = lot.supplier.pk is None
        with errors_on(lot_forms.lot_form):
            booking.change_lot(lot, lot_forms.charges, request.user)
            messages.success(request, f"Lot {lot} is saved.")
            _say_what_is_new(request, lot.supplier if new else None)
            return redirect(lot)
    return _lot_form(request, lot_forms, f"Lot {lot}: supplier and charges", lot)


def _lot_form(request: StaffRequest, lot_forms: LotForms, title: str, lot: Lot | None = None) -> HttpResponse:
    billed = {supplier.name: supplier.currency for supplier in Supplier.objects.all()}
    context = {
        "lot_forms": lot_forms,
        "title": title,
        "back": lot.get_absolute_url() if lot else reverse("lots"),
        "known": {"home": Shop.own().currency, "suppliers": billed, "rates": last_rates()},
    }
    return render(request, "receiving/lot_form.html", context)


def _say_what_is_new(request: StaffRequest, *things: Any) -> None:
    for thing in things:
        if thing is not None:
            messages.warning(request, f"“{thing}” was not known and is added as a new {thing._meta.verbose_name}.")


@for_roles(Role.RECEIVING)
def line_new(request: StaffRequest, number: str) -> HttpResponse:
    lot = _lot(number)
    if request.method != "POST":
        return redirect(f"{lot.get_absolute_url()}?add=1")
    form = LineForm(request.POST)
    if form.is_valid():
        new = _what_is_new(form)
        with errors_on(form):
            line = booking.add_lines(lot, [form.save(commit=False)], request.user)[0]
            difference = difference_in_words(line.expected, line.counted)
            messages.success(request, f"Line {line.number}: {line.pieces} × {line.called}, {difference}.")
            _say_what_is_new(request, *new)
            return redirect(f"{lot.get_absolute_url()}?add=1")
    put_cursor_on_error(form)
    return _lot_page(request, lot, form)


@for_roles(Role.RECEIVING)
def line_edit(request: StaffRequest, number: str, line: int) -> HttpResponse:
    edited = _line(number, line)
    form = LineForm(request.POST or None, instance=edited)
    if request.method == "POST" and form.is_valid():
        new = _what_is_new(form)
        with errors_on(form):
            booking.change_line(form.save(commit=False), request.user)
            messages.success(request, f"Line {line} is saved.")
            _say_what_is_new(request, *new)
            return redirect(edited.lot)
    put_cursor_on_error(form)
    context = {"form": form, "lot": edited.lot, "number": line}
    return render(request, "receiving/line_form.html", context)


@for_roles(Role.RECEIVING)
def line_name(request: StaffRequest, number: str, line: int) -> HttpResponse:
    """Some pieces of what was received unread are of a type."""
    of = _line(number, line)
    form = NamingForm(tally_lines([of.pk])[of.pk].in_bulk, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        said = form.cleaned_data
        with errors_on(form):
            named = booking.name_pieces(
                of, said["count"], said["type"], request.user, as_marked=form.as_marked, maker=said["maker"]
            )
            messages.success(request, f"Line {named.number}: {named.pieces} × {named.called}.")
            return redirect(of.lot)
    put_cursor_on_error(form)
    title = f"Name pieces of line {of}"
    context = {"form": form, "lot": of.lot, "number": line, "title": title}
    return render(request, "receiving/line_form.html", context)


def _what_is_new(form: LineForm) -> list[Any]:
    chosen = (form.cleaned_data["type"], form.cleaned_data["maker"], form.cleaned_data["place"])
    return [thing for thing in chosen if thing is not None and thing.pk is None]


@for_roles(Role.RECEIVING)
def lot_count(request: StaffRequest, number: str) -> HttpResponse:
    lot = _lot(number)
    with transaction.atomic():
        if request.method == "POST":
            booking.locked(lot.pk)  # what the page showed is compared with counts that nobody changes meanwhile
        lines = list(lot.lines.select_related("type", "maker", "place").order_by("number"))
        serialised = {key: tally.serialised for key, tally in tally_lines([line.pk for line in lines]).items()}
        form = CountForm(lines, serialised, request.POST if request.method == "POST" else None)
        if request.method == "POST" and form.is_valid():
            with errors_on(form):
                changed = booking.count_lines(lot, form.counts, request.user)
                said = [f"line {line.number} {difference_in_words(line.expected, line.counted)}" for line in changed]
                messages.success(request, f"Counted: {', '.join(said[:12])}." if said else "No count was changed.")
                return redirect(lot)
    cautions = sorted({sentence for line in lines for sentence in line.type.caution_sentences})
    return render(request, "receiving/lot_count.html", {"lot": lot, "form": form, "cautions": cautions})


@for_roles(Role.RECEIVING)
def line_serials(request: StaffRequest, number: str, line: int) -> HttpResponse:
    of = _line(number, line)
    in_bulk = tally_lines([of.pk])[of.pk].in_bulk
    form = SerialsForm(in_bulk, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        with errors_on(form, "count"):
            valves = booking.allot_serials(of, form.cleaned_data["count"], request.user)
            first, last = valves[0].serial, valves[-1].serial
            labels = f"{reverse('labels')}?serials={first}-{last}"
            text = '{} given to line {}: {} to {}. <a href="{}">Print their labels</a>'
            given = plural(len(valves), "serial")
            messages.success(request, format_html(text, given, line, first, last, labels))
            return redirect(of.lot)
    context = {"form": form, "line": of, "lot": of.lot, "in_bulk": in_bulk, "cautions": of.type.caution_sentences}
    return render(request, "receiving/line_serials.html", context)


urlpatterns = [
    path("lots/", lots, name="lots"),
    path("lots/new/", lot_new, name="lot-new"),
    path("lots/<str:number>/", lot, name="lot"),
    path("lots/<str:number>/edit/", lot_edit, name="lot-edit"),
    path("lots/<str:number>/count/", lot_count, name="lot-count"),
    path("lots/<str:number>/lines/new/", line_new, name="line-new"),
    path("lots/<str:number>/<int:line>/", line_edit, name="line-edit"),
    path("lots/<str:number>/<int:line>/serials/", line_serials, name="line-serials"),
    path("lots/<str:number>/<int:line>/name/", line_name, name="line-name"),
]
