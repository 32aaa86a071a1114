"""Pages that take in a file of readings: upload or paste, look it over, take it in.

Between the two steps the file's bytes travel in the page, signed, so nothing has to be uploaded again and
nothing is left behind when somebody walks away.
"""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from django import forms
from django.contrib import messages
from django.core import signing
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_POST

from grading.bench import readings_import as importing
from grading.bench import tables
from grading.bench.forms import GM_UNITS, BenchChoices
from grading.bench.pure.readings_file import MAX_BYTES, MAX_ROWS, NotReadings
from grading.bench.readings import BenchError
from grading.bench.readings_import import ReadingsPreview
from grading.metrology.units import TypedMark
from grading.models import Shift, Tester
from stockroom.site.people import Role, StaffRequest, for_roles

SALT = "grading.bench.readings_import"
SHOWN_PROBLEMS = 100


@dataclass(frozen=True)
class Upload:
    file_name: str
    data: bytes

    def signed(self) -> str:
        packed = [self.file_name, base64.b85encode(self.data).decode()]
        return signing.dumps(packed, salt=SALT, compress=True)

    @classmethod
    def unsigned(cls, text: str) -> Upload:
        name, packed = signing.loads(text, salt=SALT)
        return cls(name, base64.b85decode(packed))


class ImportForm(forms.Form):
    file = forms.FileField(label="File", required=False, allow_empty_file=True)
    pasted = forms.CharField(
        label="or paste the rows here", required=False, strip=False, widget=forms.Textarea(attrs={"rows": 6})
    )
    tester = forms.ModelChoiceField(Tester.objects.filter(in_use=True), label="Read at", empty_label=None)
    read_on = forms.DateField(label="Read on", widget=forms.DateInput({"type": "date"}, "%Y-%m-%d"))
    mark = forms.ChoiceField(
        label="Decimal mark",
        required=False,
        choices=[("", "as the file shows"), (TypedMark.POINT.value, "point"), (TypedMark.COMMA.value, "comma")],
    )
    gm_unit = forms.ChoiceField(
        label="gm, where the file does not say, in", choices=[(name, name) for name in GM_UNITS]
    )
    kept = forms.CharField(required=False, widget=forms.HiddenInput)

    def clean_read_on(self) -> Any:
        day = self.cleaned_data["read_on"]
        if day > timezone.localdate():
            raise forms.ValidationError("That day has not come yet.")
        return day

    def clean(self) -> None:
        """`upload` in the cleaned data: a new file, else what was pasted, else what the page kept."""
        file, pasted, kept = (self.cleaned_data.get(name) for name in ("file", "pasted", "kept"))
        if file and file.size > MAX_BYTES:
            size = f"{file.size / 1e6:.1f} MB; at most {MAX_BYTES / 1e6:g} MB"
            self.add_error("file", f"“{file.name}” has {size} is taken at a time. Split it.")
        elif file:
            self.cleaned_data["upload"] = Upload(file.name, file.read())
        elif pasted and pasted.strip():
            self.cleaned_data["upload"] = Upload("pasted rows", pasted.encode())
        elif kept:
            try:
                self.cleaned_data["upload"] = Upload.unsigned(kept)
            except signing.BadSignature:
                self.add_error("file", "The page has lost the file. Choose it once more.")
        elif "file" not in self.errors:
            self.add_error("file", "Choose a file, or paste its rows below.")

    def look(self) -> ReadingsPreview | None:
        """The preview; None with the form's errors saying why there is none."""
        if not self.is_valid():
            return None
        upload: Upload = self.cleaned_data["upload"]
        mark = TypedMark(self.cleaned_data["mark"]) if self.cleaned_data["mark"] else None
        try:
            before = importing.imported_before(upload.data)
            if before:
                raise importing.ReadingsImportedBefore(importing.refusal(before))
            return importing.look(upload.data, mark=mark, gm_unit=GM_UNITS[self.cleaned_data["gm_unit"]])
        except (NotReadings, BenchError) as error:
            self.add_error("file", f"“{upload.file_name}”: {error}")
            return None


