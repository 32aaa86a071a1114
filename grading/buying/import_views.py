"""Pages that import lines into an offer, as a lot's list is imported: the file, its columns, a look, take it in."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from grading.buying import offer_import
from grading.buying.offer_import import OFFER_LISTS
from grading.buying.offering import OfferRefused
from grading.models import LotOffer, OfferFile
from stockroom.files.tables import NotATable
from stockroom.imports.forms import UploadForm
from stockroom.imports.keeping import ImportProblem
from stockroom.pure.written import plural
from stockroom.receiving.import_views import ListColumnsForm, WordsForm, shown_of
from stockroom.receiving.list_layout import ListChoices
from stockroom.site.people import Role, StaffRequest, for_roles


def _file(number: str, pk: int) -> OfferFile:
    files = OfferFile.objects.select_related("offer__supplier").defer("data")
    return get_object_or_404(files, offer__number=number, pk=pk)


@for_roles(Role.OWNER)
def offer_import_file(request: StaffRequest, number: str) -> HttpResponse:
    offer = get_object_or_404(LotOffer.objects.select_related("supplier"), number=number)
    sending = request.method == "POST"
    form = UploadForm(request.POST, request.FILES) if sending else UploadForm()
    if sending and form.is_valid():
        upload = form.cleaned_data["upload"]
        try:
            file = offer_import.receive(offer, upload.name, upload.data, request.user)
        except NotATable as problem:
            form.refuse(problem)
        else:
            return redirect(file)
    return render(request, "buying/offer_import.html", {"offer": offer, "form": form})


@for_roles(Role.OWNER)
def columns(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    """Which column holds what: as remembered of the supplier, as the headings say, or as chosen here."""
    file = _file(number, pk)
    if file.imported_at:
        return _already(request, file)
    form = ListColumnsForm(OFFER_LISTS, file, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        moved = form.save()
        if not form.errors:
            return redirect(file) if moved else redirect("offer-import-preview", number, pk)
    context = {
        "file": file,
        "offer": file.offer,
        "form": form,
        "remembered": OFFER_LISTS.memory(file).pk,
        "another": reverse("offer-import", args=[number]),
    }
    return render(request, "buying/offer_import_columns.html", context)


@for_roles(Role.OWNER)
def preview(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    """Every line the file would bring, every fault it has, and its words that are not known."""
    file = _file(number, pk)
    if file.imported_at:
        return _already(request, file)
    found = offer_import.look(file)
    form = WordsForm(found, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        choices = cast(ListChoices, OFFER_LISTS.choices(file))
        OFFER_LISTS.choose(file, replace(choices, words=form.words(choices)))
        return redirect("offer-import-preview", number, pk)
    context = {
        "file": file,
        "offer": file.offer,
        "form": form,
        "back": reverse("offer-import-columns", args=[number, pk]),
        "take_in": reverse("offer-import-take-in", args=[number, pk]),
        **shown_of(request, found),
    }
    return render(request, "buying/offer_import_preview.html", context)


@for_roles(Role.OWNER)
@require_POST
def take_in(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    file = _file(number, pk)
    try:
        lines = offer_import.take_in(file, request.user)
    except (ImportProblem, OfferRefused) as problem:
        messages.error(request, str(problem))
        return redirect("offer-import-preview", number, pk)
    messages.success(request, f"{plural(len(lines), 'line')} imported from {file.name}.")
    return redirect(file.offer)


def _already(request: StaffRequest, file: OfferFile) -> HttpResponse:
    messages.warning(request, f"{file.name} has been imported into this offer already.")
    return redirect(file.offer)


urlpatterns = [
    path("offers/<str:number>/import/", offer_import_file, name="offer-import"),
    path("offers/<str:number>/import/<int:pk>/", columns, name="offer-import-columns"),
    path("offers/<str:number>/import/<int:pk>/preview/", preview, name="offer-import-preview"),
    path("offers/<str:number>/import/<int:pk>/take-in/", take_in, name="offer-import-take-in"),
]
