"""A backup of the whole shop in one file, taken while it is in use, and its way back.

The file is a zip archive: every row of every table as one line of JSON in Django's own serialisation, the photographs
and other uploaded files, and a manifest with the number of rows and the SHA-256 of each table. All tables are read in
one moment, so a backup taken in the middle of the work is whole. It can be restored into either database.

A plain copy of an open SQLite file is no backup: the last changes lie in the write-ahead log beside it.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, NamedTuple

from django.apps import apps
from django.conf import settings
from django.contrib.auth.models import Permission
from django.contrib.contenttypes.models import ContentType
from django.contrib.sessions.models import Session
from django.core import serializers
from django.core.management.color import no_style
from django.db import connection, models, transaction
from django.db.migrations.recorder import MigrationRecorder

from stockroom.pure.refused import Refused

FORMAT = "shop backup 1"
MANIFEST, TABLES, FILES = "manifest.json", "tables", "files"
CHUNK = 1000
#: Made anew by `migrate`, or of no worth in another database. Jobs are kept: a run of the matcher has its question in
#: one, and what waited is still to be done; one that was at work is taken up again.
LEFT_OUT = (ContentType, Permission, Session)


class BackupRefused(Refused):
    """The backup cannot be taken or put back. The message says why."""


class BackupSummary(NamedTuple):
    tables: int
    rows: int
    files: int
    taken_at: datetime


def backed_up_models() -> list[type[models.Model]]:
    """Every table that is ours to keep, those that others refer to first."""
    ours = [config for config in apps.get_app_configs() if any(True for _ in config.get_models())]
    ordered = serializers.sort_dependencies([(config, None) for config in ours], allow_cycles=True)
    return [model for model in ordered if model not in LEFT_OUT and model._meta.managed and not model._meta.proxy]


def back_up(out: IO[bytes], now: datetime) -> BackupSummary:
    """Write the backup; the shop may go on meanwhile."""
    tables: dict[str, dict[str, Any]] = {}
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        with _one_moment():
            for model in backed_up_models():
                tables[model._meta.label] = _write_table(archive, model)
            migrations = sorted(map(list, MigrationRecorder(connection).applied_migrations()))
        files = _write_files(archive)
        manifest = {
            "format": FORMAT,
            "taken_at": now.astimezone(UTC).isoformat(),
            "migrations": migrations,
            "tables": tables,
            "files": files,
        }
        archive.writestr(MANIFEST, json.dumps(manifest, indent=1))
    return BackupSummary(len(tables), sum(table["rows"] for table in tables.values()), len(files), now)


@contextmanager
def _one_moment() -> Iterator[None]:
    """All that is read inside is of one moment. On SQLite a transaction that only reads sees one state of the log."""
    if connection.vendor == "sqlite":
        connection.ensure_connection()
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")
        return
    with transaction.atomic(durable=True):
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        yield


def _lines(model: type[models.Model]) -> Iterator[bytes]:
    """Each row of a table as a line of JSON, by primary key."""
    rows = model._base_manager.order_by("pk").iterator(chunk_size=CHUNK)
    for row in rows:
        yield serializers.serialize("json", [row])[1:-1].encode() + b"\n"


def _write_table(archive: zipfile.ZipFile, model: type[models.Model]) -> dict[str, Any]:
    digest, count = hashlib.sha256(), 0
    with archive.open(f"{TABLES}/{model._meta.label}.jsonl", "w", force_zip64=True) as file:
        for line in _lines(model):
            file.write(line)
            digest.update(line)
            count += 1
    return {"rows": count, "sha256": digest.hexdigest()}


def _write_files(archive: zipfile.ZipFile) -> dict[str, str]:
    """Uploaded files by their path below MEDIA_ROOT, with their SHA-256. Photographs are compressed already."""
    root, found = Path(settings.MEDIA_ROOT), {}
    for path in sorted(root.rglob("*")) if root.exists() else []:
        if path.is_file() and not path.name.startswith("part-"):
            data = path.read_bytes()
            name = path.relative_to(root).as_posix()
            archive.writestr(f"{FILES}/{name}", data, compress_type=zipfile.ZIP_STORED)
            found[name] = hashlib.sha256(data).hexdigest()
    return found


def read_manifest(archive: zipfile.ZipFile) -> dict[str, Any]:
    """Raises BackupRefused: this is no backup of ours, or of a version that this program does not know."""
    try:
        manifest = json.loads(archive.read(MANIFEST))
    except (KeyError, ValueError) as wrong:
        raise BackupRefused("This file is no backup of a shop: it has no manifest that can be read.") from wrong
    if manifest.get("format") != FORMAT:
        raise BackupRefused(f"This file is of the form “{manifest.get('format')}”; this program reads “{FORMAT}”.")
    return dict(manifest)


def restore(source: IO[bytes]) -> BackupSummary:
    """Put a backup into an empty, migrated database, and prove every table equal to what was backed up.

    Raises:
        BackupRefused: it is no backup, the database is in use, the backup is newer than the program, or a table or a
            file came back different. Then nothing is changed in the database.
    """
    try:
        archive = zipfile.ZipFile(source)
    except zipfile.BadZipFile as wrong:
        raise BackupRefused("This file is no backup of a shop: it is no zip archive, or it is damaged.") from wrong
    with archive:
        manifest = read_manifest(archive)
        _check_migrations(manifest)
        labels = set(manifest["tables"])
        known = {model._meta.label: model for model in backed_up_models()}
        if strange := sorted(labels - set(known)):
            raise BackupRefused(f"The backup has tables that this program does not know: {', '.join(strange)}.")
        with transaction.atomic():
            _empty(known.values())
            for label, model in known.items():
                if label in labels:
                    _read_table(archive, model)
            _reset_sequences(list(known.values()))
            _prove(manifest, known)
        _read_files(archive, manifest["files"])
    rows = sum(table["rows"] for table in manifest["tables"].values())
    return BackupSummary(len(labels), rows, len(manifest["files"]), datetime.fromisoformat(manifest["taken_at"]))


def _check_migrations(manifest: dict[str, Any]) -> None:
    here = set(map(tuple, MigrationRecorder(connection).applied_migrations()))
    there = {tuple(row) for row in manifest["migrations"]}
    if there != here:
        newer = ", ".join(f"{app} {name}" for app, name in sorted(there - here)) or "none"
        older = ", ".join(f"{app} {name}" for app, name in sorted(here - there)) or "none"
        raise BackupRefused(
            "The backup was taken by another version of the program. Restore it with that version, then bring it up to "
            f"date. Its tables have, and these have not: {newer}; these have, and its have not: {older}."
        )


def is_in_use() -> bool:
    """Whether somebody has put anything of their own into this database."""
    return any(
        model._base_manager.exists()
        for model in backed_up_models()
        if model._meta.app_label in {"stockroom", "grading"} and model._meta.label not in {"stockroom.Shop"}
    )


def _empty(known: Any) -> None:
    """Only what `migrate` itself has put there: `restore` is never let loose on a shop in use."""
    if is_in_use():
        raise BackupRefused("This database is in use. Restore into an empty one.")
    for model in reversed(list(known)):
        model._base_manager.all().delete()


def _read_table(archive: zipfile.ZipFile, model: type[models.Model]) -> None:
    with archive.open(f"{TABLES}/{model._meta.label}.jsonl") as file:
        for line in file:
            for row in serializers.deserialize("json", f"[{line.decode()}]"):
                row.save(force_insert=True)


def _reset_sequences(known: list[type[models.Model]]) -> None:
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), known):
            cursor.execute(statement)


def _prove(manifest: dict[str, Any], known: dict[str, type[models.Model]]) -> None:
    for label, declared in manifest["tables"].items():
        digest, count = hashlib.sha256(), 0
        for line in _lines(known[label]):
            digest.update(line)
            count += 1
        if (count, digest.hexdigest()) != (declared["rows"], declared["sha256"]):
            raise BackupRefused(f"{label} came back with {count} rows of {declared['rows']}, or with other content.")


def _read_files(archive: zipfile.ZipFile, files: dict[str, str]) -> None:
    root = Path(settings.MEDIA_ROOT)
    for name, sha256 in files.items():
        target = (root / name).resolve()
        if not target.is_relative_to(root.resolve()):
            raise BackupRefused(f"The backup holds a file whose path leads elsewhere: {name}")
        data = archive.read(f"{FILES}/{name}")
        if hashlib.sha256(data).hexdigest() != sha256:
            raise BackupRefused(f"The file {name} is damaged in the backup.")
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
