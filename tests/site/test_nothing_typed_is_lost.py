"""A lost session, a second log-in, a full disk, a busy database: the shop's own page says what happened, and what was
typed is sent with one key more, once."""

from __future__ import annotations

import errno
import logging
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.contrib.sessions.models import Session
from django.db import OperationalError
from django.test import Client, RequestFactory

from grading.bench import readings as at_bench
from grading.models import Reading
from stockroom.models import Valve
from stockroom.site import logs, troubles
from stockroom.site.people import Role
from tests.factories import make_policy, make_shift, make_user, make_valve
from tests.forms import form_with

OWN = {"origin": "http://testserver"}
READ = {"s1-anode_current": "1.2", "s1-gm": "1.6", "s2-anode_current": "1.15", "s2-gm": "1.55"}
PASSWORD = "a-long-test-password"


@pytest.fixture
def bo(db: None) -> User:
    make_policy()
    bo = make_user("bo", Role.BENCH)
    bo.set_password(PASSWORD)
    bo.save()
    make_shift(bo)
    return bo


@pytest.fixture
def valve(bo: User) -> Valve:
    return make_valve()


@pytest.fixture
def browser_(bo: User) -> Client:
    """A browser: it holds the shop to its tokens, and shows the shop's page for every fault."""
    client = Client(enforce_csrf_checks=True, raise_request_exception=False)
    client.force_login(bo)
    return client


def typed_at_the_bench(client: Client, valve: Valve) -> dict[str, str]:
    page = client.get(f"/bench/?serial={valve.serial}").content.decode()
    return form_with(page, "s1-gm").values | READ


def kept(answer: Any) -> dict[str, str]:
    """What the page would send once more."""
    form = form_with(answer.content.decode(), "s1-gm")
    assert form.action == "/bench/"
    return form.values


def test_readings_typed_when_the_session_was_lost_are_sent_after_the_log_in_once(
    browser_: Client, valve: Valve
) -> None:
    typed = typed_at_the_bench(browser_, valve)
    Session.objects.all().delete()
    lost = browser_.post("/bench/", typed, headers=OWN)
    assert lost.status_code == 403 and "What you typed is kept" in lost.content.decode()
    login = form_with(lost.content.decode(), "kept").values
    wrong = browser_.post("/log-in/", login | {"username": "bo", "password": "not so"}, headers=OWN)
    login = form_with(wrong.content.decode(), "kept").values
    again = browser_.post("/log-in/", login | {"username": "bo", "password": PASSWORD}, headers=OWN)
    assert not Reading.objects.exists()
    saved = browser_.post("/bench/", kept(again), headers=OWN)
    assert saved.status_code == 302 and Reading.objects.count() == 2
    twice = browser_.post("/bench/", kept(again), headers=OWN)
    assert twice["Location"] == saved["Location"] and Reading.objects.count() == 2


def test_a_second_log_in_at_this_browser_gets_the_shops_page_with_what_was_typed(
    browser_: Client, valve: Valve, bo: User
) -> None:
    typed = typed_at_the_bench(browser_, valve)
    del browser_.cookies["csrftoken"]  # as a log-in in another window changes it
    browser_.get("/log-in/")
    refused = browser_.post("/bench/", typed, headers=OWN)
    html = refused.content.decode()
    assert refused.status_code == 403 and "now it is\n    <strong>bo</strong>" in html and "DEBUG" not in html
    assert browser_.post("/bench/", kept(refused), headers=OWN).status_code == 302
    assert Reading.objects.count() == 2


@pytest.mark.parametrize("headers", [{"origin": "http://elsewhere.example"}, {}, {"origin": "null"}])
def test_what_another_site_sends_is_not_kept_for_sending(
    headers: dict[str, str], browser_: Client, valve: Valve
) -> None:
    refused = browser_.post("/bench/", {"serial": valve.serial, **READ}, headers=headers)
    assert refused.status_code == 403 and "s1-gm" not in refused.content.decode()


def test_no_password_is_written_into_a_page(browser_: Client) -> None:
    refused = browser_.post("/log-in/", {"username": "bo", "password": PASSWORD}, headers=OWN)
    assert refused.status_code == 403 and PASSWORD not in refused.content.decode()


def test_after_a_log_in_the_bench_shows_no_other_valves_verdict(browser_: Client, valve: Valve, bo: User) -> None:
    saved = browser_.post("/bench/", typed_at_the_bench(browser_, valve), headers=OWN)
    assert 'aria-label="Last verdict"' in browser_.get(saved["Location"]).content.decode()
    assert 'aria-label="Last verdict"' not in browser_.get("/bench/").content.decode()
    other = make_valve(valve.type)
    assert 'aria-label="Last verdict"' not in browser_.get(f"/bench/?read={other.serial}").content.decode()


# Trouble of the machine


def _of_sqlite(statement: str) -> OperationalError:
    """What SQLite itself says; as Django hands it on."""
    trouble = OperationalError("as Django says it")
    shop = sqlite3.connect(":memory:")
    try:
        shop.execute("PRAGMA max_page_count = 1")
        shop.execute(statement)
    except sqlite3.OperationalError as said:
        trouble.__cause__ = said
    return trouble


