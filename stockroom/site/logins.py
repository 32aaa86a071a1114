"""Who came in, and who was kept out, goes into the daybook."""

from __future__ import annotations

import time

from axes.signals import user_locked_out
from django.contrib.auth.models import User
from django.contrib.auth.signals import user_logged_in
from django.dispatch import receiver
from django.http import HttpRequest

from stockroom.models import Entry
from stockroom.site.sessions import RENEWED


@receiver(user_logged_in, dispatch_uid="daybook")
def _came_in(sender: object, request: HttpRequest, user: User, **kwargs: object) -> None:
    if hasattr(request, "session"):
        request.session[RENEWED] = int(time.time())  # the term begins here: no page that is looked at need write it
    Entry.write(user, "logged-in", "Logged in.")


@receiver(user_locked_out, dispatch_uid="daybook")
def _locked_out(sender: object, request: HttpRequest, username: str, ip_address: str, **kwargs: object) -> None:
    Entry.write(None, "log-in-locked", f"Too many wrong guesses at the login “{username[:80]}” from {ip_address}.")
