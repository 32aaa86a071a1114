"""The papers of an order's money, gathered from what an invoice keeps."""

from __future__ import annotations

from decimal import Decimal

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path

from grading.drawing.letter import letterhead
from grading.papers.pure.invoice_pdf import InvoiceData, InvoiceRow, invoice_pdf
from stockroom.models import Customer, Invoice, Shop
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
        to=addressed_to(paper.order.customer),
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


def addressed_to(customer: Customer) -> tuple[str, ...]:
    return (customer.name, *customer.address.splitlines())


def invoice_paper(request: HttpRequest, number: str) -> HttpResponse:
    paper = get_object_or_404(Invoice.objects.select_related("order__customer", "corrects"), number=number)
    return pdf_response(invoice_pdf(invoice_data(paper)), f"{paper.get_kind_display().replace(' ', '-')}-{number}")


urlpatterns = [
    path("invoices/<str:number>/invoice.pdf", invoice_paper, name="invoice-pdf"),
]
