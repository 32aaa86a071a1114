"""Pages that import lines into a lot: choose the file, say what its columns hold, look it over, take it in."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from stockroom.files.tables import NotATable
from stockroom.imports.forms import ColumnsForm, UploadForm
from stockroom.imports.keeping import ImportProblem
from stockroom.models import Line, Lot, LotFile, Maker
from stockroom.pure.written import plural
from stockroom.receiving import list_import as importing
from stockroom.receiving import list_job
from stockroom.receiving.booking import ReceivingError
from stockroom.receiving.list_import import ListPreview, Word
from stockroom.receiving.list_layout import LISTS, ListChoices, receive
from stockroom.site.names import NameField
from stockroom.site.people import Role, StaffRequest, for_roles
from stockroom.site.web import TypeField
from stockroom.types.keeping import TypeRefused

SHOWN_PROBLEMS, SHOWN_WORDS, SHOWN_LINES = 100, 100, 100


class ListColumnsForm(ColumnsForm):
    condition = forms.ChoiceField(
        label="Condition where the file gives none", required=False, choices=[("", "–"), *Line.Condition.choices]
    )
    own = ("condition",)


class WordsForm(forms.Form):
    """What the file's own words mean. A field is named by its kind and the word in plain small letters."""

    def __init__(self, preview: ListPreview, data: Any = None) -> None:
        super().__init__(data)
        self.types = self._add("type", preview.types, self._type)
        self.conditions = self._add("condition", preview.conditions, self._condition)
        self.makers = self._add("maker", preview.makers, self._maker)
        if self.fields and not preview.ready:
            next(iter(self.fields.values())).widget.attrs["autofocus"] = True

    def _add(self, kind: str, words: list[Word], make: Any) -> list[tuple[Word, list[forms.BoundField]]]:
        rows = []
        for word in words[:SHOWN_WORDS]:
            self.fields[f"{kind} {word.plain}"] = make(word)
            bound = [self[f"{kind} {word.plain}"]]
            if kind == "type":
                out = forms.BooleanField(label=f"leave the rows of {word.said} out", required=False)
                self.fields[f"new {word.plain}"] = forms.BooleanField(
                    label=f"enter {word.said} as a new type", required=False
                )
                self.fields[f"out {word.plain}"] = out
                bound += [self[f"new {word.plain}"], self[f"out {word.plain}"]]
            rows.append((word, bound))
        return rows

    def _type(self, word: Word) -> forms.Field:
        return TypeField(label=f"The type of {word.said}", required=False, max_length=40)

    def _condition(self, word: Word) -> forms.Field:
        return forms.ChoiceField(
            label=f"What {word.said} means", required=False, choices=[("", "–"), *Line.Condition.choices]
        )

    def _maker(self, word: Word) -> forms.Field:
        return NameField(Maker, label=f"The maker called {word.said}", required=False, initial=word.said)

    def words(self, before: ListChoices) -> dict[str, dict[str, str]]:
        """The words chosen before, and these."""
        chosen = {kind: dict(before.words.get(kind, {})) for kind in ("type", "condition", "maker")}
        data = self.cleaned_data
        for word, _ in self.types:
            if data.get(f"out {word.plain}"):
                chosen["type"][word.plain] = ""
            elif data.get(f"new {word.plain}"):
                chosen["type"][word.plain] = importing.NEW
            elif data.get(f"type {word.plain}"):
                chosen["type"][word.plain] = data[f"type {word.plain}"].designation
        for word, _ in self.conditions:
            if data[f"condition {word.plain}"]:
                chosen["condition"][word.plain] = data[f"condition {word.plain}"]
        for word, _ in self.makers:
            maker = data[f"maker {word.plain}"]
            chosen["maker"][word.plain] = maker.name if maker else ""
        return chosen


def _lot(number: str) -> Lot:
    return get_object_or_404(Lot.objects.select_related("supplier"), number=number)


def _file(number: str, pk: int) -> LotFile:
    files = LotFile.objects.select_related("lot__supplier").defer("data")
    return get_object_or_404(files, lot__number=number, pk=pk)


