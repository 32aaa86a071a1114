"""Pages of customers."""

from __future__ import annotations

import django_filters
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path

from stockroom.models import Customer
from stockroom.site.edits import EditForm
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import page_of


class CustomerFilter(django_filters.FilterSet):
    name = django_filters.CharFilter(label="Name contains", lookup_expr="icontains")

    class Meta:
        model = Customer
        fields: list[str] = []


class CustomerForm(EditForm):
    class Meta:
        model = Customer
        fields = ["name", "email", "address", "note"]


def customers(request: HttpRequest) -> HttpResponse:
    found = CustomerFilter(request.GET, queryset=Customer.objects.all())
    return render(request, "customers/customers.html", {"filter": found, "page": page_of(request, found.qs)})


def customer(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Customer, pk=pk)
    orders = page_of(request, found.orders.all())
    return render(request, "customers/customer.html", {"customer": found, "page": orders})


@for_roles(Role.SALES)
def customer_edit(request: StaffRequest, pk: int | None = None) -> HttpResponse:
    found = get_object_or_404(Customer, pk=pk) if pk else None
    form = CustomerForm(request.POST or None, instance=found)
    form.fields["name"].widget.attrs["autofocus"] = True
    if form.is_valid():
        saved = form.save()
        messages.success(request, f"{saved} is recorded.")
        return redirect(saved)
    return render(request, "site/form.html", {"form": form, "title": f"Change {found}" if found else "New customer"})


urlpatterns = [
    path("customers/", customers, name="customers"),
    path("customers/new/", customer_edit, name="customer-new"),
    path("customers/<int:pk>/", customer, name="customer"),
    path("customers/<int:pk>/edit/", customer_edit, name="customer-edit"),
]
