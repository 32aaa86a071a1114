"""Pages of suppliers, with the lots that came from each."""

from __future__ import annotations

from typing import Any

import django_filters
from django import forms
from django.db.models import Count, Max
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path, reverse

from stockroom.models import Shop, Supplier
from stockroom.models.shop import check_currency
from stockroom.receiving.views import listed_lots, lot_rows
from stockroom.site.named import NamedForm, edit_named
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import page_of


class SupplierForm(NamedForm):
    currency = forms.CharField(
        max_length=3, label="Invoice currency", help_text="Three letters of ISO 4217, such as GBP."
    )

    class Meta:
        model = Supplier
        fields = ["name", "country", "currency", "contact", "note"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk is None:
            self.initial["currency"] = Shop.own().currency

    def clean_currency(self) -> str:
        currency = self.cleaned_data["currency"].upper()
        check_currency(currency)
        return currency


class SupplierFilter(django_filters.FilterSet):
    name = django_filters.CharFilter(lookup_expr="icontains", label="Name contains")

    class Meta:
        model = Supplier
        fields: list[str] = []


def suppliers(request: StaffRequest) -> HttpResponse:
    rows = Supplier.objects.annotate(times=Count("lots"), last=Max("lots__received_on")).order_by("name")
    filter = SupplierFilter(request.GET, queryset=rows)
    return render(request, "receiving/suppliers.html", {"filter": filter, "page": page_of(request, filter.qs)})


def supplier(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Supplier, pk=pk)
    page = page_of(request, listed_lots().filter(supplier=shown))
    context = {"supplier": shown, "page": page, "rows": lot_rows(list(page))}
    return render(request, "receiving/supplier.html", context)


@for_roles(Role.RECEIVING)
def supplier_new(request: StaffRequest) -> HttpResponse:
    return edit_named(request, SupplierForm, None, "New supplier", reverse("suppliers"))


@for_roles(Role.RECEIVING)
def supplier_edit(request: StaffRequest, pk: int) -> HttpResponse:
    shown = get_object_or_404(Supplier, pk=pk)
    return edit_named(request, SupplierForm, shown, f"Supplier {shown}", shown.get_absolute_url())


urlpatterns = [
    path("suppliers/", suppliers, name="suppliers"),
    path("suppliers/new/", supplier_new, name="supplier-new"),
    path("suppliers/<int:pk>/", supplier, name="supplier"),
    path("suppliers/<int:pk>/edit/", supplier_edit, name="supplier-edit"),
]
