"""A login lasts a working week from its last use, and looking at a page writes nothing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.conf import settings
from django.contrib.auth.models import User
from django.contrib.sessions.models import Session
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from stockroom.models import Shop
from stockroom.site import sessions
from stockroom.site.people import Role
from tests.factories import make_line, make_policy, make_type

pytestmark = pytest.mark.django_db

PAGES = [
    "/",
    "/lots/",
    "/valves/",
    "/types/",
    "/sets/",
    "/orders/",
    "/office/",
    "/jobs/",
    "/bench/",
    "/policy/",
    "/runs/",
]


@pytest.fixture
def client(person: Callable[..., User]) -> Client:
    """Somebody who has logged in as people do."""
    make_policy()
    make_line(make_type(), 3)
    Shop.own()
    person(Role.BENCH, name="kit")
    client = Client()
    assert client.post("/log-in/", {"username": "kit", "password": "a-long-test-password"}).status_code == 302
    return client


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[timedelta], None]:
    """Lets time go by."""
    gone = timedelta()

    def go_by(more: timedelta) -> None:
        nonlocal gone
        gone += more
        then = timezone.now() + more
        later = then.timestamp()
        monkeypatch.setattr(sessions.time, "time", lambda: later)
        monkeypatch.setattr(timezone, "now", lambda: then)

    return go_by


@pytest.mark.parametrize("address", PAGES)
def test_a_page_view_writes_nothing(client: Client, address: str) -> None:
    with CaptureQueriesContext(connection) as queries:
        assert client.get(address).status_code == 200
    written = [query["sql"] for query in queries if query["sql"].startswith(("INSERT", "UPDATE", "DELETE"))]
    assert not written
    assert settings.SESSION_COOKIE_NAME not in client.get(address).cookies


def test_the_first_use_on_another_day_renews_the_login_once(client: Client, clock: Callable[[timedelta], None]) -> None:
    ends = Session.objects.get().expire_date
    clock(timedelta(days=2))
    answer: Any = client.get("/lots/")
    assert answer.cookies[settings.SESSION_COOKIE_NAME]["max-age"] == settings.SESSION_COOKIE_AGE
    assert Session.objects.get().expire_date - ends == pytest.approx(timedelta(days=2), abs=timedelta(minutes=1))
    assert settings.SESSION_COOKIE_NAME not in client.get("/lots/").cookies


def test_a_login_used_every_few_days_does_not_end(client: Client, clock: Callable[[timedelta], None]) -> None:
    for _ in range(5):
        clock(timedelta(days=5))
        assert client.get("/lots/").status_code == 200
    clock(timedelta(days=8))
    assert client.get("/lots/").status_code == 302


def test_a_stranger_gets_no_session(db: None) -> None:
    stranger = Client()
    assert stranger.get("/for-sale/").status_code == 200
    assert not Session.objects.exists() and not stranger.cookies
