"""What somebody typed is not lost with the session, by a second log-in, or because the disk is full: the page that says
so carries it along, and one key sends it again.

A form that another site sent here is not carried along, or that site could have it sent by whoever presses the key.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib.auth import REDIRECT_FIELD_NAME
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.middleware import LoginRequiredMiddleware
from django.contrib.auth.views import LoginView
from django.core import signing
from django.core.exceptions import BadRequest, DisallowedHost, RequestDataTooBig, TooManyFieldsSent
from django.http import HttpRequest, HttpResponse
from django.http.multipartparser import MultiPartParserError
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import reverse

KEPT = "kept"
OUR_OWN = frozenset({"csrfmiddlewaretoken", KEPT, REDIRECT_FIELD_NAME})

Typed = dict[str, Any]  # {"to": address, "fields": [[name, value], …], "files": whether files were chosen}


def typed_into(request: HttpRequest) -> Typed | None:
    """What the request would do once more; nothing where it sends none of our own forms, or asks for a password."""
    if request.method != "POST" or not from_our_own_page(request):
        return None
    try:
        pairs = [[name, value] for name, values in request.POST.lists() for value in values if name not in OUR_OWN]
        files = bool(request.FILES)
    except (BadRequest, MultiPartParserError, RequestDataTooBig, TooManyFieldsSent, OSError):
        return None  # what came cannot be read, so there is nothing to keep
    if not pairs or any("password" in name for name, _ in pairs):
        return None
    return {"to": request.get_full_path(), "fields": pairs, "files": files}


def from_our_own_page(request: HttpRequest) -> bool:
    """By what the browser says of where it comes from; it lets no page say otherwise."""
    try:
        own = f"{request.scheme}://{request.get_host()}"
    except DisallowedHost:
        return False
    said = request.headers.get("Origin") or request.headers.get("Referer", "")
    return said == own or said.startswith(f"{own}/")


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    """`settings.CSRF_FAILURE_VIEW`: mostly somebody else has logged in at this browser since the page was opened."""
    typed = typed_into(request)
    if typed and not request.user.is_authenticated:
        return lost_session(request, typed)
    return render(request, "site/csrf.html", {"typed": typed}, status=403)


def lost_session(request: HttpRequest, typed: Typed) -> HttpResponse:
    """The log-in, with what was typed on the page."""
    context = {
        "form": AuthenticationForm(request),
        KEPT: signing.dumps(typed, compress=True),
        "action": reverse("login"),
    }
    return render(request, "registration/login.html", context, status=403)


class LoginNeeded(LoginRequiredMiddleware):
    """Django's own, but what was typed comes along to the log-in."""

    def handle_no_permission(  # type: ignore[override]
        self, request: HttpRequest, view_func: Callable[..., HttpResponseBase]
    ) -> HttpResponseBase:
        typed = typed_into(request)
        return lost_session(request, typed) if typed else super().handle_no_permission(request, view_func)


class LogIn(LoginView):
    """Behind it waits the page that was asked for, or what was typed when the session was lost."""

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        return super().get_context_data(**kwargs) | {KEPT: self.request.POST.get(KEPT, "")}

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        answer = super().form_valid(form)
        try:
            typed = signing.loads(self.request.POST.get(KEPT, ""))
        except signing.BadSignature:
            return answer
        return render(self.request, "site/send_again.html", {"typed": typed})
