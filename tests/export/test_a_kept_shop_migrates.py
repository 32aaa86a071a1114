"""A shop that has been running is brought up to date without losing a row.

Migrations that had landed when it was kept (`tests/kept.py`) are frozen; what comes later starts from there. What
waited in its two queues waits in the one queue.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import dj_database_url
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper

from grading.sets.runs import Ask
from stockroom.photographs import storing
from tests.kept import QUESTION, KeptShop


def test_a_shop_of_november_2026_is_brought_up_to_date_whole(db: None, kept_shop: KeptShop) -> None:
    ask = kept_shop.ask
    assert min(kept_shop.before.values()) > 0
    assert kept_shop.counts() == kept_shop.before
    assert "agree" in kept_shop.manage("check_states")

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
    assert Ask.read(question) == Ask(**QUESTION) and outcome["sets"][0][4] == "S00001"
    [(question, attempts, key)] = ask(
        f"SELECT question, attempts, key FROM stockroom_job WHERE kind = '{storing.KIND}'"
    )
    [(waiting,)] = ask("SELECT id FROM stockroom_photograph WHERE state = 'waiting'")
    assert (_json(question), attempts, key) == ({"photograph": waiting}, 2, f"photograph {waiting}")

    assert _tables(kept_shop.url) == _tables(None), "a shop that went the long way has the tables of a new one"


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
