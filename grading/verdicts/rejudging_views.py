"""The page of a corrected tester: which valves it bears on, and what became of them."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path

from grading.models import Tester
from grading.verdicts import rejudging
from stockroom.site.web import page_of


def bears_on(request: HttpRequest, pk: int) -> HttpResponse:
    tester = get_object_or_404(Tester, pk=pk)
    job = rejudging.latest(tester)
    valves = rejudging.read_on(tester.pk).select_related("type").order_by("serial")
    return render(
        request,
        "verdicts/bears_on.html",
        {
            "tester": tester,
            "job": job,
            "moves": rejudging.moves_of(job) if job else [],
            "page": page_of(request, valves),
        },
    )


urlpatterns = [path("testers/<int:pk>/bears-on/", bears_on, name="tester-bears-on")]
