"""Pages of photographs: many at once from a phone, what is attached to a thing, and the files themselves."""

from __future__ import annotations

import logging
from pathlib import Path

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from stockroom.models import Attachment, Line, Photograph, Valve
from stockroom.models.photographs import Subject
from stockroom.photographs import storing as work
from stockroom.photographs.pure.pictures import KINDS, MAX_BYTES
from stockroom.photographs.storing import Received, UnknownSubject
from stockroom.pure.written import plural
from stockroom.site.people import Role, StaffRequest, for_roles, may
from stockroom.site.refusals import errors_on
from stockroom.site.web import page_of

log = logging.getLogger(__name__)

KEPT_BY_STAFF_S = 7 * 24 * 3600  # a copy never changes
KEPT_BY_PUBLIC_S = 3600  # but it may be withdrawn
SIZES = ("small", "large")
MANY_NAMES, MANY = 10, 50


def photographs(request: StaffRequest) -> HttpResponse:
    """All photographs of `?valve=`, `?line=` or `?lot=`; the latest of all without one. `?to=` is a scan."""
    problem = ""
    if "to" in request.GET:
        try:
            return redirect(work.address(work.read_subject(request.GET["to"])))
        except UnknownSubject as unknown:
            problem = str(unknown)
    subject = _subject(request)
    holder = subject.lot if isinstance(subject, Line) else subject
    shown = Attachment.objects.of(subject) if subject else Attachment.objects.all()
    current = shown.current().order_by("pk" if subject else "-pk")
    context = {
        "subject": subject,
        "said": work.said(subject) if subject else "",
        "back": holder,
        "back_to": work.said(holder) if holder else "",
        "by_valve": "valve" in request.GET,
        "problem": problem,
        "scanned": request.GET.get("to", ""),
        "page": page_of(request, current.for_rows()),
        "waiting": current.filter(photograph__state=Photograph.State.WAITING).count(),
        "refused": current.filter(photograph__state=Photograph.State.REFUSED).for_rows()[:MANY],
        "removed": shown.exclude(removed_at=None).for_rows().select_related("removed_by") if subject else (),
        "most": work.MOST_AT_ONCE,
        "most_mb": MAX_BYTES // 1_000_000,
    }
    return render(request, "photographs/photographs.html", context)


def _subject(request: HttpRequest) -> Subject | None:
    for name in ("valve", "line", "lot"):
        if name in request.GET:
            try:
                subject = work.read_subject(request.GET[name])
            except UnknownSubject as unknown:
                raise Http404(str(unknown)) from unknown
            if type(subject).__name__.lower() != name:
                raise Http404(f"That is no {name}.")
            return subject
    return None


@for_roles(Role.RECEIVING, Role.BENCH, Role.SALES)
@require_POST
def photographs_add(request: StaffRequest) -> HttpResponse:
    """Keep and queue what was sent; a script that asks for JSON is told the same as a person."""
    subject = _subject(request)
    if subject is None:
        raise Http404("Photographs of what?")
    received = work.receive(request.FILES.getlist("files"), subject, request.user)
    if "application/json" in request.headers.get("Accept", ""):
        refused = [f"{name} is refused: {reason}" for name, reason in received.refused]
        return JsonResponse({**received._asdict(), "refused": refused})
    _say(request, received)
    return redirect(work.address(subject))


def _say(request: HttpRequest, received: Received) -> None:
    taken = len(received.queued) + len(received.known)
    if taken:
        text = f"{plural(taken, 'photograph')} received."
        if received.queued:
            text += " They appear here as they are prepared."
        messages.success(request, text)
    if received.already:
        names = ", ".join(received.already[:MANY_NAMES])
        more = len(received.already) - MANY_NAMES
        if more > 0:
            names += f" and {more} more"
        messages.warning(request, f"Here already, and not stored twice: {names}.")
    for name, reason in received.refused:
        messages.error(request, f"{name} is refused: {reason}")
    if not any(received):
        messages.error(request, "No photograph was chosen. Take one or choose some, then send them.")


@for_roles(Role.SALES)
@require_POST
def photographs_public(request: StaffRequest) -> HttpResponse:
    """Open to the public those ticked of the photographs that stood on the page, and withdraw the others."""
    valve = _subject(request)
    if not isinstance(valve, Valve):
        raise Http404("Photographs of which valve?")
    opened, withdrawn = work.set_public(valve, _keys(request, "on_page"), _keys(request, "public"), request.user)
    messages.success(request, f"{opened} now shown to the public, {withdrawn} withdrawn.")
    return redirect(work.address(valve))


