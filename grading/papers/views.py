"""Pages of paper: labels and pick lists."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_safe

from grading.drawing.stock import STOCKS
from grading.drawing.symbols import DOTS_203, DOTS_300, CannotEncode, SymbolKind
from grading.papers import labels as labelling
from grading.papers.pure.labels import labels_pdf
from grading.papers.pure.pick_list import PickListData, PickRow, pick_list_pdf
from grading.sealed import orders
from stockroom.models import Allocation, Order, Shop, Valve
from stockroom.site.numbers import WholeTyped
from stockroom.site.pdf import pdf_response

MOST_LABELS = 2000  # what one request can draw while somebody waits


class WhichForm(forms.Form):
    """The valves, by any of what they are known by; more than one field adds up."""

    serials = forms.CharField(
        required=False,
        widget=forms.Textarea(attrs={"rows": 3, "class": "serial", "spellcheck": "false"}),
        help_text="Scan or type them one after the other; a range is written 10000012-10005003.",
    )
    line = forms.CharField(label="Line of a lot", required=False, help_text="Such as L0001/2.")
    lot = forms.CharField(label="Whole lot", required=False)
    set = forms.CharField(label="Matched set", required=False)

    def _found(self, name: str, find: Callable[[str], list[Valve]]) -> list[Valve]:
        text = self.cleaned_data[name]
        try:
            return find(text) if text else []
        except labelling.NothingToLabel as problem:
            raise forms.ValidationError(str(problem)) from problem

    def clean_serials(self) -> list[Valve]:
        return self._found("serials", labelling.of_serials)

    def clean_line(self) -> list[Valve]:
        return self._found("line", labelling.of_line)

    def clean_lot(self) -> list[Valve]:
        return self._found("lot", labelling.of_lot)

    def clean_set(self) -> list[Valve]:
        return self._found("set", labelling.of_set)

    def clean(self) -> dict[str, Any]:
        found = [valve for valves in self.cleaned_data.values() for valve in valves]
        self.valves = list({valve.pk: valve for valve in found}.values())
        if not self.errors and not self.valves:
            raise forms.ValidationError("Scan at least one serial, or name a line, a lot or a set.")
        if len(self.valves) > MOST_LABELS:
            raise forms.ValidationError(
                f"These are {len(self.valves)} valves; at most {MOST_LABELS} print at a time. Name a line or a range."
            )
        return self.cleaned_data


class PaperForm(forms.Form):
    """The stock and how to print on it. What a link leaves out is taken as shown first."""

    DOTS = {"203": DOTS_203, "300": DOTS_300}
    DEFAULTS = {"start": "1", "copies": "1", "square": SymbolKind.QR.value, "dots": "203"}

    stock = forms.ChoiceField(label="Label stock", choices=[(key, stock.name) for key, stock in STOCKS.items()])
    start = WholeTyped(
        label="First free label on the sheet",
        initial=1,
        min_value=1,
        help_text="Counted along the rows; more than 1 for a part-used sheet.",
    )
    copies = WholeTyped(label="Labels for each valve", initial=1, min_value=1, max_value=5)
    square = forms.ChoiceField(
        label="2D barcode",
        choices=[(SymbolKind.QR.value, "QR code"), (SymbolKind.DATA_MATRIX.value, "Data Matrix")],
    )
    dots = forms.ChoiceField(
        label="Thermal printer",
        choices=[(dots, f"{dots} dots to the inch") for dots in DOTS],
        help_text="Only for single labels. The bars come out sharpest at the printer's own resolution.",
    )

    def clean(self) -> dict[str, Any]:
        given = self.cleaned_data
        stock = STOCKS.get(given.get("stock", ""))
        if stock and not stock.is_thermal and given.get("start", 1) > stock.per_page:
            self.add_error("start", f"A sheet of this stock has {stock.per_page} labels.")
        return given


@require_safe
def labels(request: HttpRequest) -> HttpResponse:
    """The PDF when the address names a stock, else a form that keeps what it names."""
    asked = request.GET.copy()
    if asked.getlist("serial"):
        asked["serials"] = "\n".join([asked.get("serials", ""), *asked.getlist("serial")]).strip()
    for name, default in PaperForm.DEFAULTS.items():
        asked[name] = asked.get(name) or default
    which = WhichForm(asked if any(asked.get(name) for name in WhichForm.base_fields) or "stock" in asked else None)
    on_what = PaperForm(asked if "stock" in asked else None)
    if on_what.is_bound and which.is_valid() and on_what.is_valid():
        try:
            return _labels_pdf(which.valves, on_what.cleaned_data)
        except CannotEncode as problem:  # another refusal is of the paper, not of its size
            on_what.add_error("stock", str(problem))
    first = on_what.fields["stock"] if which.is_bound and which.is_valid() else which.fields["serials"]
    first.widget.attrs["autofocus"] = True
    return render(request, "papers/labels.html", {"which": which, "on_what": on_what})


def _labels_pdf(valves: list[Valve], asked: dict[str, Any]) -> HttpResponse:
    stock, shop = STOCKS[asked["stock"]], Shop.own()
    made = labelling.labels_for(valves, shop)
    pdf = labels_pdf(
        [label for label in made for _ in range(asked["copies"])],
        stock,
        shop=shop.name,
        on=timezone.localdate(),
        square_kind=SymbolKind(asked["square"]),
        start=1 if stock.is_thermal else asked["start"],
        dots_per_mm=PaperForm.DOTS[asked["dots"]] if stock.is_thermal else DOTS_300,
    )
    return pdf_response(pdf, f"labels-{made[0].serial}")


@require_safe
def pick_list(request: HttpRequest, number: str) -> HttpResponse:
    order = get_object_or_404(Order.objects.select_related("customer"), number=number)
    aside = (
        Allocation.objects.filter(order_line__order=order, live=True)
        .select_related("order_line__type", "valve__place", "valve__type", "valve__pack__plan__line__lot")
        .prefetch_related("valve__memberships__set")
    )
    rows = tuple(
        PickRow(
            place=allocation.valve.place.code if allocation.valve.place else "",
            serial=allocation.valve.serial,
            type=allocation.valve.called_and_type,
            set_number=orders.pack_in_words(allocation)
            or next((m.set.number for m in allocation.valve.memberships.all() if m.live), ""),
            item=str(allocation.order_line),
            pulled=allocation.pulled_at is not None,
        )
        for allocation in aside
    )
    if not rows:
        messages.error(request, f"Nothing is set aside for {number} yet, so there is nothing to pull.")
        return redirect(order)
    shop = Shop.own()
    data = PickListData(
        shop=shop.name,
        notice=shop.notice,
        order=number,
        customer=order.customer.name,
        note=order.note,
        rows=rows,
        sealed=tuple(said.sentence for said in orders.statements(order)),
        placed_on=timezone.localdate(order.placed_at),
        printed_on=timezone.localdate(),
    )
    return pdf_response(pick_list_pdf(data), f"pick-list-{number}")


urlpatterns = [
    path("labels/", labels, name="labels"),
    path("orders/<str:number>/pick-list.pdf", pick_list, name="pick-list-pdf"),
]