class ServerSaid(Exception):
    def __init__(self, sqlstate: str) -> None:
        self.sqlstate = sqlstate


def _of_postgresql(sqlstate: str) -> OperationalError:
    trouble = OperationalError("as Django says it")
    trouble.__cause__ = ServerSaid(sqlstate)
    return trouble


def _locked(folder: Path) -> OperationalError:
    trouble = OperationalError("as Django says it")
    one, other = (sqlite3.connect(folder / "shop.sqlite3", timeout=0, isolation_level=None) for _ in range(2))
    one.execute("BEGIN IMMEDIATE")
    try:
        other.execute("BEGIN IMMEDIATE")
    except sqlite3.OperationalError as said:
        trouble.__cause__ = said
    return trouble


def _a_trouble(name: str, folder: Path) -> BaseException:
    return {
        "full, SQLite": lambda: _of_sqlite("CREATE TABLE a (b)"),
        "full, PostgreSQL": lambda: _of_postgresql("53100"),
        "full, a file": lambda: OSError(errno.ENOSPC, "No space left on device"),
        "busy, SQLite": lambda: _locked(folder),
        "busy, PostgreSQL": lambda: _of_postgresql("55P03"),
        "away": lambda: OperationalError("connection refused"),
    }[name]()


@pytest.mark.parametrize(
    ("name", "status", "says"),
    [
        ("full, SQLite", 507, "The disk is full"),
        ("full, PostgreSQL", 507, "The disk is full"),
        ("full, a file", 507, "The disk is full"),
        ("busy, SQLite", 503, "The shop is busy"),
        ("busy, PostgreSQL", 503, "The shop is busy"),
        ("away", 503, "The database does not answer"),
    ],
)
def test_trouble_of_the_machine_has_a_page_that_keeps_what_was_typed(
    name: str,
    status: int,
    says: str,
    browser_: Client,
    valve: Valve,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    typed, trouble = typed_at_the_bench(browser_, valve), _a_trouble(name, tmp_path)

    def broken(*args: Any) -> None:
        raise trouble

    with monkeypatch.context() as patch:
        patch.setattr(at_bench, "record_readings", broken)
        answer = browser_.post("/bench/", typed, headers=OWN)
    html = answer.content.decode()
    assert answer.status_code == status and f"<h1>{says}</h1>" in html
    assert "nothing that was saved before is lost" in html
    assert any(trouble_name in caplog.text for trouble_name in ("disk is full", "busy", "does not answer"))
    assert browser_.post("/bench/", kept(answer), headers=OWN).status_code == 302
    assert Reading.objects.count() == 2


def test_a_fault_of_ours_is_no_trouble_of_the_machine(
    browser_: Client, valve: Valve, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: Any) -> None:
        raise OperationalError("no such column: wrong") from ServerSaid("42703")

    monkeypatch.setattr(at_bench, "record_readings", broken)
    answer = browser_.post("/bench/", typed_at_the_bench(browser_, valve), headers=OWN)
    assert answer.status_code == 500 and "Something broke on our side" in answer.content.decode()


@pytest.mark.django_db
def test_a_name_that_is_not_ours_is_refused_in_words() -> None:
    answer = Client().get("/for-sale/", headers={"host": "elsewhere.example"})
    html = answer.content.decode()
    assert answer.status_code == 400 and "Not by this name" in html and "elsewhere.example" in html


def test_a_line_of_the_log_says_when_how_grave_who_and_what(bo: User, settings: Any) -> None:
    line = logging.Formatter(settings.LOGGING["formatters"]["line"]["format"], style="{")
    request = RequestFactory().post("/bench/")
    request._cached_user = bo  # type: ignore[attr-defined]
    record = logging.LogRecord("shop", logging.ERROR, "", 0, "the disk is full: POST /bench/", (), None)
    record.request = request
    assert logs.WithPerson().filter(record)
    written = line.format(record)
    assert written.endswith("ERROR bo: the disk is full: POST /bench/") and written[:4].isdigit()


def test_troubles_are_told_apart_down_the_chain() -> None:
    try:
        try:
            raise OSError(errno.ENOSPC, "No space left on device")
        except OSError as full:
            raise RuntimeError("The session cannot be saved") from full
    except RuntimeError as outer:
        assert troubles.trouble_of(outer) is troubles.FULL
    assert troubles.trouble_of(KeyError("x")) is None


# Whether it is well


@pytest.mark.django_db
def test_the_health_address_says_that_the_database_answers_and_no_secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    answer = Client().get("/health/")
    assert answer.status_code == 200
    assert set(answer.json()) == {"version", "database", "backup_age_hours"} and answer.json()["database"] == "answers"

    def away() -> None:
        raise OperationalError("connection to server at 10.0.0.1 failed: password authentication failed")

    monkeypatch.setattr("stockroom.site.health.last_backup", away)
    answer = Client().get("/health/")
    assert answer.status_code == 503 and "10.0.0.1" not in answer.content.decode()
