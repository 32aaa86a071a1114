"""The page on which the owner takes everything home."""

from __future__ import annotations

from django.http import FileResponse, Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path

from stockroom.export import archives
from stockroom.export.writing import exported_models
from stockroom.models import Job, Photograph
from stockroom.site.people import Role, StaffRequest, for_roles


@for_roles(Role.OWNER)
def export(request: StaffRequest) -> HttpResponse:
    if request.method == "POST":
        archives.start(request.user)
        return redirect("export")
    job = archives.latest()
    context = {
        "tables": len(exported_models()),
        "photographs": Photograph.objects.count(),
        "job": job,
        "file": archives.file_of(job) if job else None,
    }
    return render(request, "export/export.html", context)


@for_roles(Role.OWNER)
def export_file(request: StaffRequest, pk: int) -> FileResponse:
    place = archives.file_of(get_object_or_404(Job, pk=pk, kind=archives.KIND))
    if place is None:
        raise Http404("That archive is no longer there. Export everything again.")
    return FileResponse(place.open("rb"), as_attachment=True, filename=place.name)


urlpatterns = [
    path("export/", export, name="export"),
    path("export/<int:pk>/", export_file, name="export-file"),
]
