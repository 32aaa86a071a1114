"""Pages of returns: what is open, what came back, what was found, what is decided."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, NamedTuple

import django_filters
from django.contrib import messages
from django.db.models import Count, Q, QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from grading.returns import comparing, deciding, opening, warranty
from grading.returns.forms import CameBackForm, VerdictForm
from stockroom.models import Order, Return, ReturnCase, ReturnVerdict
from stockroom.money import invoicing
from stockroom.pure.money import minor_places, shown
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, refused_to
from stockroom.site.web import page_of
from stockroom.states import State

SHOWN_VALVES = 24  # on one page of a return


class ReturnFilter(django_filters.FilterSet):
    status = django_filters.ChoiceFilter(
        label="Status", method="by_status", choices=[("open", "open"), ("decided", "decided")]
    )
    number = django_filters.CharFilter(label="Number", lookup_expr="iexact")
    customer = django_filters.CharFilter(label="Customer", field_name="order__customer__name", lookup_expr="icontains")

    class Meta:
        model = ReturnCase
        fields: list[str] = []

    def by_status(self, cases: QuerySet[ReturnCase], _: str, value: str) -> QuerySet[ReturnCase]:
        return cases.filter(verdict__isnull=value == "open")


def _waits() -> Q:
    """Items that the bench has not read again yet; what came back under its seal is not read."""
    return Q(items__valve__state=State.RECEIVED) & ~Q(items__seal=Return.Seal.INTACT)


def returns(request: StaffRequest) -> HttpResponse:
    rows = ReturnCase.objects.select_related("order__customer", "verdict").annotate(
        valves=Count("items"), waits=Count("items", filter=_waits())
    )
    rows = rows.order_by("-opened_at", "-number")
    found = ReturnFilter(request.GET or {"status": "open"}, queryset=rows)
    return render(request, "returns/returns.html", {"filter": found, "page": page_of(request, found.qs)})


@for_roles(Role.SALES, Role.RECEIVING)
def return_new(request: StaffRequest, number: str) -> HttpResponse:
    """Several valves of an order came back together."""
    order = get_object_or_404(Order.objects.select_related("customer"), number=number)
    form = CameBackForm(request.POST or None, sealed=order.lines.filter(sealed=True).exists())
    if form.is_valid():
        said = form.cleaned_data
        with errors_on(form, "serials"):
            seals = {valve.pk: said.get("seal", "") for valve in said["serials"]}
            case = opening.take_back(order, said["serials"], said["complaint"], said["words"], seals, request.user)
            messages.success(request, f"{case} is open: what came back waits for the bench, then for a decision.")
            return redirect(case)
    context = {
        "form": form,
        "title": f"What came back from {order}",
        "intro": f"Sent to {order.customer}.",
        "action": "Record the return",
        "back": order.get_absolute_url(),
    }
    return render(request, "site/form.html", context)


class ReturnRow(NamedTuple):
    """A valve of the return: what the shop promised for it and what the bench found."""

    back: Return
    warranty: str
    found: Mapping[str, Any]

    @property
    def waits_for_the_bench(self) -> bool:
        return self.back.valve.state == State.RECEIVED and self.back.seal != Return.Seal.INTACT

    @property
    def read_on(self) -> str:
        return ", ".join(self.found.get("testers", []))


def return_(request: StaffRequest, number: str) -> HttpResponse:
    case = _found(number)
    return _case_page(request, case, VerdictForm(places=minor_places(case.order.currency)))


def _found(number: str) -> ReturnCase:
    return get_object_or_404(ReturnCase.objects.select_related("order__customer"), number=number)


def _case_page(request: StaffRequest, case: ReturnCase, form: VerdictForm) -> HttpResponse:
    verdict = ReturnVerdict.objects.select_related("credit_note", "paid_back", "replacement", "by")
    decided = verdict.filter(case=case).first()
    items = case.items.select_related("valve__line", "valve__type", "valve__place").order_by("valve__serial")
    shown_items = list(items[:SHOWN_VALVES])
    context = {
        "case": case,
        "order": case.order,
        "verdict": decided,
        "rows": _rows(shown_items, decided),
        "more": items.count() - len(shown_items),
        "sent": warranty.sent_with(shown_items[0]) if shown_items else None,
        "form": form,
        "money": _money(case.order),
        "in_part": "" if decided or not shown_items else deciding.only_in_part(list(items.select_related("order"))),
        "entries": case.order.entries.filter(text__startswith=f"{case}, ").select_related("by", "valve")[:20],
    }
    return render(request, "returns/return.html", context)


def _rows(items: Sequence[Return], verdict: ReturnVerdict | None) -> list[ReturnRow]:
    """As it was decided on, or as it is now."""
    if verdict:
        serials = [item.valve.serial for item in items]
        kept = [(verdict.warranty.get(serial, ""), verdict.found.get(serial, {})) for serial in serials]
        return [ReturnRow(item, *one) for item, one in zip(items, kept, strict=True)]
    known = warranty.promises()
    spoken = [warranty.spoken_of(item, known) for item in items]
    return [
        ReturnRow(item, one.covered.sentence, comparing.found_of(item, one.matters))
        for item, one in zip(items, spoken, strict=True)
    ]


def _money(order: Order) -> str:
    """What was charged and paid, in a sentence."""
    invoice = deciding.invoice_of(order)
    if invoice is None:
        return f"{order} has no invoice yet: a refund needs one."
    credited = sum((note.total for note in invoice.credits.all()), Decimal(0))
    said = [
        f"Invoice {invoice} of {shown(invoice.total, order.currency)}",
        f"{shown(credited, order.currency)} credited" if credited else "",
        f"{shown(invoicing.paid(order), order.currency)} paid",
        invoicing.paid_in_words(order) if invoicing.owed(order) else "",
    ]
    return f"{'; '.join(filter(None, said))}."


@require_POST
@for_roles(Role.SALES)
def return_decide(request: StaffRequest, number: str) -> HttpResponse:
    case = _found(number)
    form = VerdictForm(request.POST, places=minor_places(case.order.currency))
    if form.is_valid():
        with errors_on(form):
            verdict = deciding.decide(case, form.decision, request.user)
            messages.success(request, f"{case}: {verdict.get_kind_display()}. {_what_next(verdict)}")
            return redirect(case)
    return _case_page(request, case, form)


def _what_next(verdict: ReturnVerdict) -> str:
    if verdict.replacement:
        return f"Fill {verdict.replacement}, at no charge."
    back = -verdict.paid_back.amount if verdict.paid_back else Decimal(0)
    if verdict.credit_note:
        credited = f"Credit note {verdict.credit_note} is written"
        return f"{credited}; {shown(back, verdict.case.order.currency)} went back." if back else f"{credited}."
    return "Tell the customer why." if verdict.goods == ReturnVerdict.Goods.KEPT else "Send it back, and say why."


@require_POST
@for_roles(Role.SALES)
@refused_to("return", "number")
def return_apart(request: StaffRequest, number: str) -> HttpResponse:
    """This valve is decided on by itself."""
    case = _found(number)
    try:
        serial = read_serial(request.POST.get("serial", ""))
    except BadSerial as problem:
        messages.error(request, str(problem))
        return redirect(case)
    back = get_object_or_404(case.items.select_related("valve"), valve__serial=serial)
    return redirect(opening.apart(case, back, request.user))


urlpatterns = [
    path("returns/", returns, name="returns"),
    path("orders/<str:number>/return/", return_new, name="return-new"),
    path("returns/<str:number>/", return_, name="return"),
    path("returns/<str:number>/decide/", return_decide, name="return-decide"),
    path("returns/<str:number>/apart/", return_apart, name="return-apart"),
]
