"""What goes into a parcel, with what customs are told of it: by its number of one that left, before of what is here."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date
from decimal import Decimal

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone

from grading.drawing.letter import letterhead
from grading.orders import wishes
from grading.papers.invoices import addressed_to
from grading.papers.pure.invoice_pdf import SlipData, packing_slip_pdf
from stockroom.marks.called import serial_and_name
from stockroom.models import Allocation, Despatch, Order, OrderLine, Shop
from stockroom.money import customs, invoicing
from stockroom.pure.money import shown
from stockroom.pure.written import day, plural
from stockroom.site.pdf import pdf_response


def slip_data(order: Order, on: date, despatch: Despatch | None = None) -> SlipData:
    """Of the parcel that left with this number, though some of it may have come back since; or of what is here, and of
    all that left where nothing is."""
    every = Allocation.objects.filter(order_line__order=order).select_related("valve__type", "valve__maker")
    going = every.filter(despatch=despatch) if despatch else every.here() if every.here().exists() else every.sent()
    rows = list(going.order_by("item", "valve__serial"))
    worth = customs.values_of(order)
    of_line: defaultdict[int, list[Allocation]] = defaultdict(list)
    for row in rows:
        of_line[row.order_line_id].append(row)
    lines = order.lines.select_related("type", "maker")
    number = f"{despatch}" if despatch else order.number
    terms = invoicing.terms_of(order)
    weight = "not weighed" if terms.weight_g is None else f"{terms.weight_g} g"
    sent = [("Sent", day(timezone.localdate(despatch.at))), ("By", _how(despatch))] if despatch else []
    facts = [("Order", f"{order}"), ("Weight packed", weight), ("Region", terms.region or "–"), *sent]
    return SlipData(
        head=letterhead(Shop.own(), number, "Packing slip", f"What is in {number}", f"Packing slip {number}", on),
        to=addressed_to(order.customer),
        facts=(tuple(facts),),
        rows=tuple(_row(line, of_line[line.pk], worth.values, order.currency) for line in lines if of_line[line.pk]),
        customs=_customs(rows, worth, order.currency),
        notes=tuple(filter(None, [worth.basis, _rest(order, despatch)])),
    )


def _how(despatch: Despatch) -> str:
    return ", ".join(filter(None, [despatch.carrier, despatch.tracking])) or "–"


def _row(
    line: OrderLine, rows: Sequence[Allocation], worth: dict[int, Decimal], currency: str
) -> tuple[str, str, str, str]:
    value = sum((worth.get(row.pk, Decimal(0)) for row in rows), Decimal(0))
    items = len({row.item for row in rows})
    what = wishes.asked(line)
    if items != line.quantity:
        what = f"{what}: {items} of {line.quantity}"
    return what, f"{len(rows)}", ", ".join(serial_and_name(row.valve) for row in rows), shown(value, currency)


def _customs(
    rows: Sequence[Allocation], worth: customs.Valued, currency: str
) -> tuple[tuple[str, str, str, str, str, str], ...]:
    told = customs.declared(rows, worth)
    total = sum((one.value for one in told), Decimal(0))
    pieces = sum(one.pieces for one in told)
    return (
        *(
            (
                one.words.what,
                one.words.material or "not stated",
                one.words.hs_code,
                one.words.origin or "not known",
                f"{one.pieces}",
                shown(one.value, currency),
            )
            for one in told
        ),
        ("Together", "", "", "", f"{pieces}", shown(total, currency)),
    )


def _rest(order: Order, despatch: Despatch | None) -> str:
    """What the customer is to expect besides, as it stood when the parcel left."""
    if despatch is None:
        return ""
    others = Allocation.objects.sent().filter(order_line__order=order, despatch__lt=despatch.pk)
    before = others.order_by().values("order_line", "item").distinct().count()
    here = despatch.allocations.order_by().values("order_line", "item").distinct().count()
    rest = sum(order.lines.values_list("quantity", flat=True)) - before - here
    return f"{plural(rest, 'item')} of {order} not in this or an earlier parcel." if rest > 0 else ""


def packing_slip(request: HttpRequest, number: str) -> HttpResponse:
    order = get_object_or_404(Order.objects.select_related("customer", "terms"), number=number)
    return pdf_response(packing_slip_pdf(slip_data(order, timezone.localdate())), f"packing-slip-{number}")


def parcel_slip(request: HttpRequest, number: str) -> HttpResponse:
    sent = get_object_or_404(
        Despatch.objects.not_undone().select_related("order__customer", "order__terms"), number=number
    )
    data = slip_data(sent.order, timezone.localdate(sent.at), sent)
    return pdf_response(packing_slip_pdf(data), f"packing-slip-{number}")


urlpatterns = [
    path("orders/<str:number>/packing-slip.pdf", packing_slip, name="packing-slip-pdf"),
    path("despatches/<str:number>/packing-slip.pdf", parcel_slip, name="parcel-slip-pdf"),
]