def _moment(day: date) -> datetime:
    """Now, or noon of an earlier day."""
    return timezone.now() if day == timezone.localdate() else timezone.make_aware(datetime.combine(day, time(12)))


@for_roles(Role.BENCH)
def readings_import(request: StaffRequest) -> HttpResponse:
    """Choose the file; then see every reading that it would bring, or every fault that it has."""
    if request.method != "POST":
        return _form_page(request, ImportForm(initial=_start(request)))
    form = ImportForm(request.POST, request.FILES)
    preview = form.look()
    if preview is None:
        return _form_page(request, form)
    return _preview_page(request, form, preview)


@for_roles(Role.BENCH)
@require_POST
def readings_take_in(request: StaffRequest) -> HttpResponse:
    """Look once more, for a valve may have left the house meanwhile, and take it all in."""
    form = ImportForm(request.POST)
    preview = form.look()
    if preview is None:
        return _form_page(request, form)
    clean = form.cleaned_data
    try:
        batch, grades = importing.take_in(
            preview,
            file_name=clean["upload"].file_name,
            tester=clean["tester"],
            by=request.user,
            read_at=_moment(clean["read_on"]),
            sure=request.POST.get("sure") == preview.sha256,
        )
    except BenchError as error:
        form.add_error(None, str(error))
        return _preview_page(request, form, preview)
    valves = len(preview.valves)
    messages.success(request, f"{batch}: {batch.rows} readings of {valves} valves taken in, {len(grades)} graded.")
    return redirect("bench")


def _start(request: StaffRequest) -> dict[str, Any]:
    mine = Shift.objects.filter(operator=request.user, tester__in_use=True)
    shift = Shift.objects.running_for(request.user) or mine.first()
    unit = BenchChoices.of(request).gm_unit
    return {"read_on": timezone.localdate(), "gm_unit": unit, "tester": shift and shift.tester_id}


def _form_page(request: StaffRequest, form: ImportForm) -> HttpResponse:
    """A file that was good in itself is kept while something else on the form is mended."""
    upload = getattr(form, "cleaned_data", {}).get("upload")
    if upload and "file" not in form.errors:
        form.data = request.POST.dict() | {"kept": upload.signed()}
        form["file"].help_text = f"“{upload.file_name}” is kept; choose another only to replace it."
    form.fields["file"].widget.attrs["autofocus"] = True
    testers = Tester.objects.filter(in_use=True).exists()
    context = {"form": form, "max_mb": MAX_BYTES / 1e6, "max_rows": MAX_ROWS, "testers": testers}
    return render(request, "bench/readings_import.html", context)


def _preview_page(request: StaffRequest, form: ImportForm, preview: ReadingsPreview) -> HttpResponse:
    clean = form.cleaned_data
    carried = {
        "tester": clean["tester"].pk,
        "read_on": clean["read_on"].isoformat(),
        "mark": clean["mark"],
        "gm_unit": clean["gm_unit"],
        "kept": clean["upload"].signed(),
    }
    context = {
        "file_name": clean["upload"].file_name,
        "preview": preview,
        "readings": tables.to_import(preview),
        "problems": preview.problems[:SHOWN_PROBLEMS],
        "more_problems": max(0, len(preview.problems) - SHOWN_PROBLEMS),
        "carried": ImportForm(initial=carried),
        "tester": clean["tester"],
        "read_on": clean["read_on"],
        "errors": form.non_field_errors(),
        "asks_mark": any(re.search("which decimal mark", problem.message) for problem in preview.problems),
    }
    return render(request, "bench/readings_preview.html", context)


urlpatterns = [
    path("readings/import/", readings_import, name="readings-import"),
    path("readings/import/take-in/", readings_take_in, name="readings-take-in"),
]
