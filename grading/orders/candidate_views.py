"""Pages of what could fill an order's lines: asked for line by line, or set aside for all of them at once."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from grading.models import Policy
from grading.orders import filling, fulfilment, proposals, wishes
from grading.orders.proposals import Proposed
from grading.orders.views import line_of
from grading.orders.ways import way_for
from stockroom.models import Order, OrderLine
from stockroom.site.people import Role, StaffRequest, for_roles


@require_POST
@for_roles(Role.SALES)
def order_propose(request: StaffRequest, number: str, line_id: int) -> HttpResponse:
    """To the candidates; those that take long to find are looked for behind the pages."""
    line = line_of(number, line_id)
    if line.order.is_changeable and not proposals.is_quick(line):
        proposals.start(line, request.user)
    return redirect("order-candidates", number, line_id)


def order_candidates(request: StaffRequest, number: str, line_id: int) -> HttpResponse:
    line = line_of(number, line_id)
    missing = fulfilment.missing(line)
    context: dict[str, Any] = {
        "order": line.order,
        "line": line,
        "asked": wishes.asked(line),
        "missing": missing,
        "way": way_for(line),
        "job": None,
        "grade_names": Policy.current().parsed.names,
    }
    if missing > 0 and line.order.is_changeable:
        context |= _candidates(line)
    return render(request, "orders/candidates.html", context)


def _candidates(line: OrderLine) -> dict[str, Any]:
    if way := way_for(line):
        return {"options": way.options(line)}
    job, found = None, None
    if proposals.is_quick(line):
        found = proposals.propose(line)
    elif job := proposals.latest(line):
        found = proposals.found_by(job)
    found_now = found or Proposed(())
    return {
        "candidates": proposals.read(found_now.options),
        "why_none": found_now.why_none if not found_now.options else (),
        "not_known": found_now.not_known,
        "looked": found is not None,
        "job": job,
    }


@require_POST
@for_roles(Role.SALES)
def order_fill(request: StaffRequest, number: str) -> HttpResponse:
    """The best for every open line, all that it asks for or nothing of it."""
    order = get_object_or_404(Order.objects.select_related("customer"), number=number)
    lines = filling.open_lines(order)
    if not order.is_changeable or not lines:
        messages.error(request, f"{order} is {order.state}: nothing is to be set aside for it.")
    elif filling.is_quick(lines):
        for filled in filling.fill(order, request.user):
            (messages.warning if filled.why_not else messages.success)(request, filled.in_words)
    else:
        filling.start(order, request.user)
    return redirect(order)


urlpatterns = [
    path("orders/<str:number>/set-aside/", order_fill, name="order-fill"),
    path("orders/<str:number>/lines/<int:line_id>/propose/", order_propose, name="order-propose"),
    path("orders/<str:number>/lines/<int:line_id>/candidates/", order_candidates, name="order-candidates"),
]
