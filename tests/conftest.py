"""What every test may ask for: people, reference data, a browser, and the database that DATABASE_URL names."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from django.apps import apps
from django.conf import settings
from django.contrib.auth.models import Group, User
from django.core.management import call_command
from django.db import connection, transaction
from django.test import Client
from hypothesis import settings as examples
from pytest_django.plugin import blocking_manager_key

from grading.models import Policy
from stockroom.site.people import Role
from tests import kept

# An example that takes long on a busy machine is no failure. Each run tries forty others, or as many as a test says.
examples.register_profile("unhurried", deadline=None, max_examples=40)
examples.load_profile("unhurried")

os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "1")  # Playwright keeps a loop; our ORM calls are not in it


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--database-only",
        action="store_true",
        help="leave out the tests that touch no database: for a second run on another one",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not config.getoption("--database-only"):
        return
    apart = [item for item in items if not _touches_database(item)]
    config.hook.pytest_deselected(items=apart)
    items[:] = [item for item in items if _touches_database(item)]


def _touches_database(item: pytest.Item) -> bool:
    return bool(item.get_closest_marker("django_db")) or bool(
        {"db", "transactional_db"} & set(getattr(item, "fixturenames", ()))
    )


@pytest.fixture(scope="session", autouse=True)
def photographs_apart(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test writes into the shop's own store, nor does a program that a test starts."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(settings, "MEDIA_ROOT", tmp_path_factory.mktemp("media"))
        patch.setenv("PHOTO_ROOT", str(settings.MEDIA_ROOT))
        patch.setattr(settings, "KEY_ROOT", tmp_path_factory.mktemp("keys"))
        patch.setenv("KEY_ROOT", str(settings.KEY_ROOT))
        yield


@pytest.fixture(scope="session", autouse=True)
def quick_passwords() -> Iterator[None]:
    """Django's own hash is slow by design, a quarter of a second for each person a test makes; a test needs no more
    than that the right password opens. A program that a test starts hashes as a shop does."""
    with pytest.MonkeyPatch.context() as patch:
        quick = "django.contrib.auth.hashers.MD5PasswordHasher"
        patch.setattr(settings, "PASSWORD_HASHERS", [quick, *settings.PASSWORD_HASHERS])
        yield


@pytest.fixture
def person(db: None) -> Callable[..., User]:
    """`person(Role.BENCH)` makes somebody with a role; without one, somebody who may only look."""

    def make(*roles: Role, name: str = "") -> User:
        user = User.objects.create_user(name or "-".join(roles) or "visitor", password="a-long-test-password")
        user.groups.set(Group.objects.filter(name__in=[role.value for role in roles]))
        return user

    return make


@pytest.fixture
def logged_in(person: Callable[..., User]) -> Callable[..., Client]:
    """`logged_in(Role.SALES)` is a test client that has logged in with that role."""

    def make(*roles: Role) -> Client:
        client = Client()
        client.force_login(person(*roles))
        return client

    return make


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> list[str]:
    """The tables that a new shop loads. Their rows are read from the files once, before any test, and lie in tables
    beside them named `kept_…`, which Django does not know of and so never empties."""
    with django_db_blocker.unblock(), transaction.atomic(), connection.cursor() as cursor:
        empty = [model._meta.db_table for model in apps.get_models() if not model._default_manager.exists()]
        call_command("load_types", verbosity=0)
        call_command("load_policy", verbosity=0)
        loaded = []
        for table in empty:
            cursor.execute(f"SELECT COUNT(*) FROM {table}")
            if cursor.fetchone()[0]:
                cursor.execute(f"DROP TABLE IF EXISTS kept_{table}")
                cursor.execute(f"CREATE TABLE kept_{table} AS SELECT * FROM {table}")
                loaded.append(table)
        for table in loaded:
            cursor.execute(f"DELETE FROM {table}")
    return loaded


@pytest.fixture
def reference(django_db_setup: list[str], db: None) -> None:
    """The valve types and the first policy, as a new shop loads them."""
    _bring_back(django_db_setup)
    if connection.vendor == "postgresql":
        _to_sweep.extend(django_db_setup)


@pytest.fixture
def policy(django_db_setup: list[str], db: None) -> Policy:
    """The first policy alone, which loads in no time."""
    _bring_back([Policy._meta.db_table])
    return Policy.current()


def _bring_back(tables: Sequence[str]) -> None:
    with connection.cursor() as cursor:
        # Twenty thousand rows that were checked when they were loaded: PostgreSQL need not look up each key again.
        may = connection.vendor == "postgresql" and _is_superuser(cursor)
        if may:
            cursor.execute("SET LOCAL session_replication_role = replica")
        for table in tables:
            cursor.execute(f"INSERT INTO {table} SELECT * FROM kept_{table}")
        if may:
            cursor.execute("SET LOCAL session_replication_role = origin")


def _is_superuser(cursor: Any) -> bool:
    cursor.execute("SELECT usesuper FROM pg_user WHERE usename = current_user")
    return bool(cursor.fetchone()[0])


@pytest.fixture(scope="session")
def kept_shop(django_db_setup: Any, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The shop of November 2026 in a database of its own, brought up to date: `tests.kept.KeptShop`."""
    with django_db_blocker.unblock(), kept.brought_up_to_date(tmp_path_factory.mktemp("kept-shop")) as shop:
        yield shop


@pytest.fixture(scope="session")
def chromium_path() -> str:
    path = shutil.which("chromium")
    if path is None:
        pytest.skip("no chromium on PATH: install Debian's chromium to run the browser tests")
    return path


@pytest.fixture(scope="session")
def browser(chromium_path: str) -> Iterator:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium_path,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
            ],
        )
        yield browser
        browser.close()


_lifted: list[str] = []  # the statements that bring back the triggers which `served` lifted
# What a test takes back stays in PostgreSQL's tables as twenty thousand dead rows, which every later test would read
# past: nothing sweeps them away while autovacuum is off.
_to_sweep: list[str] = []


@pytest.fixture
def served(transactional_db: None, live_server: Any) -> Iterator[Any]:
    """A live server whose committed rows are flushed afterwards.

    On SQLite the flush deletes row by row, so the triggers that forbid it step aside and come back when the test
    is torn down; PostgreSQL's TRUNCATE fires no row trigger.
    """
    yield live_server
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND sql LIKE '%DELETE%'")
            for name, statement in cursor.fetchall():
                _lifted.append(statement)
                cursor.execute(f'DROP TRIGGER "{name}"')


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item) -> Iterator[None]:
    """What is put right once the test's transaction has ended."""
    yield
    if _lifted or _to_sweep:
        with item.config.stash[blocking_manager_key].unblock(), connection.cursor() as cursor:
            while _lifted:
                cursor.execute(_lifted.pop())
            if _to_sweep:
                cursor.execute(f"VACUUM {', '.join(_to_sweep)}")
                _to_sweep.clear()


@pytest.fixture
def new_shop(transactional_db: None, tmp_path: Path) -> str:
    """The DATABASE_URL of a migrated database without rows of ours, which other processes can reach."""
    if connection.vendor == "sqlite":
        file = tmp_path / "shop.sqlite3"
        with connection.cursor() as cursor:
            cursor.execute("VACUUM INTO %s", [str(file)])
        with closing(sqlite3.connect(file)) as shop:
            shop.execute("PRAGMA journal_mode=WAL")
        return f"sqlite:///{quote(str(file))}"
    known = connection.settings_dict
    return f"postgres://{known['USER']}@{known['HOST']}:{known['PORT']}/{known['NAME']}"
