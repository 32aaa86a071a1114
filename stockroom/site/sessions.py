"""How long a login lasts: settings.SESSION_COOKIE_AGE from the day of its last use.

Saving the session with every request would renew it too, but then looking at a page writes, and on SQLite waits for
whoever writes at the time.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest
from django.http.response import HttpResponseBase

RENEWED = "renewed_at"
RENEWED_EVERY_S = 24 * 3600


def renewed(get_response: Callable[[HttpRequest], HttpResponseBase]) -> Callable[[HttpRequest], HttpResponseBase]:
    """Middleware: the first use of a session on a day begins its term anew, and so does logging in."""

    def answer(request: HttpRequest) -> HttpResponseBase:
        response = get_response(request)
        known = settings.SESSION_COOKIE_NAME in request.COOKIES or request.session.modified
        if known and request.user.is_authenticated:
            now = int(time.time())
            if now - request.session.get(RENEWED, 0) >= RENEWED_EVERY_S:
                request.session[RENEWED] = now
        return response

    return answer
