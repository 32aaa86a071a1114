"""Pages that put right what was written of an order by mistake."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path

from grading.orders import corrections
from grading.orders.views import DespatchForm, OrderLineForm
from stockroom.models import Order, OrderLine
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on


class LineChangeForm(OrderLineForm):
    """What is asked for stays; how many, at which price, may change."""

    type = sealed = best_grades = None  # type: ignore[assignment]

    class Meta(OrderLineForm.Meta):
        fields = ["quantity", "unit_price", "note"]

    field_order = ["quantity", "unit_price", "note"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super(OrderLineForm, self).__init__(*args, **kwargs)
        self.fields["quantity"].widget.attrs["autofocus"] = True


class UndoForm(forms.Form):
    why = forms.CharField(
        label="Why it was not sent", max_length=120, widget=forms.TextInput(attrs={"autofocus": True, "size": 40})
    )


@for_roles(Role.SALES)
def order_line_change(request: StaffRequest, number: str, line_id: int) -> HttpResponse:
    line = get_object_or_404(OrderLine.objects.select_related("order", "type"), pk=line_id, order__number=number)
    form = LineChangeForm(request.POST or None, instance=line)
    if form.is_valid():
        new = form.cleaned_data
        with errors_on(form):
            corrections.change_line(line, new["quantity"], new["unit_price"], new["note"], request.user)
            messages.success(request, "The line is changed.")
            return redirect(line.order)
    return _page(request, form, f"Change a line of {number}", line.order)


@for_roles(Role.SALES)
def despatch_correct(request: StaffRequest, number: str) -> HttpResponse:
    found = _sent(number)
    start = {"carrier": found.despatch.carrier, "tracking": found.despatch.tracking}
    form = DespatchForm(request.POST or None, initial=start)
    if form.is_valid():
        with errors_on(form):
            corrections.correct_despatch(found, **form.cleaned_data, by=request.user)
            messages.success(request, "Carrier and tracking number are put right.")
            return redirect(found)
    return _page(request, form, f"How {number} was sent", found)


@for_roles(Role.SALES)
def despatch_undo(request: StaffRequest, number: str) -> HttpResponse:
    found = _sent(number)
    form = UndoForm(request.POST or None)
    if form.is_valid():
        with errors_on(form):
            corrections.undo_despatch(found, form.cleaned_data["why"], request.user)
            messages.success(request, f"{found} is here, pulled from the shelves. What was listed is not listed again.")
            return redirect(found)
    return _page(request, form, f"{number} was not sent after all", found, "Take the despatch back")


def _sent(number: str) -> Order:
    return get_object_or_404(Order.objects.select_related("despatch"), number=number, despatch__isnull=False)


def _page(request: StaffRequest, form: forms.BaseForm, title: str, order: Order, action: str = "Save") -> HttpResponse:
    return render(
        request, "site/form.html", {"form": form, "title": title, "action": action, "back": order.get_absolute_url()}
    )


urlpatterns = [
    path("orders/<str:number>/lines/<int:line_id>/change/", order_line_change, name="order-line-change"),
    path("orders/<str:number>/despatch/correct/", despatch_correct, name="despatch-correct"),
    path("orders/<str:number>/despatch/undo/", despatch_undo, name="despatch-undo"),
]
