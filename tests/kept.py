"""The invented demonstration shop as the version of 26 November 2026 made it, on SQLite and on PostgreSQL.

That version had two queues, of matching runs and of photographs, in which something waits here. It is brought up to
date once for all who ask for it (`kept_shop` in `tests/conftest.py`).
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
from typing import Any, NamedTuple
from urllib.parse import quote

import psycopg
from django.conf import settings
from django.db import connection

from grading.sets import runs

KEPT = Path(__file__).parent / "export" / "kept"
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


class KeptShop(NamedTuple):
    """`ask` answers in SQL; `before` counts rows of tables as they were before it was brought up to date."""

    url: str
    folder: Path
    ask: Ask
    before: dict[str, int]

    def counts(self) -> dict[str, int]:
        return _counts(self.ask)

    def manage(self, *command: str) -> str:
        done = manage(self.url, self.folder, *command)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout


def manage(url: str, media: Path, *command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "manage.py", *command],
        cwd=settings.BASE_DIR,
        env={**os.environ, "DATABASE_URL": url, "PHOTO_ROOT": str(media)},
        capture_output=True,
        text=True,
    )


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


@contextmanager
def brought_up_to_date(folder: Path) -> Iterator[KeptShop]:
    with _as_it_was(folder) as (url, ask):
        for run in RUNS:
            given = {"ask": json.dumps(QUESTION), "stop_asked": 0, "progress": "{}", "outcome": "{}", "trouble": ""}
            ask(RUN.format(**(given | run)))
        for number, (state, attempts) in enumerate((("waiting", 2), ("ready", 1), ("refused", 1))):
            ask(PHOTOGRAPH.format(number=number, state=state, attempts=attempts))
        shop = KeptShop(url, folder, ask, _counts(ask))
        shop.manage("migrate")
        yield shop


def _counts(ask: Ask) -> dict[str, int]:
    return {table: ask(f"SELECT count(*) FROM {table}")[0][0] for table in COUNTED}


@contextmanager
def _as_it_was(folder: Path) -> Iterator[tuple[str, Ask]]:
    """The DATABASE_URL of the kept shop, and what it answers when asked in SQL."""
    if connection.vendor == "sqlite":
        file = folder / "shop.sqlite3"
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
