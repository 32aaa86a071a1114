"""Pages of the queue: what is at work, waits, failed or is done; stop one, ask for one again."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from stockroom.jobs import kinds
from stockroom.models import Job
from stockroom.site.people import StaffRequest
from stockroom.site.web import page_of


def jobs(request: HttpRequest) -> HttpResponse:
    """Every job but the many small ones that leave no record, which are only counted."""
    small = [known.name for known in kinds.KINDS.values() if not known.kept]
    page = page_of(request, Job.objects.exclude(kind__in=small).select_related("made_by"))
    live = Job.objects.live()
    counts = live.filter(kind__in=small).values_list("kind").annotate(Count("pk")).order_by("kind")
    return render(
        request,
        "jobs/jobs.html",
        {
            "page": page,
            "rows": [(job, kinds.address_of(job)) for job in page],
            "small": [(kinds.KINDS[kind].label, count) for kind, count in counts],
            "live": live.exists(),
        },
    )


def job(request: HttpRequest, pk: int) -> HttpResponse:
    found = _job(pk)
    return render(request, "jobs/job.html", {"job": found, "shown_at": kinds.address_of(found)})


@require_POST
def job_stop(request: StaffRequest, pk: int) -> HttpResponse:
    found = _handled(request, pk)
    kinds.ask_to_stop(found)
    messages.success(request, "It stops, and keeps what it has.")
    return redirect(kinds.address_of(found))


@require_POST
def job_retry(request: StaffRequest, pk: int) -> HttpResponse:
    found = _handled(request, pk)
    if kinds.retry(found):
        messages.success(request, "It is in the queue again.")
    else:
        messages.error(request, "It cannot be asked for again: it is not over, or another like it is at work.")
    return redirect(kinds.address_of(found))


def _job(pk: int) -> Job:
    return get_object_or_404(Job.objects.select_related("made_by"), pk=pk)


def _handled(request: StaffRequest, pk: int) -> Job:
    found = _job(pk)
    if not kinds.may_handle(found, request.user):
        raise PermissionDenied("This is for whoever asked for the job, and for those who work with what it makes.")
    return found


urlpatterns = [
    path("jobs/", jobs, name="jobs"),
    path("jobs/<int:pk>/", job, name="job"),
    path("jobs/<int:pk>/stop/", job_stop, name="job-stop"),
    path("jobs/<int:pk>/retry/", job_retry, name="job-retry"),
]
