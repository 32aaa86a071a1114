"""The whole shop in one file, and back again, on the database that the tests run on."""

from __future__ import annotations

import io
import json
import os
import sqlite3
import threading
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote, urlparse

import psycopg
import pytest
from django.db import connection

from stockroom.export.backup import BackupRefused, restore
from tests.kept import KeptShop, manage


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("backups")


@pytest.fixture(scope="module")
def new_database(django_db_setup: Any, folder: Path) -> Iterator[Callable[[str], str]]:
    """Names an empty database, of the kind that the tests run on."""
    made: list[str] = []
    params = connection.get_connection_params() if connection.vendor == "postgresql" else {}
    at = {key: params[key] for key in ("host", "port", "user", "password") if params.get(key)}

    def make(name: str) -> str:
        if connection.vendor == "sqlite":
            return f"sqlite:///{quote(str(folder / f'{name}.sqlite3'))}"
        made.append(f"{name}_{os.getpid()}")
        with psycopg.connect(**at, dbname="postgres", autocommit=True) as server:
            server.execute(f"CREATE DATABASE {made[-1]}")
        password = f":{at['password']}" if "password" in at else ""
        return f"postgres://{at['user']}{password}@{at['host']}:{at['port']}/{made[-1]}"

    yield make
    for name in made:
        with psycopg.connect(**at, dbname="postgres", autocommit=True) as server:
            server.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(scope="module")
def shop(kept_shop: KeptShop) -> tuple[str, Path]:
    """The kept demonstration shop with a photograph's file."""
    media = kept_shop.folder / "media"
    (media / "photographs").mkdir(parents=True)
    (media / "photographs" / "one.jpg").write_bytes(b"not really a picture")
    return kept_shop.url, media


def test_what_was_changed_in_the_file_is_found_out_and_what_is_whole_comes_back_equal(
    shop: tuple[str, Path], new_database: Callable[[str], str], tmp_path: Path
) -> None:
    url, media = shop
    file, forged, elsewhere = tmp_path / "backup.zip", tmp_path / "forged.zip", tmp_path / "elsewhere"
    done = manage(url, media, "backup", str(file))
    assert done.returncode == 0 and "1 files" in done.stdout, done.stderr
    with zipfile.ZipFile(file) as source, zipfile.ZipFile(forged, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            if name == "tables/stockroom.Supplier.jsonl":
                data = data.replace(b'"country": "', b'"country": "X', 1)
            target.writestr(name, data)
    fresh = new_database("fresh")
    done = manage(fresh, elsewhere, "restore", str(forged))
    assert done.returncode != 0 and "stockroom.Supplier came back" in done.stderr
    done = manage(fresh, elsewhere, "restore", str(file))  # so nothing was left behind
    assert done.returncode == 0, done.stderr
    assert "digests of every table are equal" in done.stdout
    assert (elsewhere / "photographs" / "one.jpg").read_bytes() == b"not really a picture"
    again = manage(fresh, elsewhere, "restore", str(file))
    assert again.returncode != 0 and "in use" in again.stderr


@pytest.mark.parametrize(
    ("data", "why"),
    [(b"not a zip", "no zip archive"), (None, "no manifest"), ({"format": "another"}, "of the form “another”")],
)
def test_what_is_no_backup_is_refused_in_words(db: None, data: bytes | dict[str, str] | None, why: str) -> None:
    file = io.BytesIO(data if isinstance(data, bytes) else b"")
    if not isinstance(data, bytes):
        with zipfile.ZipFile(file, "w") as archive:
            archive.writestr("manifest.json" if data else "other", json.dumps(data))
    file.seek(0)
    with pytest.raises(BackupRefused, match=why):
        restore(file)


def test_a_backup_taken_while_somebody_writes_holds_all_that_was_acknowledged(
    shop: tuple[str, Path], tmp_path: Path
) -> None:
    """A plain copy of an open SQLite file would not: the last changes lie in the log beside it."""
    url, media = shop
    acknowledged, stop = 0, threading.Event()
    sign = "?" if connection.vendor == "sqlite" else "%s"
    with closing(_open(url)) as at_work:

        def work() -> None:
            nonlocal acknowledged
            while not stop.wait(0.01):
                code = f"shelf {acknowledged}"
                at_work.execute(f"INSERT INTO stockroom_place (code, note) VALUES ({sign}, '')", (code,))
                at_work.commit()
                acknowledged += 1

        worker = threading.Thread(target=work)
        worker.start()
        try:
            while acknowledged < 50:
                stop.wait(0.01)
            before = acknowledged
            assert manage(url, media, "backup", str(tmp_path / "backup.zip")).returncode == 0
        finally:
            stop.set()
            worker.join()
    with zipfile.ZipFile(tmp_path / "backup.zip") as archive:
        rows = [json.loads(line) for line in archive.read("tables/stockroom.Place.jsonl").splitlines()]
    found = {row["fields"]["code"] for row in rows}
    assert {f"shelf {number}" for number in range(before)} <= found


def _open(url: str) -> Any:
    """The shop's database, as another program writes to it."""
    if connection.vendor == "sqlite":
        file = sqlite3.connect(unquote(urlparse(url).path), timeout=20, check_same_thread=False)
        file.execute("PRAGMA journal_mode=WAL")
        return file
    return psycopg.connect(url)
