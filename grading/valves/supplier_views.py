"""Pages of what suppliers' goods turned out to be."""

from __future__ import annotations

from django.db.models import Q, Sum
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path

from grading.valves import supplier_record as work
from stockroom.models import Line, Supplier
from stockroom.site.people import StaffRequest
from stockroom.site.web import page_of


def supplier_records(request: StaffRequest) -> HttpResponse:
    page = page_of(request, Supplier.objects.order_by("name"))
    return render(request, "valves/supplier_records.html", {"page": page, "rows": work.by_supplier(list(page))})


def supplier_record(request: StaffRequest, pk: int) -> HttpResponse:
    supplier = get_object_or_404(Supplier, pk=pk)
    noted = Sum("faults__pieces", filter=Q(faults__withdrawn_at=None))
    lines = Line.objects.filter(lot__supplier=supplier).select_related("lot", "type", "maker").annotate(noted=noted)
    page = page_of(request, lines.order_by("-lot__received_on", "-lot__number", "number"))
    context = {
        "supplier": supplier,
        "page": page,
        "rows": work.records_of(list(page)),
        "whole": work.by_supplier([supplier])[0],
    }
    return render(request, "valves/supplier_record.html", context)


urlpatterns = [
    path("suppliers/record/", supplier_records, name="supplier-records"),
    path("suppliers/<int:pk>/record/", supplier_record, name="supplier-record"),
]
