"""A shop that has been running is brought up to date without losing a row.

The two files in `kept/` hold the invented demonstration shop as the version of 26 November 2026 made it, on SQLite and
on PostgreSQL. Migrations that had landed by then are frozen; what comes later starts from here.
"""

from __future__ import annotations

import lzma
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

import psycopg
import pytest
from django.conf import settings
from django.db import connection

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

Count = Callable[[str], int]


@pytest.fixture
def kept_shop(db: None, tmp_path: Path) -> Iterator[tuple[str, Count]]:
    """The DATABASE_URL of the kept shop, and what counts the rows of one of its tables."""
    if connection.vendor == "sqlite":
        file = tmp_path / "shop.sqlite3"
        file.write_bytes(lzma.decompress((KEPT / "shop-2026-11-26.sqlite3.xz").read_bytes()))
        with closing(sqlite3.connect(file)) as shop:
            yield f"sqlite:///{quote(str(file))}", lambda table: _one(shop.execute(f"SELECT count(*) FROM {table}"))
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
            yield url, lambda table: _one(shop.execute(f"SELECT count(*) FROM {table}"))
    finally:
        with psycopg.connect(**at, dbname="postgres", autocommit=True) as server:
            server.execute(f"DROP DATABASE {name} WITH (FORCE)")


def _one(cursor: sqlite3.Cursor | psycopg.Cursor) -> int:
    row = cursor.fetchone()
    assert row is not None
    return int(row[0])


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


def test_a_shop_of_november_2026_is_brought_up_to_date_whole(kept_shop: tuple[str, Count]) -> None:
    url, count = kept_shop
    before = {table: count(table) for table in COUNTED}
    assert min(before.values()) > 0
    _manage(url, "migrate")
    assert {table: count(table) for table in COUNTED} == before
    assert "agree" in _manage(url, "check_states")
