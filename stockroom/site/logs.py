"""A line of the log says when, how grave, who, and what."""

from __future__ import annotations

import logging


class WithPerson(logging.Filter):
    """Gives each record `who`: the login behind its request, or the thread at work where there is no request.

    The person is not looked up: a line about a database that is away must not ask it.
    """

    def filter(self, record: logging.LogRecord) -> bool:
        request = getattr(record, "request", None)
        user = getattr(request, "_cached_user", None)
        name = user.get_username() if user is not None and user.is_authenticated else "somebody without a login"
        record.who = name if request is not None else record.threadName
        return True
