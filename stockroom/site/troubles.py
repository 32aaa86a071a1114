"""Pages for trouble that is nobody's slip: a full disk, a busy database, one that is away, a host name not ours.

Each says what happened, that nothing of it was saved, and carries along what was typed. They ask the database nothing.
"""

from __future__ import annotations

import errno
import logging
import sqlite3
import sys
from collections.abc import Iterator
from typing import NamedTuple

from django.core.exceptions import DisallowedHost
from django.db import DatabaseError, InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse
from django.middleware.csrf import get_token
from django.template.loader import render_to_string
from django.views import defaults

from stockroom.site.typed import typed_into

log = logging.getLogger("shop")


class Trouble(NamedTuple):
    name: str  # in the log
    status: int
    title: str
    happened: str
    do: str


FULL = Trouble(
    "the disk is full",
    507,
    "The disk is full",
    "The machine that the shop runs on has no room left on its disk, so nothing can be written.",
    "Ask the owner to make room; what is there can be read meanwhile. Then send this again.",
)
BUSY = Trouble(
    "the database is busy",
    503,
    "The shop is busy",
    "Somebody else’s work has kept the database busy for longer than a page may wait.",
    "Wait a moment, then send this again.",
)
AWAY = Trouble(
    "the database does not answer",
    503,
    "The database does not answer",
    "The shop’s pages are served, but the database behind them cannot be reached or cannot be written.",
    "Tell the owner, and send this again when it is back.",
)
HOST = Trouble(
    "refused host",
    400,
    "Not by this name",
    "The shop was asked for by a name that it does not answer to.",
    "Open it by the address that the server printed when it was started. The owner may let this name in: it must stand "
    "in ALLOWED_HOSTS when the server is started.",
)

DISK = {errno.ENOSPC, errno.EDQUOT}
FULL_CODES, BUSY_CODES = {sqlite3.SQLITE_FULL}, {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
# PostgreSQL's disk_full; lock_not_available, query_canceled, deadlock_detected, serialization_failure
FULL_STATES, BUSY_STATES = {"53100"}, {"55P03", "57014", "40P01", "40001"}
MOST_TYPED = 500  # fields carried along


def trouble_of(problem: BaseException | None) -> Trouble | None:
    """What is the matter, from the exception or those it came of; nothing when the fault is the program's.

    >>> trouble_of(OSError(errno.ENOSPC, "No space left on device")).name
    'the disk is full'
    >>> trouble_of(ValueError("not a number")) is None
    True
    """
    found = [trouble for one in _chain(problem) if (trouble := _trouble(one)) is not None]
    return FULL if FULL in found else next(iter(found), None)


def _chain(problem: BaseException | None) -> Iterator[BaseException]:
    seen: set[int] = set()
    while problem is not None and id(problem) not in seen:
        seen.add(id(problem))
        yield problem
        problem = problem.__cause__ or problem.__context__


def _trouble(problem: BaseException) -> Trouble | None:
    if isinstance(problem, DisallowedHost):
        return HOST
    if isinstance(problem, OSError):
        return FULL if problem.errno in DISK else None
    code, state = getattr(problem, "sqlite_errorcode", None), getattr(problem, "sqlstate", None)
    if (code is not None and code & 0xFF in FULL_CODES) or state in FULL_STATES:
        return FULL
    if (code is not None and code & 0xFF in BUSY_CODES) or state in BUSY_STATES:
        return BUSY
    if isinstance(problem, InterfaceError) or (isinstance(problem, OperationalError) and _of_the_server(problem)):
        return AWAY
    return None


def _of_the_server(problem: DatabaseError) -> bool:
    """Connections refused and lost, and a database that cannot be written; not a statement that is wrong."""
    cause = problem.__cause__
    code, state = getattr(cause, "sqlite_errorcode", None), getattr(cause, "sqlstate", None)
    if code is not None:
        return code & 0xFF in {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN}
    return state is None or str(state).startswith(("08", "57P", "53"))


def server_error(request: HttpRequest) -> HttpResponse:
    """`handler500`."""
    trouble = trouble_of(sys.exc_info()[1])
    return page(request, trouble) if trouble else defaults.server_error(request)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """`handler400`. A session that cannot be saved comes here too."""
    trouble = trouble_of(exception)
    return page(request, trouble) if trouble else defaults.bad_request(request, exception)


def page(request: HttpRequest, trouble: Trouble) -> HttpResponse:
    log.error("%s: %s %s", trouble.name, request.method, request.path, extra={"request": request})
    typed = None if trouble is HOST else typed_into(request)
    if typed and len(typed["fields"]) > MOST_TYPED:
        typed = None
    context = {
        "trouble": trouble,
        "typed": typed,
        "csrf_token": get_token(request),
        "host": request.META.get("HTTP_HOST", ""),
        "is_host": trouble is HOST,
        "sending": request.method == "POST",
    }
    return HttpResponse(render_to_string("trouble.html", context), status=trouble.status)
