"""Who came in, and who was kept out, goes into the daybook."""

from __future__ import annotations

from axes.signals import user_locked_out
from django.contrib.auth.models import User
from django.contrib.auth.signals import user_logged_in
from django.dispatch import receiver
from django.http import HttpRequest

from stockroom.models import Entry


@receiver(user_logged_in, dispatch_uid="daybook")
def _came_in(sender: object, user: User, **kwargs: object) -> None:
    Entry.write(user, "logged-in", "Logged in.")


@receiver(user_locked_out, dispatch_uid="daybook")
def _locked_out(sender: object, request: HttpRequest, username: str, ip_address: str, **kwargs: object) -> None:
    Entry.write(None, "log-in-locked", f"Too many wrong guesses at the login “{username[:80]}” from {ip_address}.")
