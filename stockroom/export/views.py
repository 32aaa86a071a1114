"""The page on which the owner takes everything home."""

from __future__ import annotations

import tempfile

from django.http import FileResponse, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils import timezone

from stockroom.export.writing import export as write
from stockroom.export.writing import exported_models
from stockroom.models import Entry, Photograph
from stockroom.site.people import Role, StaffRequest, for_roles


@for_roles(Role.OWNER)
def export(request: StaffRequest) -> HttpResponse | FileResponse:
    if request.method != "POST":
        context = {"tables": len(exported_models()), "photographs": Photograph.objects.count()}
        return render(request, "export/export.html", context)
    file = tempfile.TemporaryFile()  # noqa: SIM115 -- the response closes it
    summary = write(file)
    Entry.write(request.user, "exported", f"Everything exported: {summary.tables} tables, {summary.rows} rows.")
    file.seek(0)
    return FileResponse(file, as_attachment=True, filename=f"everything-{timezone.localdate():%Y-%m-%d}.zip")


urlpatterns = [path("export/", export, name="export")]
