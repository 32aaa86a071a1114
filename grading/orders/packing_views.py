"""The packing table: each valve is scanned into its parcel, and the parcel leaves."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from grading.orders import fulfilment, packing
from grading.orders.views import scanned_valve
from grading.orders.ways import where
from stockroom.models import Order
from stockroom.pure.serials import BadSerial
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on


class DespatchForm(forms.Form):
    """How a parcel leaves; how it left, where that is corrected."""

    carrier = forms.CharField(max_length=80, required=False)
    tracking = forms.CharField(label="Tracking number", max_length=80, required=False)


class ParcelForm(DespatchForm):
    goes = forms.ChoiceField(
        label="What goes",
        choices=[("all", "all that is set aside"), ("scanned", "what is scanned; the rest goes later")],
        initial="all",
    )
    unchecked = forms.CharField(
        label="If it is not all scanned: why it goes unchecked",
        max_length=200,
        required=False,
        help_text="It stays on record. Leave it empty where every valve was scanned.",
    )

    field_order = ["goes", "carrier", "tracking", "unchecked"]


@for_roles(Role.SALES)
def order_pack(request: StaffRequest, number: str) -> HttpResponse:
    """What is to go, and what of it is in the parcel; each scan is answered at once."""
    found = _found(number)
    scanned = problem = ""
    if request.method == "POST":
        scanned = request.POST.get("serial", "").strip()
        try:
            valve = scanned_valve(scanned)
            packing.scan(found, valve, request.user)
            return redirect(f"{request.path}?scanned={valve}")
        except (BadSerial, fulfilment.CannotPull) as wrong:
            problem = str(wrong)
    return _page(request, found, ParcelForm(), scanned, problem)


def _found(number: str) -> Order:
    return get_object_or_404(Order.objects.select_related("customer"), number=number)


def _page(request: StaffRequest, order: Order, form: ParcelForm, typed: str = "", problem: str = "") -> HttpResponse:
    items = packing.items_here(order)
    rows = [(one, where(one)) for item in items for one in item.allocations]
    lacking = [one.valve.serial for one, _ in rows if one.packed_at is None]
    last = request.GET.get("scanned", "")
    context: dict[str, Any] = {
        "order": order,
        "rows": rows,
        "total": len(rows),
        "packed": len(rows) - len(lacking),
        "lacking": lacking,
        "typed": typed,
        "problem": problem,
        "said": next((one.valve for one, _ in rows if one.valve.serial == last and one.packed_at), None),
        "form": form,
    }
    return render(request, "orders/pack.html", context)


@require_POST
@for_roles(Role.SALES)
def order_pack_again(request: StaffRequest, number: str) -> HttpResponse:
    packing.begin_again(_found(number), request.user)
    messages.success(request, "Scan every valve into the parcel anew.")
    return redirect("order-pack", number)


@require_POST
@for_roles(Role.SALES)
def order_despatch(request: StaffRequest, number: str) -> HttpResponse:
    found = _found(number)
    form = ParcelForm({"goes": "all", **request.POST.dict()})
    if form.is_valid():
        said = form.cleaned_data
        with errors_on(form):
            sent = packing.send(
                found,
                said["carrier"],
                said["tracking"],
                request.user,
                only_scanned=said["goes"] == "scanned",
                unchecked=said["unchecked"],
            )
            messages.success(request, f"{sent} of {found} has left the house.")
            return redirect(reverse("order", args=[number]))
    return _page(request, found, form)


urlpatterns = [
    path("orders/<str:number>/pack/", order_pack, name="order-pack"),
    path("orders/<str:number>/pack/again/", order_pack_again, name="order-pack-again"),
    path("orders/<str:number>/despatch/", order_despatch, name="order-despatch"),
]
