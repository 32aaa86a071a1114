"""Pages that take a mistaken line or lot off the books."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path

from stockroom.models import Line, Lot
from stockroom.receiving import corrections
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on


class RemovalForm(forms.Form):
    why = forms.CharField(label="Why", max_length=120, widget=forms.TextInput(attrs={"autofocus": True, "size": 40}))


@for_roles(Role.RECEIVING)
def line_remove(request: StaffRequest, number: str, line: int) -> HttpResponse:
    mistaken = get_object_or_404(Line.objects.select_related("lot", "type"), lot__number=number, number=line)
    form = RemovalForm(request.POST or None)
    if form.is_valid():
        with errors_on(form):
            corrections.remove_line(mistaken, form.cleaned_data["why"], request.user)
            messages.success(request, f"Line {line} is off the books, and the cost shared anew.")
            return redirect(mistaken.lot)
    title = f"Take line {line} of lot {number} off the books"
    return render(
        request,
        "site/form.html",
        {"form": form, "title": title, "action": "Remove the line", "back": mistaken.lot.get_absolute_url()},
    )


@for_roles(Role.RECEIVING)
def lot_remove(request: StaffRequest, number: str) -> HttpResponse:
    mistaken = get_object_or_404(Lot.objects.select_related("supplier"), number=number)
    form = RemovalForm(request.POST or None)
    if form.is_valid():
        with errors_on(form):
            corrections.remove_lot(mistaken, form.cleaned_data["why"], request.user)
            messages.success(request, f"Lot {number} is off the books. Its number is not given again.")
            return redirect("lots")
    title = f"Take lot {number} off the books"
    return render(
        request,
        "site/form.html",
        {"form": form, "title": title, "action": "Remove the lot", "back": mistaken.get_absolute_url()},
    )


urlpatterns = [
    path("lots/<str:number>/remove/", lot_remove, name="lot-remove"),
    path("lots/<str:number>/<int:line>/remove/", line_remove, name="line-remove"),
]
