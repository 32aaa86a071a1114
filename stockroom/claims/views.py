"""Pages of discrepancies: what is wrong with a lot, the claims for it, and what came of them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import django_filters
from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_POST

from stockroom.claims import claiming as work
from stockroom.claims import faulty_pieces
from stockroom.claims.claiming import ClaimError
from stockroom.claims.untrue import why_untrue
from stockroom.models import Claim, ClaimStep, Credit, Fault, Line, Lot, Shop, Supplier
from stockroom.models.shop import check_currency
from stockroom.pure.money import minor_places
from stockroom.pure.written import plural
from stockroom.receiving.booking import ReceivingError, in_home
from stockroom.receiving.forms import RateField, check_rate, last_rates, put_cursor
from stockroom.site.asking import AsksAgain
from stockroom.site.numbers import typed_numbers
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import refused_to
from stockroom.site.web import TypeField, page_of


def check_minor(amount: Decimal, currency: str) -> None:
    """Refuse an amount finer than the currency's minor unit."""
    places = minor_places(currency)
    if amount != round(amount, places):
        whole = f"{places} decimal places" if places else "no decimal places"
        raise forms.ValidationError(f"An amount in {currency} has {whole}.")


class DayForm(forms.ModelForm):
    def clean_on(self) -> Any:
        day = self.cleaned_data["on"]
        if day > timezone.localdate():
            raise forms.ValidationError("This day is still to come.")
        return day


def _day() -> forms.DateInput:
    return forms.DateInput({"type": "date"}, format="%Y-%m-%d")


class FaultForm(forms.ModelForm):
    found_type = TypeField(label="Came as type", required=False, help_text="For wrong ones, if you know it.")

    class Meta:
        model = Fault
        fields = ["kind", "pieces", "found_type", "note"]
        formfield_callback = typed_numbers

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        put_cursor(self, "kind")
        self.fields["pieces"].help_text = "Counted with the others: short is only what never came."

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if values.get("kind") == "broken" and values.get("found_type"):
            self.add_error("found_type", "This is for pieces of another type. Note the two apart.")
        return values


class WhyForm(forms.Form):
    why = forms.CharField(label="Why", max_length=200)


