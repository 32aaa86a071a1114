"""The demo command keeps out of a real shop, says what is wrong with its arguments, and serves."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
import urllib.request
from datetime import date
from http.cookiejar import CookieJar
from io import StringIO
from pathlib import Path
from typing import NoReturn
from urllib.error import URLError
from urllib.parse import urlencode

import pytest
from django.conf import settings
from django.contrib.auth.models import User
from django.core.management import CommandError, call_command

from catalog.models import ValveType
from grading import demo
from grading.management.commands.demo import Command
from stockroom.models import Lot, Shop
from tests import factories

DAY = date(2024, 5, 31)


def test_a_shop_that_somebody_works_in_is_refused_and_left_alone(db: None) -> None:
    lot = factories.make_lot()
    with pytest.raises(CommandError, match="in use by a shop"):
        call_command("demo", date=DAY, stdout=StringIO())
    assert list(Lot.objects.all()) == [lot]
    assert not User.objects.exists()
    assert not ValveType.objects.exists()
    assert not Shop.objects.filter(notice=demo.NOTICE).exists()


def test_a_shop_that_has_logins_but_no_lots_is_refused(db: None) -> None:
    User.objects.create_user("somebody")
    with pytest.raises(CommandError, match="in use by a shop"):
        call_command("demo", date=DAY, stdout=StringIO())
    assert not Lot.objects.exists()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--date", "31.5.2024"], "is not a day"),
        (["--valves", "-5"], "is not a number of valves"),
        (["--valves", "lots"], "is not a number of valves"),
    ],
)
def test_a_bad_argument_is_named(arguments: list[str], says: str) -> None:
    with pytest.raises(CommandError, match=says):
        call_command("demo", *arguments, stdout=StringIO())


class Replaced(Exception):
    """What the process would have become."""


def test_without_a_database_url_it_starts_again_with_a_database_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    def become(program: str, arguments: list[str], environment: dict[str, str]) -> NoReturn:
        raise Replaced(program, arguments, environment["DATABASE_URL"])

    monkeypatch.delenv("DATABASE_URL", raising=False)
    monkeypatch.setattr(os, "execve", become)
    with pytest.raises(Replaced) as caught:
        Command().run_from_argv(["manage.py", "demo", "--serve"])
    program, arguments, url = caught.value.args
    assert program == sys.executable
    assert arguments == [sys.executable, "manage.py", "demo", "--serve"]
    assert url == f"sqlite:///{settings.VAR_DIR / 'demo.sqlite3'}"


def test_it_is_served_and_lets_the_owner_in(tmp_path: Path) -> None:
    """The README's first command, on a database of its own, asked from outside."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "manage.py", "demo", "--serve", "--port", str(port)]
    environment = {**os.environ, "DATABASE_URL": f"sqlite:///{tmp_path / 'demo.sqlite3'}", "PYTHONUNBUFFERED": "1"}
    environment.pop("SHOP_TIME_ZONE", None)
    with subprocess.Popen(
        command, cwd=settings.BASE_DIR, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as served:
        try:
            address = f"http://127.0.0.1:{port}/"
            opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
            login = _when_it_answers(opener, f"{address}log-in/", served)
            token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', login)
            assert token
            form = {"csrfmiddlewaretoken": token[1], "username": "owner", "password": demo.PASSWORD}
            with opener.open(f"{address}log-in/", urlencode(form).encode()) as answer:
                page = answer.read().decode()
            assert demo.NOTICE in page
            assert "R0002" in page  # the order that waits to be pulled
        finally:
            served.terminate()


def _when_it_answers(opener: urllib.request.OpenerDirector, address: str, served: subprocess.Popen[str]) -> str:
    patience = time.monotonic() + 300  # on a busy machine; when the server has ended nobody waits for it
    while time.monotonic() < patience:
        if served.poll() is not None:
            assert served.stdout is not None
            pytest.fail(f"the server ended: {served.stdout.read()}")
        try:
            with opener.open(address, timeout=5) as answer:
                text: str = answer.read().decode()
                return text
        except (URLError, ConnectionError):
            time.sleep(0.1)
    pytest.fail("the server never answered")