def _keys(request: HttpRequest, name: str) -> set[int]:
    return {int(text) for text in request.POST.getlist(name) if text.isascii() and text.isdigit()}


class RemoveForm(forms.Form):
    because = forms.CharField(label="Why it is removed", max_length=200, help_text="It is hidden; the file is kept.")


def photograph(request: StaffRequest, pk: int) -> HttpResponse:
    return _photograph_page(request, _attachment(pk), RemoveForm())


@for_roles(Role.RECEIVING, Role.BENCH, Role.SALES)
@require_POST
def photograph_remove(request: StaffRequest, pk: int) -> HttpResponse:
    attachment = _attachment(pk)
    form = RemoveForm(request.POST)
    if form.is_valid():
        with errors_on(form):
            work.remove(attachment, form.cleaned_data["because"], request.user)
            messages.success(request, f"{attachment.file_name} is removed.")
            return redirect(work.address(attachment.subject))
    return _photograph_page(request, attachment, form)


def _attachment(pk: int) -> Attachment:
    rows = Attachment.objects.for_rows().select_related("valve__line__lot", "added_by", "removed_by")
    return get_object_or_404(rows, pk=pk)


def _photograph_page(request: StaffRequest, attachment: Attachment, form: RemoveForm) -> HttpResponse:
    beside = Attachment.objects.current().of(attachment.subject)
    context = {
        "attachment": attachment,
        "photograph": attachment.photograph,
        "said": work.said(attachment.subject),
        "back": work.address(attachment.subject),
        "previous": beside.filter(pk__lt=attachment.pk).last(),
        "next": beside.filter(pk__gt=attachment.pk).first(),
        "may_remove": not attachment.removed_at and may(request.user, Role.RECEIVING, Role.BENCH, Role.SALES),
        "form": form,
    }
    return render(request, "photographs/photograph.html", context)


# The files


def photograph_copy(request: StaffRequest, pk: int, size: str) -> FileResponse:
    """A clean copy, for staff."""
    attachment = get_object_or_404(Attachment.objects.for_rows(), pk=pk, photograph__state=Photograph.State.READY)
    return _copy(attachment, size, f"private, max-age={KEPT_BY_STAFF_S}")


@login_not_required
def public_photograph(request: HttpRequest, pk: int, size: str) -> FileResponse:
    """A clean copy of a photograph that sales has opened to the public."""
    attachment = get_object_or_404(Attachment.objects.for_public_display().for_rows(), pk=pk)
    return _copy(attachment, size, f"private, max-age={KEPT_BY_PUBLIC_S}")


def photograph_original(request: StaffRequest, pk: int) -> FileResponse:
    """The file as it was sent, with all that the camera wrote into it; for staff, and only to be saved."""
    attachment = get_object_or_404(Attachment.objects.for_rows(), pk=pk)
    kind = KINDS[attachment.photograph.kind]
    return _file(
        attachment.photograph.original, kind.content_type, attachment.file_name, "private, no-store", as_attachment=True
    )


def _copy(attachment: Attachment, size: str, cache: str) -> FileResponse:
    if size not in SIZES:
        raise Http404("There is no such size.")
    name = f"{str(attachment.subject).replace('/', '-')}-{attachment.pk}-{size}.jpg"
    return _file(attachment.photograph.copy(size), "image/jpeg", name, cache)


def _file(place: Path, content_type: str, name: str, cache: str, as_attachment: bool = False) -> FileResponse:
    try:
        file = place.open("rb")
    except FileNotFoundError as missing:
        log.error("%s is missing from the store of photographs", place)
        raise Http404("The file is missing from the store.") from missing
    response = FileResponse(file, as_attachment=as_attachment, filename=name, content_type=content_type)
    response["Cache-Control"] = cache
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response


urlpatterns = [
    path("photographs/", photographs, name="photographs"),
    path("photographs/add/", photographs_add, name="photographs-add"),
    path("photographs/public/", photographs_public, name="photographs-public"),
    path("photographs/<int:pk>/", photograph, name="photograph"),
    path("photographs/<int:pk>/remove/", photograph_remove, name="photograph-remove"),
    path("photographs/<int:pk>/original/", photograph_original, name="photograph-original"),
    path("photographs/<int:pk>/<str:size>.jpg", photograph_copy, name="photograph-copy"),
    path("for-sale/photographs/<int:pk>/<str:size>.jpg", public_photograph, name="public-photograph"),
]
