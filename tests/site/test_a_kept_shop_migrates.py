"""A shop that has been running is brought up to date without losing a row.

The two files in `kept/` hold the invented demonstration shop as the version of 26 November 2026 made it, on SQLite and
on PostgreSQL. Migrations that had landed by then are frozen; what comes later starts from here. That version had two
queues, of matching runs and of photographs: what waited in them waits in the one queue.
"""

from __future__ import annotations

import json
import lzma
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any
from urllib.parse import quote

import dj_database_url
import psycopg
import pytest
from django.conf import settings
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper

from grading.sets import runs
from stockroom.photographs import storing

KEPT = Path(__file__).parent / "kept"
COUNTED = (
    "grading_reading",
    "grading_grade",
    "grading_member",
    "grading_studyreading",
    "stockroom_valve",
    "stockroom_line",
    "stockroom_charge",
    "stockroom_entry",
    "stockroom_allocation",
    "stockroom_samplingplan",
    "catalog_testpoint",
)

Ask = Callable[[str], list[tuple[Any, ...]]]


@pytest.fixture
def kept_shop(db: None, tmp_path: Path) -> Iterator[tuple[str, Ask]]:
    """The DATABASE_URL of the kept shop, and what it answers when asked in SQL."""
    if connection.vendor == "sqlite":
        file = tmp_path / "shop.sqlite3"
        file.write_bytes(lzma.decompress((KEPT / "shop-2026-11-26.sqlite3.xz").read_bytes()))
        with closing(sqlite3.connect(file, isolation_level=None)) as shop:
            yield f"sqlite:///{quote(str(file))}", lambda sql: shop.execute(sql).fetchall()
        return
    params = connection.get_connection_params()
    at = {key: params[key] for key in ("host", "port", "user", "password") if params.get(key)}
    name = f"kept_shop_{os.getpid()}"
    with psycopg.connect(**at, dbname="postgres", autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
    try:
        with psycopg.connect(**at, dbname=name, autocommit=True) as shop:
            shop.execute(lzma.decompress((KEPT / "shop-2026-11-26.sql.xz").read_bytes()))
            shop.execute("SET search_path TO public")
            password = f":{at['password']}" if "password" in at else ""
            url = f"postgres://{at['user']}{password}@{at['host']}:{at['port']}/{name}"
            yield url, lambda sql: _answer(shop.execute(sql))
    finally:
        with psycopg.connect(**at, dbname="postgres", autocommit=True) as server:
            server.execute(f"DROP DATABASE {name} WITH (FORCE)")


def _answer(cursor: psycopg.Cursor) -> list[tuple[Any, ...]]:
    return cursor.fetchall() if cursor.description else []


def _manage(url: str, *command: str) -> str:
    done = subprocess.run(
        [sys.executable, "manage.py", *command],
        cwd=settings.BASE_DIR,
        env={**os.environ, "DATABASE_URL": url},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


# What waits, is done and failed in the two queues that the version of 26 November had.
QUESTION = asdict(runs.Ask(size=2, tiers=(("within 2 %", 2, 100),), best_grades=2))
OUTCOME = {"sets": [[[1, 2], [0.01], "within 2 %", 100.0, "S00001"]], "value": 100.0, "bound": 100.0, "gap": 0.0}
RUN = """INSERT INTO grading_matchrun (ask, state, stop_asked, progress, outcome, trouble, made_at, made_by_id, type_id)
    SELECT '{ask}', '{state}', '{stop_asked}', '{progress}', '{outcome}', '{trouble}', '2026-11-26 12:00:00+00',
    (SELECT min(id) FROM auth_user), (SELECT min(id) FROM catalog_valvetype)"""
RUNS = (
    {"state": "waiting"},
    {"state": "working", "stop_asked": 1, "progress": json.dumps({"stage": "half-way"})},
    {"state": "done", "outcome": json.dumps(OUTCOME)},
    {"state": "failed", "trouble": "It broke."},
)
PHOTOGRAPH = """INSERT INTO stockroom_photograph
    (sha256, kind, size_bytes, state, refused_because, attempts, first_sent_at)
    VALUES ('{number:064}', 'JPEG', 1, '{state}', '', {attempts}, '2026-11-26 12:00:00+00')"""


def test_a_shop_of_november_2026_is_brought_up_to_date_whole(kept_shop: tuple[str, Ask]) -> None:
    url, ask = kept_shop
    for run in RUNS:
        given = {"ask": json.dumps(QUESTION), "stop_asked": 0, "progress": "{}", "outcome": "{}", "trouble": ""} | run
        ask(RUN.format(**given))
    for number, (state, attempts) in enumerate((("waiting", 2), ("ready", 1), ("refused", 1))):
        ask(PHOTOGRAPH.format(number=number, state=state, attempts=attempts))

    def counts() -> dict[str, int]:
        return {table: ask(f"SELECT count(*) FROM {table}")[0][0] for table in COUNTED}

    before = counts()
    assert min(before.values()) > 0
    _manage(url, "migrate")
    assert counts() == before
    assert "agree" in _manage(url, "check_states")

    run_jobs = ask(
        "SELECT job.state, job.stop_asked, job.trouble, job.question, run.outcome"
        " FROM grading_matchrun run JOIN stockroom_job job ON run.job_id = job.id ORDER BY run.id"
    )
    assert [(state, bool(stop), trouble) for state, stop, trouble, *_ in run_jobs] == [
        ("waiting", False, ""),
        ("waiting", True, ""),
        ("done", False, ""),
        ("failed", False, "It broke."),
    ]
    question, outcome = map(_json, run_jobs[2][3:])
    assert runs.Ask.read(question) == runs.Ask(**QUESTION) and outcome["sets"][0][4] == "S00001"
    [(question, attempts, key)] = ask(
        f"SELECT question, attempts, key FROM stockroom_job WHERE kind = '{storing.KIND}'"
    )
    [(waiting,)] = ask("SELECT id FROM stockroom_photograph WHERE state = 'waiting'")
    assert (_json(question), attempts, key) == ({"photograph": waiting}, 2, f"photograph {waiting}")

    assert _tables(url) == _tables(None), "a shop that went the long way has the tables of a new one"


def _json(value: Any) -> Any:
    return json.loads(value) if isinstance(value, str) else value


def _tables(url: str | None) -> dict[str, Any]:
    """What the database at an address, or that of the tests, is made of: but for the names of keys and indexes, which
    keep a table's older name, and the figures of constraints that have none."""
    with _asked(url) as to, to.cursor() as cursor:
        made: dict[str, Any] = {"triggers": _triggers(to, cursor)}
        for table in to.introspection.table_names(cursor):
            if table.startswith("kept_"):
                continue  # what the tests start from
            columns = {
                (column.name, to.introspection.get_field_type(column.type_code, column), column.null_ok)
                for column in to.introspection.get_table_description(cursor, table)
            }
            held = to.introspection.get_constraints(cursor, table).items()
            checks = sorted(name.rstrip("_0123456789") for name, rule in held if rule["check"])
            others = [
                (rule["columns"], rule["primary_key"], rule["unique"], rule["foreign_key"], rule["index"])
                for _, rule in held
                if not rule["check"]
            ]
            made[table] = columns, checks, sorted(others, key=str)
    return made


def _triggers(to: BaseDatabaseWrapper, cursor: Any) -> list[str]:
    if to.vendor == "sqlite":
        cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' ORDER BY name")
    else:
        cursor.execute("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal ORDER BY tgname")
    return [name for (name,) in cursor.fetchall()]


@contextmanager
def _asked(url: str | None) -> Iterator[BaseDatabaseWrapper]:
    if url is None:
        yield connection
        return
    elsewhere = connection.copy()
    elsewhere.settings_dict |= dj_database_url.parse(url)
    try:
        yield elsewhere
    finally:
        elsewhere.close()
