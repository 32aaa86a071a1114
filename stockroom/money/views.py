"""Pages of money: what an order comes to and what was paid, and the shop's rules for shipping, tax and codes."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import messages
from django.db import models
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from catalog.models import ValveType
from stockroom.models import (
    CustomsRule,
    DiscountCode,
    Entry,
    Invoice,
    Order,
    OrderTerms,
    Payment,
    ShippingRule,
    TaxRule,
)
from stockroom.money import invoicing as work
from stockroom.pure.money import minor_places
from stockroom.receiving.forms import put_cursor
from stockroom.site.edits import EditForm
from stockroom.site.numbers import WholeTyped, typed_numbers
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, refused_to
from stockroom.site.web import TypeField


class TermsForm(EditForm):
    class Meta:
        model = OrderTerms
        fields = ["region", "weight_g", "code"]
        formfield_callback = typed_numbers


class PaymentForm(forms.ModelForm):
    class Meta:
        model = Payment
        fields = ["amount", "on", "note"]
        formfield_callback = typed_numbers
        widgets = {"on": forms.DateInput({"type": "date"}, format="%Y-%m-%d")}

    def clean_amount(self) -> Decimal:
        amount: Decimal = self.cleaned_data["amount"]
        places = minor_places(self.instance.order.currency)
        if not amount or amount != round(amount, places):
            raise forms.ValidationError(f"Say an amount other than nothing, with {places} decimal places at most.")
        return amount

    def clean_on(self) -> Any:
        if self.cleaned_data["on"] > timezone.localdate():
            raise forms.ValidationError("This day is still to come.")
        return self.cleaned_data["on"]


class CreditNoteForm(forms.Form):
    """How many of each line the customer keeps, and whether they keep paying for the shipping."""

    def __init__(self, invoice: Invoice, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        owed, left = work.still_owed(invoice)
        self.keys = {f"keep_{line.key}": line.key for line in owed.lines}
        for (name, _), line, many in zip(self.keys.items(), owed.lines, left, strict=True):
            help_text = f"of {many} owed for"
            self.fields[name] = WholeTyped(label=f"Kept: {line.what}", min_value=0, initial=many, help_text=help_text)
        self.fields["shipping"] = forms.BooleanField(
            label="Shipping stays charged", required=False, initial=bool(owed.shipping.quantity)
        )
        self.fields["reason"] = forms.CharField(label="Why", max_length=200)

    def kept(self) -> dict[int, int]:
        return {key: self.cleaned_data[name] for name, key in self.keys.items()}


def order_money(request: StaffRequest, number: str) -> HttpResponse:
    order = get_object_or_404(Order.objects.select_related("customer", "terms__code"), number=number)
    context = _shown(order)
    context["terms_form"] = TermsForm(instance=work.terms_of(order))
    context["payment_form"] = PaymentForm(instance=Payment(order=order))
    return render(request, "money/order.html", context)


def _shown(order: Order) -> dict[str, Any]:
    papers = list(order.invoices.all())
    invoice = next((paper for paper in papers if paper.kind == Invoice.Kind.INVOICE), None)
    content, refusal = (invoice.content if invoice else None), ""
    if content is None:
        try:
            content = work.written(work.sums_of(order), order.currency)
        except work.CannotInvoice as why:
            refusal = str(why)
    return {
        "order": order,
        "papers": papers,
        "parcels": order.despatches.not_undone(),
        "invoice": invoice,
        "content": content,
        "refusal": refusal,
        "paid_in_words": work.paid_in_words(order),
        "can_issue": not invoice and content and order.state in (Order.State.PULLED, Order.State.DESPATCHED),
    }


@for_roles(Role.SALES)
@require_POST
def order_terms(request: StaffRequest, number: str) -> HttpResponse:
    order = get_object_or_404(Order, number=number)
    form = TermsForm(request.POST, instance=work.terms_of(order))
    if form.is_valid():
        saved = form.save()
        text = f"{order}: to {saved.region or 'no region'}, {saved.weight_g or 'no'} g, code {saved.code or 'none'}"
        Entry.write(request.user, "order-terms", text, order=order)
        return redirect("order-money", number)
    context = {**_shown(order), "terms_form": form, "payment_form": PaymentForm(instance=Payment(order=order))}
    return render(request, "money/order.html", context)


@for_roles(Role.SALES)
@require_POST
@refused_to("order-money", "number")
def invoice_new(request: StaffRequest, number: str) -> HttpResponse:
    paper = work.issue(get_object_or_404(Order, number=number), request.user)
    messages.success(request, f"Invoice {paper} is written.")
    return redirect("order-money", number)


@for_roles(Role.SALES)
def credit_new(request: StaffRequest, number: str) -> HttpResponse:
    invoice = get_object_or_404(Invoice, number=number, kind=Invoice.Kind.INVOICE)
    form = CreditNoteForm(invoice, request.POST or None)
    if form.is_valid():
        with errors_on(form):
            keep = form.cleaned_data["shipping"]
            paper = work.credit(invoice, form.kept(), keep, form.cleaned_data["reason"], request.user)
            messages.success(request, f"Credit note {paper} is written.")
            return redirect("order-money", invoice.order.number)
    context = {
        "form": form,
        "title": f"Credit note for {invoice}",
        "intro": "Say how many the customer keeps and owes for. The rest is credited, its discount and tax with it.",
        "action": "Write the credit note",
        "back": reverse("order-money", args=[invoice.order.number]),
    }
    return render(request, "site/form.html", context)


@for_roles(Role.SALES)
@require_POST
def payment_new(request: StaffRequest, number: str) -> HttpResponse:
    order = get_object_or_404(Order, number=number)
    form = PaymentForm(request.POST, instance=Payment(order=order))
    if form.is_valid():
        with errors_on(form, "amount"):
            work.enter_payment(form.instance, request.user)
            messages.success(request, f"{order}: {work.paid_in_words(order)}.")
            return redirect("order-money", number)
    context = {**_shown(order), "terms_form": TermsForm(instance=work.terms_of(order)), "payment_form": form}
    return render(request, "money/order.html", context)


RULES: dict[str, tuple[type[models.Model], list[str], str]] = {
    "shipping": (ShippingRule, ["name", "region", "up_to_g", "price", "currency", "free_above"], "shipping rule"),
    "tax": (TaxRule, ["name", "on", "region", "percent", "inclusive", "margin", "note"], "tax rule"),
    "customs": (CustomsRule, ["type", "maker", "what", "material", "hs_code", "origin"], "customs rule"),
    "code": (DiscountCode, ["code", "percent", "amount", "currency", "until"], "discount code"),
}


@for_roles()
def money_rules(request: StaffRequest) -> HttpResponse:
    context = {
        "shipping": ShippingRule.objects.all(),
        "taxes": TaxRule.objects.all(),
        "codes": DiscountCode.objects.all(),
        "customs": CustomsRule.objects.select_related("type", "maker"),
    }
    return render(request, "money/rules.html", context)


def _typed(field: models.Field[Any, Any], **options: Any) -> forms.Field | None:
    """A type is named, as everywhere; what is no number and no type is as Django has it."""
    if field.related_model is ValveType:
        return TypeField(label="Type", required=False, help_text="Empty: every type without a rule of its own.")
    return typed_numbers(field, **options)


@for_roles()
def money_rule(request: StaffRequest, kind: str, pk: int | None = None) -> HttpResponse:
    """A rule is written, or changed; invoices that were written by it stay as they are."""
    if kind not in RULES:
        raise Http404(f"There are no rules of the kind “{kind}”.")
    model, fields, name = RULES[kind]
    found = get_object_or_404(model, pk=pk) if pk else None
    form_class = forms.modelform_factory(model, form=EditForm, fields=fields, formfield_callback=_typed)
    form = form_class(request.POST or None, instance=found)
    put_cursor(form, fields[0])
    if form.is_valid():
        saved = form.save()
        values = ", ".join(f"{field} {form.cleaned_data[field]}" for field in fields)
        Entry.write(request.user, f"{kind}-rule", f"{name.capitalize()} {saved}: {values}")
        messages.success(request, f"The {name} {saved} is recorded.")
        return redirect("money-rules")
    title = f"Change the {name} {found}" if found else f"New {name}"
    return render(request, "site/form.html", {"form": form, "title": title, "back": reverse("money-rules")})


urlpatterns = [
    path("orders/<str:number>/money/", order_money, name="order-money"),
    path("orders/<str:number>/money/terms/", order_terms, name="order-terms"),
    path("orders/<str:number>/money/invoice/", invoice_new, name="invoice-new"),
    path("orders/<str:number>/money/payments/", payment_new, name="payment-new"),
    path("invoices/<str:number>/credit/", credit_new, name="credit-note-new"),
    path("rules/", money_rules, name="money-rules"),
    path("rules/<slug:kind>/new/", money_rule, name="money-rule-new"),
    path("rules/<slug:kind>/<int:pk>/", money_rule, name="money-rule"),
]
