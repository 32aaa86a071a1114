"""Several people at once at the same few valves: no server error, nothing lost, no rule broken.

The crowd is a process of its own (`tests.crowd`, which also does long runs) on a new database of the kind that the
tests run on.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from django.conf import settings
from django.contrib.messages import INFO
from django.contrib.messages.storage.base import Message
from django.contrib.messages.storage.cookie import CookieStorage
from django.db import IntegrityError, OperationalError
from django.http import HttpRequest, HttpResponse
from django.test import RequestFactory

from stockroom.site import attempts


def test_a_crowd_gets_no_server_error_loses_nothing_and_breaks_no_rule(new_shop: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.crowd", "--people", "6", "--requests", "90"],
        cwd=settings.BASE_DIR,
        env={**os.environ, "DATABASE_URL": new_shop},
        capture_output=True,
        text=True,
    )
    found = json.loads(done.stdout[done.stdout.index("{") :] if "{" in done.stdout else "{}")
    assert (found.get("faults"), found.get("broken")) == ([], []), done.stderr[-3000:]
    assert found["acknowledged"] == found["kept"] > 0
    assert done.returncode == 0


# A clash, without the crowd: what the database says of a deadlock, once or for ever


class Deadlock(Exception):
    sqlstate = "40P01"


def _clash() -> OperationalError:
    trouble = OperationalError("deadlock detected")
    trouble.__cause__ = Deadlock()
    return trouble


@pytest.fixture
def request_() -> HttpRequest:
    request = RequestFactory().post("/orders/new/", {"new_name": "Ada Quill"})
    request._messages = CookieStorage(request)  # type: ignore[attr-defined]
    return request


@pytest.fixture
def outermost(monkeypatch: pytest.MonkeyPatch) -> None:
    """As outside a test, where no transaction is open yet."""
    monkeypatch.setattr(attempts, "connection", SimpleNamespace(in_atomic_block=False, vendor="postgresql"))
    monkeypatch.setattr(attempts, "PAUSE_S", 0)


def _clashes(request: HttpRequest, times: int) -> Callable[[], HttpResponse]:
    left = [None] * times

    def answer() -> HttpResponse:
        request._messages._queued_messages.append(Message(INFO, "Taken."))  # type: ignore[attr-defined]
        if left:
            left.pop()
            raise _clash()
        return HttpResponse("done")

    return answer


@pytest.mark.django_db
def test_a_request_that_clashed_is_begun_anew_and_says_what_it_did_once(request_: HttpRequest, outermost: None) -> None:
    answer = attempts.whole(request_, _clashes(request_, 3))
    assert answer.content == b"done"
    assert [message.message for message in request_._messages._queued_messages] == ["Taken."]  # type: ignore[attr-defined]


@pytest.mark.django_db
def test_a_clash_without_end_is_not_tried_for_ever(request_: HttpRequest, outermost: None) -> None:
    with pytest.raises(OperationalError):
        attempts.whole(request_, _clashes(request_, attempts.ATTEMPTS))


@pytest.mark.django_db
@pytest.mark.parametrize("trouble", [OperationalError("the disk is full"), IntegrityError("taken"), ValueError()])
def test_what_is_no_clash_is_not_tried_again(trouble: Exception, request_: HttpRequest, outermost: None) -> None:
    tried = []

    def answer() -> HttpResponse:
        tried.append(1)
        raise trouble

    with pytest.raises(type(trouble)):
        attempts.whole(request_, answer)
    assert len(tried) == 1


def test_no_lock_keeps_others_from_writing_of_the_row() -> None:
    """On PostgreSQL a plain FOR UPDATE waits for, and holds up, every row that refers to the locked one."""
    asked = [
        (path, line)
        for app in ("stockroom", "grading")
        for path in (Path(settings.BASE_DIR) / app).rglob("*.py")
        for line in path.read_text().splitlines()
        if "select_for_update(" in line
    ]
    assert len(asked) > 10
    assert [where for where in asked if "no_key=True" not in where[1]] == []