@for_roles(Role.RECEIVING)
def lot_import(request: StaffRequest, number: str) -> HttpResponse:
    lot = _lot(number)
    sending = request.method == "POST"
    form = UploadForm(request.POST, request.FILES) if sending else UploadForm()
    if sending and form.is_valid():
        upload = form.cleaned_data["upload"]
        try:
            file = receive(lot, upload.name, upload.data, request.user)
        except NotATable as problem:
            form.refuse(problem)
        else:
            return redirect(file)
    files = lot.files.defer("data", "parsed").select_related("uploaded_by", "imported_by")
    return render(request, "receiving/lot_import.html", {"lot": lot, "form": form, "files": files})


@for_roles(Role.RECEIVING)
def columns(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    """Which column holds what: as remembered of the supplier, as the headings say, or as chosen here."""
    file = _file(number, pk)
    if file.imported_at:
        return _already(request, file)
    form = ListColumnsForm(LISTS, file, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        moved = form.save()
        if not form.errors:
            return redirect(file) if moved else redirect("lot-import-preview", number, pk)
    context = {
        "file": file,
        "lot": file.lot,
        "form": form,
        "before": _before(file),
        "remembered": LISTS.memory(file).pk,
        "another": reverse("lot-import", args=[number]),
    }
    return render(request, "receiving/lot_import_columns.html", context)


@for_roles(Role.RECEIVING)
def preview(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    """Every line the file would bring, every fault it has, and its words that are not known."""
    file = _file(number, pk)
    if file.imported_at:
        return _already(request, file)
    shown = importing.look(file)
    form = WordsForm(shown, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        choices = cast(ListChoices, LISTS.choices(file))
        LISTS.choose(file, replace(choices, words=form.words(choices)))
        return redirect("lot-import-preview", number, pk)
    return _preview_page(request, file, shown, form)


@for_roles(Role.RECEIVING)
@require_POST
def take_in(request: StaffRequest, number: str, pk: int) -> HttpResponse:
    file, sure = _file(number, pk), bool(request.POST.get("sure"))
    if file.imported_at is None and LISTS.rows_of(file) > list_job.AT_ONCE:
        return redirect("job", list_job.start(file, request.user, sure=sure).pk)
    try:
        lines = importing.take_in(file, request.user, sure=sure)
    except (ImportProblem, ReceivingError, TypeRefused) as problem:
        messages.error(request, str(problem))
        return redirect("lot-import-preview", number, pk)
    count = plural(len(lines), "line")
    messages.success(request, f"{count} imported from {file.name}.")
    return redirect(file.lot)


def _already(request: StaffRequest, file: LotFile) -> HttpResponse:
    messages.warning(request, f"{file.name} has been imported into this lot already.")
    return redirect("lot-import", file.lot.number)


def _before(file: LotFile) -> str:
    before = importing.imported_before(file)
    return importing.before_in_words(before) if before else ""


def _preview_page(request: StaffRequest, file: LotFile, shown: ListPreview, form: WordsForm) -> HttpResponse:
    context = {
        "file": file,
        "lot": file.lot,
        "form": form,
        "before": _before(file),
        "back": reverse("lot-import-columns", args=[file.lot.number, file.pk]),
        "take_in": reverse("lot-import-take-in", args=[file.lot.number, file.pk]),
        **shown_of(request, shown),
    }
    return render(request, "receiving/lot_import_preview.html", context)


def shown_of(request: StaffRequest, found: ListPreview) -> dict[str, Any]:
    """What `receiving/_list_preview.html` shows of a list, beside its form of words."""
    words = [len(some) - SHOWN_WORDS for some in (found.types, found.conditions, found.makers)]
    return {
        "preview": found,
        "problems": found.problems[:SHOWN_PROBLEMS],
        "more_problems": max(0, len(found.problems) - SHOWN_PROBLEMS),
        "more_words": sum(more for more in words if more > 0),
        "page": Paginator(found.planned, SHOWN_LINES).get_page(request.GET.get("page")),
    }


urlpatterns = [
    path("lots/<str:number>/import/", lot_import, name="lot-import"),
    path("lots/<str:number>/import/<int:pk>/", columns, name="lot-import-columns"),
    path("lots/<str:number>/import/<int:pk>/preview/", preview, name="lot-import-preview"),
    path("lots/<str:number>/import/<int:pk>/take-in/", take_in, name="lot-import-take-in"),
]
