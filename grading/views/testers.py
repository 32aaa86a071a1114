"""The register of testers: the instruments on the bench."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.db import transaction
from django.db.models import Count, Max
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse

from grading.models import Tester
from stockroom.changes import differences, fitted
from stockroom.models import Entry
from stockroom.people import Role, StaffRequest, for_roles
from stockroom.web import page_of

FIELDS = ("name", "serial_number", "note", "in_use")


class TesterForm(forms.ModelForm):
    class Meta:
        model = Tester
        fields = FIELDS
        labels = {"in_use": "In use: offered when a shift starts"}
        help_texts = {"name": "What you call it on the bench. It is printed on certificates."}
        error_messages = {"name": {"unique": "Another tester has this name."}}


def testers(request: StaffRequest) -> HttpResponse:
    rows = Tester.objects.annotate(shift_count=Count("shifts"), last_shift=Max("shifts__started_at"))
    return render(request, "grading/testers.html", {"page": page_of(request, rows)})


@for_roles(Role.BENCH)
def tester_new(request: StaffRequest) -> HttpResponse:
    return _edit(request, Tester(), "A new tester")


@for_roles(Role.BENCH)
def tester(request: StaffRequest, pk: int) -> HttpResponse:
    known = get_object_or_404(Tester, pk=pk)
    return _edit(request, known, known.name)


def _edit(request: StaffRequest, known: Tester, title: str) -> HttpResponse:
    form = TesterForm(request.POST or None, instance=known)
    if request.method == "POST" and form.is_valid():
        _keep(form.instance, request)
        messages.success(request, f"{form.instance} is kept.")
        return redirect("testers")
    form.fields["name"].widget.attrs["autofocus"] = True
    return render(request, "stockroom/form.html", {"form": form, "title": title, "back": reverse("testers")})


def _keep(changed: Tester, request: StaffRequest) -> None:
    with transaction.atomic():
        before = Tester.objects.filter(pk=changed.pk).first()
        changed.save()
        if before is None:
            Entry.write(request.user, "tester-added", fitted(f"Tester {changed} added."))
        elif said := differences(before, changed, FIELDS):
            Entry.write(request.user, "tester-changed", fitted(f"Tester {before}: {'; '.join(said)}."))


urlpatterns = [
    path("testers/", testers, name="testers"),
    path("testers/new/", tester_new, name="tester-new"),
    path("testers/<int:pk>/", tester, name="tester"),
]
