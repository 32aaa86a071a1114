"""Pages that take in a file of readings: upload or paste, say what its columns hold, look it over, take it in."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.models import User
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from grading.bench import readings_import as importing
from grading.bench import readings_job, tables
from grading.bench.forms import GM_UNITS, BenchChoices
from grading.bench.pure.readings_file import MAX_ROWS
from grading.bench.pure.readings_header import ReadingColumn
from grading.bench.readings_import import READINGS_FILES
from grading.models import ReadingsFile, Shift, Tester
from stockroom.files.tables import NotATable
from stockroom.imports.forms import ColumnsForm, Upload, UploadForm
from stockroom.imports.keeping import ImportedBefore, ImportProblem, digest
from stockroom.site.people import Role, StaffRequest, for_roles

SHOWN_PROBLEMS = 100


class _WhereAndWhen(forms.Form):
    """What a file of readings does not say of itself."""

    tester = forms.ModelChoiceField(Tester.objects.filter(in_use=True), label="Read at", empty_label=None)
    read_on = forms.DateField(label="Read on", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"))
    gm_unit = forms.ChoiceField(
        label="gm, where the file does not say, in", choices=[(name, name) for name in GM_UNITS]
    )

    def clean_read_on(self) -> date:
        day: date = self.cleaned_data["read_on"]
        if day > timezone.localdate():
            raise forms.ValidationError("That day has not come yet.")
        return day


class ReadingsUploadForm(UploadForm, _WhereAndWhen):
    """A file that was good in itself is kept while something else on the form is mended."""

    field_order = ("file", "pasted")
    most_rows = MAX_ROWS
    kept = forms.IntegerField(required=False, widget=forms.HiddenInput)

    @property
    def needs_file(self) -> bool:
        return self.kept_file is None

    @property
    def kept_file(self) -> ReadingsFile | None:
        pk = self.cleaned_data.get("kept")
        return ReadingsFile.objects.filter(pk=pk, imported_at=None).first() if pk else None

    def keep(self, by: User) -> ReadingsFile | None:
        """The file, with as much of the form as is right; None with the form's errors saying why not."""
        self.is_valid()
        clean = self.cleaned_data
        upload, kept = clean.get("upload"), self.kept_file
        if upload is None and kept:
            upload = clean["upload"] = Upload(kept.name, bytes(kept.data))
        if upload is None:
            if clean.get("kept"):
                self.errors["file"] = self.error_class(["The page has lost the file. Choose it once more."])
            return None
        before = importing.imported_before(digest(upload.data))
        if before:
            self.refuse(ImportedBefore(importing.refusal(before)))
            return None
        try:
            return importing.receive(
                clean.get("tester"),
                clean.get("read_on"),
                upload.name,
                upload.data,
                by,
                gm_unit=clean.get("gm_unit") or "mA/V",
            )
        except NotATable as problem:
            self.refuse(problem)
            return None


class ReadingsColumnsForm(ColumnsForm, _WhereAndWhen):
    own = ("gm_unit",)

    def __init__(self, file: ReadingsFile, data: Any = None) -> None:
        super().__init__(READINGS_FILES, file, data)
        self.readings = file
        self.initial.update(tester=file.tester_id, read_on=file.read_on)

    def save(self) -> bool:
        self.readings.tester, self.readings.read_on = self.cleaned_data["tester"], self.cleaned_data["read_on"]
        self.readings.save(update_fields=["tester", "read_on"])
        return super().save()


def _file(pk: int) -> ReadingsFile:
    return get_object_or_404(ReadingsFile.objects.select_related("tester").defer("data"), pk=pk)


@for_roles(Role.BENCH)
def readings_import(request: StaffRequest) -> HttpResponse:
    """Choose the file; then its columns where the headings do not say them, or every reading that it would bring."""
    if request.method != "POST":
        return _form_page(request, ReadingsUploadForm(initial=_start(request)))
    form = ReadingsUploadForm(request.POST, request.FILES)
    file = form.keep(request.user)
    if file is None or form.errors:
        return _form_page(request, form, file)
    found = ReadingColumn.SERIAL in file.choices["columns"]
    return redirect("readings-import-preview", file.pk) if found else redirect(file)


@for_roles(Role.BENCH)
def readings_columns(request: StaffRequest, pk: int) -> HttpResponse:
    """Which column holds what: as remembered of the tester, as the headings say, or as chosen here."""
    file = _file(pk)
    if file.imported_at:
        return _already(request, file)
    form = ReadingsColumnsForm(file, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        moved = form.save()
        if not form.errors:
            return redirect(file) if moved else redirect("readings-import-preview", pk)
    remembered = READINGS_FILES.memory(file).pk
    context = {"file": file, "form": form, "remembered": remembered, "another": reverse("readings-import")}
    return render(request, "bench/readings_columns.html", context)


@for_roles(Role.BENCH)
def readings_preview(request: StaffRequest, pk: int) -> HttpResponse:
    """Every reading that the file would bring, and every fault that it has."""
    file = _file(pk)
    if file.imported_at:
        return _already(request, file)
    preview = importing.look(file)
    context = {
        "file": file,
        "preview": preview,
        "readings": tables.to_import(preview),
        "problems": preview.problems[:SHOWN_PROBLEMS],
        "more_problems": max(0, len(preview.problems) - SHOWN_PROBLEMS),
    }
    return render(request, "bench/readings_preview.html", context)


@for_roles(Role.BENCH)
@require_POST
def readings_take_in(request: StaffRequest, pk: int) -> HttpResponse:
    """Look once more, for a valve may have left the house meanwhile, and take it all in."""
    file = _file(pk)
    sure = request.POST.get("sure") == file.sha256
    if file.imported_at is None and readings_job.AT_ONCE < READINGS_FILES.rows_of(file) <= MAX_ROWS + 1:
        return redirect("job", readings_job.start(file, request.user, sure=sure).pk)
    try:
        batch, grades = importing.take_in(file, request.user, sure=sure)
    except ImportProblem as problem:
        messages.error(request, str(problem))
        return redirect("readings-import-preview", pk)
    valves = batch.readings.values("valve").distinct().count()
    messages.success(request, f"{batch}: {batch.rows} readings of {valves} valves taken in, {len(grades)} graded.")
    return redirect("bench")


def _already(request: StaffRequest, file: ReadingsFile) -> HttpResponse:
    messages.warning(request, f"{file.name} has been taken in already.")
    return redirect("readings-import")


def _start(request: StaffRequest) -> dict[str, Any]:
    mine = Shift.objects.filter(operator=request.user, tester__in_use=True)
    shift = Shift.objects.running_for(request.user) or mine.first()
    unit = BenchChoices.of(request).gm_unit
    return {"read_on": timezone.localdate(), "gm_unit": unit, "tester": shift and shift.tester_id}


def _form_page(request: StaffRequest, form: ReadingsUploadForm, file: ReadingsFile | None = None) -> HttpResponse:
    if file is not None:
        form.data = request.POST.dict() | {"kept": file.pk}
        form["file"].help_text = f"“{file.name}” is kept; choose another only to replace it."
    testers = Tester.objects.filter(in_use=True).exists()
    return render(request, "bench/readings_import.html", {"form": form, "testers": testers})


urlpatterns = [
    path("readings/import/", readings_import, name="readings-import"),
    path("readings/import/<int:pk>/", readings_columns, name="readings-import-columns"),
    path("readings/import/<int:pk>/preview/", readings_preview, name="readings-import-preview"),
    path("readings/import/<int:pk>/take-in/", readings_take_in, name="readings-take-in"),
]