class ClaimForm(forms.ModelForm):
    class Meta:
        model = Claim
        fields = ["reference", "text"]
        formfield_callback = typed_numbers
        widgets = {"text": forms.Textarea({"rows": 4})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        put_cursor(self, "reference")


class StepForm(DayForm):
    class Meta:
        model = ClaimStep
        fields = ["kind", "on", "amount", "note"]
        formfield_callback = typed_numbers
        widgets = {"on": _day()}

    def __init__(self, claim: Claim, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.currency = claim.currency
        self.fields["kind"].label = "What happened"
        self.fields["amount"].label = f"Amount agreed, {claim.currency}"

    def clean_amount(self) -> Decimal | None:
        amount = self.cleaned_data["amount"]
        if amount is not None:
            check_minor(amount, self.currency)
        return amount

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if values.get("kind") == ClaimStep.Kind.AGREED and values.get("amount") is None and not self.errors:
            self.add_error("amount", "Say which amount was agreed; 0 if none.")
        return values


class CreditForm(AsksAgain, DayForm):
    currency = forms.CharField(max_length=3)
    rate = RateField(required=False)

    class Meta:
        model = Credit
        fields = ["amount", "currency", "rate", "on", "note"]
        formfield_callback = typed_numbers
        widgets = {"on": _day()}

    def __init__(self, claim: Claim, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.auto_id = "id_credit_%s"  # two forms stand on one page
        self.home = Shop.own().currency
        self.fields["rate"].label = f"{self.home} for one"
        goods = claim.lot.charges.filter(kind="goods", currency=claim.currency).first()
        rate = f"{goods.rate.normalize():f}" if goods else last_rates().get(claim.currency, "")
        self.initial.update(currency=claim.currency, rate="1" if claim.currency == self.home else rate)

    def clean_currency(self) -> str:
        currency = self.cleaned_data["currency"].strip().upper()
        check_currency(currency)
        return currency

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        amount, currency = values.get("amount"), values.get("currency")
        if currency is None:
            return values
        if amount is not None:
            try:
                check_minor(amount, currency)
            except forms.ValidationError as problem:
                self.add_error("amount", problem)
        check_rate(self, values, self.home, "brought")
        return values


def _lot(number: str) -> Lot:
    return get_object_or_404(Lot.objects.select_related("supplier"), number=number)


def _whole(claims: QuerySet[Claim]) -> QuerySet[Claim]:
    """With what an amount and a state are worked out from."""
    return claims.select_related("lot__supplier").prefetch_related("rows", "steps", "credits")


def _to_claim(lot: Lot) -> tuple[list[work.Asked], str]:
    """What is to claim, or why no amounts can be worked out."""
    try:
        return work.to_claim(lot), ""
    except ClaimError as problem:
        return [], str(problem)


def discrepancies(request: StaffRequest, number: str) -> HttpResponse:
    lot = _lot(number)
    asked, problem = _to_claim(lot)
    goods = lot.charges.filter(kind="goods").first()
    context = {
        "lot": lot,
        "asked": asked,
        "problem": problem,
        "currency": goods.currency if goods else lot.supplier.currency,
        "total": sum((row.amount for row in asked), Decimal(0)),
        "faults": Fault.objects.filter(line__lot=lot).select_related(
            "line__lot", "line__type", "found_type", "booked_in", "by"
        ),
        "claims": (of_lot := list(_whole(lot.claims.all()))),
        "untrue": why_untrue(of_lot),
        "lines": lot.lines.select_related("type").order_by("number"),
    }
    return render(request, "claims/discrepancies.html", context)


@for_roles(Role.RECEIVING)
def fault_new(request: StaffRequest, number: str, line: int) -> HttpResponse:
    of = get_object_or_404(Line.objects.select_related("lot", "type"), lot__number=number, number=line)
    form = FaultForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            fault = work.note_fault(of, form.save(commit=False), request.user)
        except ClaimError as problem:
            form.add_error("pieces", str(problem))
        else:
            messages.success(request, f"Line {line}: {fault}.")
            return redirect("discrepancies", number)
    context = {"form": form, "line": of, "lot": of.lot, "cautions": of.type.caution_sentences}
    return render(request, "claims/fault_form.html", context)


@for_roles(Role.RECEIVING)
def fault_withdraw(request: StaffRequest, pk: int) -> HttpResponse:
    fault = get_object_or_404(Fault.objects.select_related("line__lot"), pk=pk)
    form = WhyForm(request.POST or None)
    put_cursor(form, "why")
    if request.method == "POST" and form.is_valid():
        try:
            work.withdraw_fault(fault, form.cleaned_data["why"], request.user)
        except ClaimError as problem:
            form.add_error(None, str(problem))
        else:
            messages.success(request, f"{fault} on line {fault.line.number} is withdrawn.")
            return redirect("discrepancies", fault.line.lot.number)
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": f"Withdraw “{fault}” of line {fault.line}",
            "action": "Withdraw",
        },
    )


@require_POST
@for_roles(Role.RECEIVING)
@refused_to("discrepancies", "number")
def fault_book_in(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    """Wrong pieces become stock of the type that they are."""
    fault = get_object_or_404(Fault, pk=pk, line__lot__number=number)
    line = faulty_pieces.book_as_found(fault, request.user)
    many = plural(fault.pieces, "piece is", "pieces are")
    messages.success(request, f"{many} booked in as {line.type}, on line {line.number}.")
    return redirect("discrepancies", number)


@require_POST
@for_roles(Role.RECEIVING)
@refused_to("discrepancies", "number")
def fault_write_off(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    fault = get_object_or_404(Fault, pk=pk, line__lot__number=number)
    faulty_pieces.write_off_broken(fault, request.user)
    messages.success(request, f"{plural(fault.pieces, 'piece is', 'pieces are')} written off.")
    return redirect("discrepancies", number)


@for_roles(Role.RECEIVING)
def claim_new(request: StaffRequest, number: str) -> HttpResponse:
    lot = _lot(number)
    form = ClaimForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            made = work.make_claim(lot, form.cleaned_data["reference"], form.cleaned_data["text"], request.user)
        except ClaimError as problem:
            form.add_error(None, str(problem))
        else:
            messages.success(request, f"Claim {made} is made. Print it, send it, and record that it was sent.")
            return redirect(made)
    asked, no_amounts = _to_claim(lot)
    goods = lot.charges.filter(kind="goods").first()
    context = {
        "lot": lot,
        "form": form,
        "asked": asked,
        "problem": no_amounts,
        "total": sum((row.amount for row in asked), Decimal(0)),
        "currency": goods.currency if goods else "",
    }
    return render(request, "claims/claim_new.html", context)


class ClaimFilter(django_filters.FilterSet):
    supplier = django_filters.ModelChoiceFilter(
        label="Supplier", field_name="lot__supplier", queryset=Supplier.objects.all()
    )

    class Meta:
        model = Claim
        fields: list[str] = []


def claims(request: StaffRequest) -> HttpResponse:
    filter = ClaimFilter(request.GET, queryset=_whole(Claim.objects.all()))
    page = page_of(request, filter.qs)
    return render(request, "claims/claims.html", {"filter": filter, "page": page, "untrue": why_untrue(list(page))})


def claim(request: StaffRequest, number: str) -> HttpResponse:
    return _claim_page(request, get_object_or_404(_whole(Claim.objects.all()), number=number))


def _claim_page(
    request: StaffRequest, found: Claim, step: StepForm | None = None, credit: CreditForm | None = None
) -> HttpResponse:
    home = Shop.own().currency
    context = {
        "claim": found,
        "untrue": why_untrue([found]).get(found.pk, []),
        "rows": found.rows.select_related("line__type", "line__maker", "line__lot"),
        "steps": found.steps.select_related("by"),
        "credits": [(row, in_home(row, home)) for row in found.credits.select_related("by")],
        "step_form": step or StepForm(found),
        "credit_form": credit or CreditForm(found),
        "open_step": step is not None,
        "open_credit": credit is not None,
    }
    return render(request, "claims/claim.html", context)


@for_roles(Role.RECEIVING)
def claim_step(request: StaffRequest, number: str) -> HttpResponse:
    found = get_object_or_404(_whole(Claim.objects.all()), number=number)
    if request.method != "POST":
        return redirect(found)
    form = StepForm(found, request.POST)
    if form.is_valid():
        try:
            step = work.take_step(found, form.save(commit=False), request.user)
        except ClaimError as problem:
            form.add_error(None, str(problem))
        else:
            messages.success(request, f"Claim {found}: {step.get_kind_display()}.")
            return redirect(found)
    return _claim_page(request, found, step=form)


@for_roles(Role.RECEIVING)
def claim_credit(request: StaffRequest, number: str) -> HttpResponse:
    found = get_object_or_404(_whole(Claim.objects.all()), number=number)
    if request.method != "POST":
        return redirect(found)
    form = CreditForm(found, request.POST)
    if form.is_valid():
        try:
            work.enter_credit(found, form.save(commit=False), request.user)
        except (ClaimError, ReceivingError) as problem:
            form.add_error("amount", str(problem))
        else:
            messages.success(request, f"The credit is entered and the cost of lot {found.lot} shared anew.")
            return redirect(found)
    return _claim_page(request, found, credit=form)


@for_roles(Role.RECEIVING)
def credit_strike_out(request: StaffRequest, pk: int) -> HttpResponse:
    credit = get_object_or_404(Credit.objects.select_related("claim"), pk=pk)
    form = WhyForm(request.POST or None)
    put_cursor(form, "why")
    if request.method == "POST" and form.is_valid():
        try:
            work.strike_out(credit, form.cleaned_data["why"], request.user)
        except (ClaimError, ReceivingError) as problem:
            form.add_error(None, str(problem))
        else:
            messages.success(request, "The credit is struck out and the lot's cost shared anew.")
            return redirect(credit.claim)
    return render(
        request,
        "site/form.html",
        {
            "form": form,
            "title": f"Strike out a credit of claim {credit.claim}",
            "action": "Strike out",
            "back": credit.claim.get_absolute_url(),
        },
    )


urlpatterns = [
    path("lots/<str:number>/discrepancies/", discrepancies, name="discrepancies"),
    path("lots/<str:number>/<int:line>/fault/", fault_new, name="fault-new"),
    path("faults/<int:pk>/withdraw/", fault_withdraw, name="fault-withdraw"),
    path("lots/<str:number>/faults/<int:pk>/book-in/", fault_book_in, name="fault-book-in"),
    path("lots/<str:number>/faults/<int:pk>/write-off/", fault_write_off, name="fault-write-off"),
    path("lots/<str:number>/claim/", claim_new, name="claim-new"),
    path("claims/", claims, name="claims"),
    path("claims/<str:number>/", claim, name="claim"),
    path("claims/<str:number>/step/", claim_step, name="claim-step"),
    path("claims/<str:number>/credit/", claim_credit, name="claim-credit"),
    path("credits/<int:pk>/strike-out/", credit_strike_out, name="credit-strike-out"),
]
