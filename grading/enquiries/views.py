"""Pages of enquiries: the form before the public, and the staff's answer."""

from __future__ import annotations

import logging
from typing import Any

import django_filters
from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from grading.enquiries import asking
from grading.listings import shown
from stockroom.models import Customer, Enquiry, Listing, Shop
from stockroom.site.numbers import typed_numbers
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on, refused_to
from stockroom.site.web import page_of, public_address

log = logging.getLogger(__name__)

ASKED = "Thank you: we have your enquiry, and answer to the e-mail address that you gave."


class EnquiryForm(forms.ModelForm):
    """`homepage` is shown to nobody: what fills it in reads no pages."""

    homepage = forms.CharField(label="Leave this empty", required=False, max_length=200)

    class Meta:
        model = Enquiry
        fields = ["name", "email", "quantity", "message"]
        widgets = {
            "name": forms.TextInput({"autocomplete": "name"}),
            "email": forms.EmailInput({"autocomplete": "email"}),
            "message": forms.Textarea({"rows": 5}),
        }
        formfield_callback = typed_numbers

    @property
    def shown(self) -> list[forms.BoundField]:
        return [field for field in self if field.name != "homepage"]


@login_not_required
def enquire(request: HttpRequest, number: str) -> HttpResponse:
    """Ask about an item, or ask to buy it."""
    listing = get_object_or_404(Listing, number=number)
    if not Shop.own().takes_enquiries:
        raise Http404("This shop takes no enquiries here.")
    form = EnquiryForm(request.POST or None)
    if form.is_valid():
        if form.cleaned_data["homepage"]:
            log.warning("An enquiry about %s filled in what is shown to nobody, and was dropped.", number)
            messages.success(request, ASKED)
            return redirect(listing)
        enquiry = form.save(commit=False)
        enquiry.listing = listing
        with errors_on(form):
            asking.ask(enquiry, request.META.get("REMOTE_ADDR", ""))
            messages.success(request, ASKED)
            return redirect(listing)
    context = {
        "form": form,
        "listing": listing,
        "available": shown.is_available(listing),
        "canonical": public_address(request),
    }
    return render(request, "enquiries/enquire.html", context)


class EnquiryFilter(django_filters.FilterSet):
    answered = django_filters.ChoiceFilter(
        label="State", method="by_answer", choices=[("no", "waiting"), ("yes", "answered")]
    )
    name = django_filters.CharFilter(label="Name", lookup_expr="icontains")

    class Meta:
        model = Enquiry
        fields: list[str] = []

    def by_answer(self, enquiries: QuerySet[Enquiry], _: str, value: str) -> QuerySet[Enquiry]:
        return enquiries.filter(answered_at__isnull=value == "no")


def enquiries(request: HttpRequest) -> HttpResponse:
    found = EnquiryFilter(request.GET, queryset=Enquiry.objects.select_related("listing", "order"))
    return render(request, "enquiries/enquiries.html", {"filter": found, "page": page_of(request, found.qs)})


class TakeForm(forms.Form):
    """Whose order it becomes: a customer of that e-mail address, or a new one."""

    customer = forms.ModelChoiceField(Customer.objects.none(), required=False, empty_label="a new customer")
    address = forms.CharField(
        label="Address of a new customer", required=False, widget=forms.Textarea(attrs={"rows": 3})
    )

    def __init__(self, enquiry: Enquiry, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = Customer.objects.filter(email__iexact=enquiry.email)
        self.fields["customer"].queryset = known  # type: ignore[attr-defined]
        self.fields["customer"].initial = known.first()


class DeclineEnquiryForm(forms.Form):
    because = forms.CharField(label="Why it is declined", max_length=200)


def _found(pk: int) -> Enquiry:
    return get_object_or_404(Enquiry.objects.select_related("listing", "order", "answered_by"), pk=pk)


def enquiry(request: HttpRequest, pk: int) -> HttpResponse:
    return _page(request, _found(pk))


def _page(request: HttpRequest, found: Enquiry, take_form: forms.Form | None = None) -> HttpResponse:
    context = {
        "enquiry": found,
        "available": shown.is_available(found.listing),
        "take_form": take_form or TakeForm(found),
        "decline_form": DeclineEnquiryForm(),
    }
    return render(request, "enquiries/enquiry.html", context)


@require_POST
@for_roles(Role.SALES)
def enquiry_take(request: StaffRequest, pk: int) -> HttpResponse:
    found = _found(pk)
    form = TakeForm(found, request.POST)
    if form.is_valid():
        known = form.cleaned_data["customer"]
        new = Customer(name=found.name, email=found.email, address=form.cleaned_data["address"])
        with errors_on(form):
            order = asking.take(found, known or new, request.user)
            messages.success(request, f"{order} is taken; {found.listing.number} is set aside for it.")
            return redirect(order)
    return _page(request, found, form)


@require_POST
@for_roles(Role.SALES)
@refused_to("enquiry", "pk")
def enquiry_decline(request: StaffRequest, pk: int) -> HttpResponse:
    found = _found(pk)
    form = DeclineEnquiryForm(request.POST)
    if not form.is_valid():
        messages.error(request, "Say why it is declined.")
        return redirect(found)
    asking.decline(found, form.cleaned_data["because"], request.user)
    messages.success(request, f"Declined. Write to {found.name} at {found.email}.")
    return redirect("enquiries")


urlpatterns = [
    path("for-sale/<str:number>/ask/", enquire, name="enquire"),
    path("enquiries/", enquiries, name="enquiries"),
    path("enquiries/<int:pk>/", enquiry, name="enquiry"),
    path("enquiries/<int:pk>/take/", enquiry_take, name="enquiry-take"),
    path("enquiries/<int:pk>/decline/", enquiry_decline, name="enquiry-decline"),
]
