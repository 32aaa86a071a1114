"""What is turned away before any page sees it: bytes that no page asks for, bodies that nobody may send, logins without
a role."""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

from django.conf import settings
from django.contrib.auth.models import User
from django.core.exceptions import BadRequest
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import Resolver404, resolve

from stockroom.site.people import roles_of

GetResponse = Callable[[HttpRequest], HttpResponseBase]

LONGEST_QUERY = 8_000  # signs; the longest that our own filters write is a few hundred
LONGEST_NUMBER = 4_000  # digits; Python refuses to read a longer one
WITHOUT_LOGIN_BYTES = 100_000  # a name and a password
TAKES_NO_FILE_BYTES = 5_000_000  # a re-grade adjusted by hand posts a field a row
FOR_EVERY_LOGIN = frozenset({"login", "logout", "password"})


class SoundInput:
    """Refuse a NUL byte, which no database keeps in a text, and what is longer than anything our pages write."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        query = request.META.get("QUERY_STRING", "")
        if "\0" in request.path or "%00" in query or "\0" in query:
            raise BadRequest("a NUL byte in the address")
        if len(query) > LONGEST_QUERY or len(request.path) > LONGEST_QUERY:
            raise BadRequest("an address that is too long")
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: object, args: object, kwargs: object) -> None:
        """The form is read here, once it is known that the person may send one."""
        if request.method != "POST":
            return
        for value in (value for _, values in request.POST.lists() for value in values):
            if "\0" in value:
                raise BadRequest("a NUL byte in a field")
            if len(value) > LONGEST_NUMBER and value.strip().lstrip("+-").isdecimal():
                raise BadRequest("a number that is too long")


class BoundedBody:
    """Refuse a body by its stated length before anything reads it: a stranger sends little, and only some pages take
    files (`settings.TAKE_FILES`)."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        stated = request.META.get("CONTENT_LENGTH") or "0"
        most = _most_bytes(request)
        if not stated.isdecimal():
            raise BadRequest("a body of no stated length")
        if int(stated) > most:
            return render(request, "413.html", {"most_mb": most / 1e6}, status=413)
        return self.get_response(request)


def _most_bytes(request: HttpRequest) -> int:
    if settings.SESSION_COOKIE_NAME not in request.COOKIES:
        return WITHOUT_LOGIN_BYTES
    try:
        name = resolve(request.path_info).url_name
    except Resolver404:
        return TAKES_NO_FILE_BYTES
    return settings.MOST_BODY_BYTES if name in settings.TAKE_FILES else TAKES_NO_FILE_BYTES


class RolesNeeded:
    """A login without a role opens nothing but the way out: it reads neither customers nor costs."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponseBase], args: object, kwargs: object
    ) -> HttpResponse | None:
        user = cast(User, request.user)
        public = not getattr(view, "login_required", True)
        name = request.resolver_match.url_name if request.resolver_match else None
        if public or not user.is_authenticated or name in FOR_EVERY_LOGIN or roles_of(user):
            return None
        return render(request, "site/no_role.html", status=403)
