"""What is sent is done whole, and done once.

On PostgreSQL a request that sends something is one transaction. Where two of them wait for each other, the server ends
one: nothing of it is done, so it is begun anew, a few times at most, and the person notices nothing. On SQLite whoever
writes has the database to itself from the start, and nobody waits for anybody else in turn.

A form with `{% once %}` carries a random text. What it sends is remembered by that text and all that was typed, in
the transaction that does it: sent twice, by a double click or from a page that was brought back, it is done once, and
the second time leads where the first did. Changed and sent again it is another; so is one that was refused.
"""

from __future__ import annotations

import hashlib
import logging
import random
import time
from collections.abc import Callable
from datetime import timedelta

from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.db import IntegrityError, OperationalError, connection, transaction
from django.http import HttpRequest, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.utils import timezone

from stockroom.models import SentForm

log = logging.getLogger(__name__)

FIELD = "once"
ATTEMPTS = 6
PAUSE_S = 0.02  # doubled with each attempt, and varied, so that those who clashed part
KEPT_FOR = timedelta(days=7)
TIDIED_EVERY = 500  # forms
CLASHES = frozenset({"40P01", "40001"})  # PostgreSQL's deadlock_detected and serialization_failure
DONE_BEFORE = "This was sent twice. It was done once."

Answer = Callable[[], HttpResponseBase]


class WholeAndOnce:
    """The last middleware: all others have let the request in."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponseBase], args: list[object], kwargs: dict[str, object]
    ) -> HttpResponseBase | None:
        if request.method != "POST":
            return None
        once = request.POST.get(FIELD, "")
        if not once and connection.vendor != "postgresql":
            return None

        def answer() -> HttpResponseBase:
            return view(request, *args, **kwargs)

        return whole(request, (lambda: _once(request, once, answer)) if once else answer)


def clashed(trouble: OperationalError) -> bool:
    """Whether the database ended this transaction for another's sake, so that it may simply be begun anew."""
    return getattr(trouble.__cause__, "sqlstate", None) in CLASHES


def whole(request: HttpRequest, answer: Answer) -> HttpResponseBase:
    """The answer, worked out in one transaction, begun anew where that clashed with another."""
    said = len(_said(request))
    for number in range(1, ATTEMPTS):
        try:
            with transaction.atomic():
                return answer()
        except OperationalError as trouble:
            if not clashed(trouble) or connection.in_atomic_block:
                raise
            log.info("Attempt %s at %s clashed with another request: %s", number, request.path, trouble)
        _begin_anew(request, said)
        time.sleep(random.uniform(0.5, 1) * PAUSE_S * 2**number)
    with transaction.atomic():
        return answer()


def _said(request: HttpRequest) -> list[object]:
    """The messages for the person's next page, so far."""
    return getattr(getattr(request, "_messages", None), "_queued_messages", [])


def _begin_anew(request: HttpRequest, said: int) -> None:
    """As it was before the view saw it."""
    del _said(request)[said:]
    for files in (file for _, some in request.FILES.lists() for file in some):
        if isinstance(files, UploadedFile):
            files.seek(0)


def key_of(request: HttpRequest, once: str) -> str:
    """Of the form, where it goes, and all that was typed into it."""
    typed = sorted((name, values) for name, values in request.POST.lists() if name != "csrfmiddlewaretoken")
    names = [(name, file.name, file.size) for name, some in sorted(request.FILES.lists()) for file in some]
    return hashlib.sha256(repr((once, request.get_full_path(), typed, names)).encode()).hexdigest()


def _once(request: HttpRequest, once: str, answer: Answer) -> HttpResponseBase:
    key, said = key_of(request, once), len(_said(request))
    try:
        with transaction.atomic():
            sent = SentForm.objects.create(key=key, by=request.user if request.user.is_authenticated else None)
    except IntegrityError:  # whoever was first has committed: until then we have waited here
        messages.info(request, DONE_BEFORE)
        return redirect(SentForm.objects.get(key=key).answer)
    response = answer()
    refused = any(message.level >= messages.ERROR for message in _said(request)[said:])  # type: ignore[attr-defined]
    if not isinstance(response, HttpResponseRedirect) or refused:
        sent.delete()
        return response
    SentForm.objects.filter(pk=sent.pk).update(answer=response.url[:500])
    if sent.pk % TIDIED_EVERY == 0:
        SentForm.objects.filter(at__lt=timezone.now() - KEPT_FOR).delete()
    return response
