"""Pages that put right what was written of an order by mistake, or is wanted otherwise."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path

from grading.orders import corrections
from grading.orders.packing_views import DespatchForm
from grading.orders.views import OrderLineForm, line_of
from stockroom.models import Despatch, Order, OrderLine
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.refusals import errors_on


class LineChangeForm(OrderLineForm):
    """Its type and the pieces in each stay; how many, at which price, and what is wished may change."""

    type = sealed = None  # type: ignore[assignment]
    why = forms.CharField(
        label="Why the price of what was sent changes",
        max_length=120,
        required=False,
        help_text="Only where some of it has left.",
    )

    class Meta(OrderLineForm.Meta):
        fields = [name for name in OrderLineForm.Meta.fields if name not in ("set_size", "sealed")]

    field_order = ["quantity", "unit_price", "note", "best_grades", "max_spread_percent", *OrderLineForm.WISHES, "why"]

    def __init__(self, *args: Any, instance: OrderLine, **kwargs: Any) -> None:
        super().__init__(*args, instance=instance, **kwargs)
        if instance.sealed or instance.untested:
            for name in ("best_grades", "max_spread_percent", *self.WISHES):
                del self.fields[name]
        elif instance.set_size == 1:
            del self.fields["max_spread_percent"]
        if not instance.allocations.sent().exists():
            del self.fields["why"]
        self.fields["quantity"].widget.attrs["autofocus"] = True

    def wished(self) -> dict[str, Any]:
        """By the wishes that this line has fields for."""
        names = {*self.fields, *(("feature", "feature_word") if "construction" in self.fields else ())}
        return {name: self.cleaned_data[name] for name in corrections.WISHED if name in names}


class UndoForm(forms.Form):
    why = forms.CharField(
        label="Why it was not sent", max_length=120, widget=forms.TextInput(attrs={"autofocus": True, "size": 40})
    )


@for_roles(Role.SALES)
def order_line_change(request: StaffRequest, number: str, line_id: int) -> HttpResponse:
    line = line_of(number, line_id)
    form = LineChangeForm(request.POST or None, instance=line)
    if form.is_valid():
        new = form.cleaned_data
        with errors_on(form):
            corrections.change_line(
                line,
                new["quantity"],
                new["unit_price"],
                new["note"],
                request.user,
                wished=form.wished(),
                why=new.get("why", ""),
            )
            messages.success(request, "The line is changed.")
            return redirect(line.order)
    return _page(request, form, f"Change a line of {number}", line.order)


@for_roles(Role.SALES)
def despatch_correct(request: StaffRequest, number: str) -> HttpResponse:
    found = _sent(number)
    form = DespatchForm(request.POST or None, initial={"carrier": found.carrier, "tracking": found.tracking})
    if form.is_valid():
        with errors_on(form):
            corrections.correct_despatch(found.order, **form.cleaned_data, by=request.user, despatch=found)
            messages.success(request, "Carrier and tracking number are put right.")
            return redirect(found.order)
    return _page(request, form, f"How {number} was sent", found.order)


@for_roles(Role.SALES)
def despatch_undo(request: StaffRequest, number: str) -> HttpResponse:
    found = _sent(number)
    form = UndoForm(request.POST or None)
    if form.is_valid():
        with errors_on(form):
            corrections.undo_despatch(found.order, form.cleaned_data["why"], request.user, found)
            messages.success(
                request, f"{number} is here, pulled from the shelves. What was listed is not listed again."
            )
            return redirect(found.order)
    return _page(request, form, f"{number} was not sent after all", found.order, "Take the despatch back")


def _sent(number: str) -> Despatch:
    return get_object_or_404(Despatch.objects.not_undone().select_related("order"), number=number)


def _page(request: StaffRequest, form: forms.BaseForm, title: str, order: Order, action: str = "Save") -> HttpResponse:
    return render(
        request, "site/form.html", {"form": form, "title": title, "action": action, "back": order.get_absolute_url()}
    )


urlpatterns = [
    path("orders/<str:number>/lines/<int:line_id>/change/", order_line_change, name="order-line-change"),
    path("despatches/<str:number>/correct/", despatch_correct, name="despatch-correct"),
    path("despatches/<str:number>/undo/", despatch_undo, name="despatch-undo"),
]
