"""The page of the shop's promises, and the form that writes a new version of one."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse

from grading.returns import warranty as work
from grading.returns.forms import FAULTS, WarrantyForm
from stockroom.models import WarrantyRule
from stockroom.receiving.forms import put_cursor
from stockroom.site.people import StaffRequest, for_roles
from stockroom.site.refusals import errors_on
from stockroom.site.web import page_of


def warranty_rules(request: StaffRequest) -> HttpResponse:
    """What is promised now, and every version that was."""
    versions = WarrantyRule.objects.select_related("made_by")
    context = {"rules": work.rules_in_force(), "page": page_of(request, versions)}
    return render(request, "returns/warranty.html", context)


@for_roles()
def warranty_rule(request: StaffRequest) -> HttpResponse:
    """A new version, begun from the one that is named; it speaks for what is sent from now on."""
    known = request.GET.get("from", "")
    before = get_object_or_404(WarrantyRule, pk=known) if known.isdecimal() else None
    start = {"covers": [value for value, _ in FAULTS]}
    if before:
        names = ("sold_as", "condition", "grade", "days", "covers", "unwanted_days", "matters_percent", "words")
        start = {name: getattr(before, name) for name in names}
    form = WarrantyForm(request.POST or None, initial=start)
    put_cursor(form, "days" if before else "sold_as")
    if form.is_valid():
        with errors_on(form):
            work.write_rule(form.save(commit=False), request.user)
            messages.success(request, "The rule speaks for what is sent from now on.")
            return redirect("warranty")
    context = {
        "form": form,
        "title": "Warranty rule",
        "intro": "What was sent before keeps the rule of its day. The law where the shop is may give a buyer more.",
        "back": reverse("warranty"),
    }
    return render(request, "site/form.html", context)


urlpatterns = [
    path("warranty/", warranty_rules, name="warranty"),
    path("warranty/new/", warranty_rule, name="warranty-rule-new"),
]
