"""The papers of an order's money, gathered from what an invoice keeps, and what goes into the parcel."""

from __future__ import annotations

from collections import defaultdict
from datetime import date
from decimal import Decimal

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone

from grading.drawing.letter import letterhead
from grading.papers.pure.invoice_pdf import InvoiceData, InvoiceRow, SlipData, invoice_pdf, packing_slip_pdf
from stockroom.ledger.positions import sent_with
from stockroom.marks.called import serial_and_name
from stockroom.models import Customer, Invoice, Order, Shop
from stockroom.money import invoicing
from stockroom.pure.money import shown
from stockroom.pure.written import day
from stockroom.site.pdf import pdf_response


def invoice_data(paper: Invoice) -> InvoiceData:
    content, currency = paper.content, paper.currency
    credit = paper.kind == Invoice.Kind.CREDIT
    title = f"{'Credit note' if credit else 'Invoice'} {paper}"
    about = [("Order", f"{paper.order}"), ("Day", day(paper.on)), ("Currency", currency)]
    if paper.corrects:
        about.append(("Takes back from invoice", f"{paper.corrects} of {day(paper.corrects.on)}"))
        about.append(("Why", paper.reason))
    rows = [_row(line) for line in [*content["lines"], content["shipping"]] if line["quantity"] or _brings(line)]
    return InvoiceData(
        head=letterhead(Shop.own(), paper.number, paper.get_kind_display(), title, title, paper.on),
        to=_to(paper.order.customer),
        facts=(tuple(about),),
        rows=tuple(rows),
        sums=tuple(_sums(paper)),
        notes=tuple(invoicing.notes_for(content)),
    )


def _brings(line: dict[str, str]) -> bool:
    return bool(Decimal(line["after"]))


def _row(line: dict[str, str]) -> InvoiceRow:
    if not line["quantity"]:  # of a credit note: the goods are kept at less
        return InvoiceRow(f"Off the price of: {line['what']}", "", "", "", line["after"])
    discount = "" if not Decimal(line["discount"]) else f"\N{MINUS SIGN}{line['discount']}"
    return InvoiceRow(line["what"], f"{line['quantity']}", line["each"], discount, line["after"])


def _sums(paper: Invoice) -> list[tuple[str, str]]:
    """Tax by rate; what a margin bears is not shown apart, as a buyer may not take it for their own."""
    rows = []
    for tax in paper.content["taxes"]:
        name, percent = tax["name"], tax["percent"]
        if tax["margin"]:
            rows.append((f"{name}: margin scheme, tax not shown", ""))
        elif Decimal(percent) and Decimal(tax["gross"]):
            how = "in the prices" if tax["inclusive"] else "added"
            rows.append((f"{name} {percent} % on {tax['net']}, {how}", tax["amount"]))
    ends = "Credited" if paper.kind == Invoice.Kind.CREDIT else "To pay"
    return [*rows, (ends, shown(paper.total, paper.currency))]


def _to(customer: Customer) -> tuple[str, ...]:
    return (customer.name, *customer.address.splitlines())


def slip_data(order: Order, on: date) -> SlipData:
    """What is set aside or left with the order, though some of it may have come back since."""
    serials: defaultdict[int, list[str]] = defaultdict(list)
    for row in sorted(sent_with(order), key=lambda row: (row.item, row.valve.serial)):
        serials[row.order_line_id].append(serial_and_name(row.valve))
    rows = []
    for line in order.lines.select_related("type"):
        if not line.quantity:
            continue
        worth = "" if line.unit_price is None else shown(line.unit_price * line.quantity, order.currency)
        rows.append((line.asked, f"{line.quantity * line.set_size}", ", ".join(serials[line.pk]), worth))
    terms = invoicing.terms_of(order)
    weight = "not weighed" if terms.weight_g is None else f"{terms.weight_g} g"
    return SlipData(
        head=letterhead(Shop.own(), order.number, "Packing slip", f"What is in {order}", f"Packing slip {order}", on),
        to=_to(order.customer),
        facts=((("Order", f"{order}"), ("Weight packed", weight), ("Region", terms.region or "–")),),
        rows=tuple(rows),
        notes=("Values are those of the order before discount, shipping and tax; the invoice says what was paid.",),
    )


def invoice_paper(request: HttpRequest, number: str) -> HttpResponse:
    paper = get_object_or_404(Invoice.objects.select_related("order__customer", "corrects"), number=number)
    return pdf_response(invoice_pdf(invoice_data(paper)), f"{paper.get_kind_display().replace(' ', '-')}-{number}")


def packing_slip(request: HttpRequest, number: str) -> HttpResponse:
    order = get_object_or_404(Order.objects.select_related("customer", "terms"), number=number)
    return pdf_response(packing_slip_pdf(slip_data(order, timezone.localdate())), f"packing-slip-{number}")


urlpatterns = [
    path("invoices/<str:number>/invoice.pdf", invoice_paper, name="invoice-pdf"),
    path("orders/<str:number>/packing-slip.pdf", packing_slip, name="packing-slip-pdf"),
]
