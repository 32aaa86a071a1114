"""Everything the shop has recorded, in open forms: one CSV file a table, and a manifest that says what they hold.

CSV is RFC 4180's in UTF-8. `manifest.json` is metadata in the vocabulary of the W3C Recommendation "Metadata
Vocabulary for Tabular Data" (17 December 2015): the type of each column, keys, and which column refers to which table.

An empty cell is an empty text; `\\N` is no value at all. A text that a spreadsheet would run as a formula gets a
backslash in front, and so does one that begins with a backslash (`stockroom.files.cells`). JSON stays as it is.
Uploaded files lie in `files/`, and their cell holds the path. Photographs go in on request: they can be many gigabytes.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import IO, Any, NamedTuple

from django.apps import apps
from django.conf import settings
from django.contrib.auth.models import Group, User
from django.db import connection, models, transaction
from django.utils import timezone

from stockroom.files.cells import defused
from stockroom.models import Photograph, Shop

NULL = "\\N"
MANIFEST = "manifest.json"
CHUNK = 2000
KEPT_BACK: dict[type[models.Model], frozenset[str]] = {User: frozenset({"password"})}

# By the field's class; the nearest ancestor that stands here says it.
DATATYPES: dict[type[models.Field], str] = {
    models.BooleanField: "boolean",
    models.IntegerField: "integer",
    models.AutoField: "integer",
    models.FloatField: "double",
    models.DecimalField: "decimal",
    models.DateTimeField: "dateTimeStamp",
    models.DateField: "date",
    models.JSONField: "json",
    models.Field: "string",
}


# What is written, how many tables are before it, and how many there are.
Tell = Callable[[str, int, int], None]


class ExportSummary(NamedTuple):
    tables: int
    rows: int
    files: int
    missing: list[str]  # photographs whose file is not where it should be


def exported_models() -> list[type[models.Model]]:
    """Ours, with the tables that hold who belongs to what, in the order of their names."""
    ours = [
        model
        for config in apps.get_app_configs()
        if Path(config.path).is_relative_to(settings.BASE_DIR) and "site-packages" not in Path(config.path).parts
        for model in config.get_models(include_auto_created=True)
        if model._meta.managed and not model._meta.proxy
    ]
    people: list[type[models.Model]] = [User, Group, User.groups.through]
    return sorted([*ours, *people], key=lambda model: model._meta.db_table)


def export(out: IO[bytes], *, photographs: bool = False, tell: Tell | None = None) -> ExportSummary:
    """Write the archive to `out`, all of it as it stood at one moment; `tell` hears each table before it is written."""
    tables: list[dict[str, Any]] = []
    files = 0
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        with _one_moment():
            when = timezone.now()
            for number, model in enumerate(exported_models()):
                if tell is not None:
                    tell(str(model._meta.verbose_name_plural), number, len(exported_models()))
                described, written = _write_table(archive, model)
                tables.append(described)
                files += written
            missing = []
            for photograph in Photograph.objects.order_by("pk") if photographs else ():
                if photograph.original.exists():
                    name = f"photographs/{photograph.original.name}"
                    archive.write(photograph.original, name, compress_type=zipfile.ZIP_STORED)
                    files += 1
                else:
                    missing.append(photograph.original.name)
            manifest = _manifest(tables, when, photographs, missing)
        archive.writestr(MANIFEST, json.dumps(manifest, indent=1, ensure_ascii=False))
    return ExportSummary(len(tables), sum(table["notes"][0]["rows"] for table in tables), files, missing)


@contextmanager
def _one_moment() -> Iterator[None]:
    """One transaction that sees nothing of what others write meanwhile, and keeps nobody from writing."""
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "sqlite":
        # Django would take the write lock here, by settings.DATABASES: others could not write until all is read.
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")
    else:
        with transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield


class _Counted(io.RawIOBase):
    """Passes bytes on and takes their digest."""

    def __init__(self, out: IO[bytes]) -> None:
        self.out, self.digest = out, hashlib.sha256()

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.digest.update(data)
        return self.out.write(data)


def _fields(model: type[models.Model]) -> list[models.Field]:
    kept_back = KEPT_BACK.get(model, frozenset())
    return [field for field in model._meta.concrete_fields if field.name not in kept_back]


def _write_table(archive: zipfile.ZipFile, model: type[models.Model]) -> tuple[dict[str, Any], int]:
    """The table's own description, and how many files hung on its rows."""
    fields = _fields(model)
    names = [field.attname for field in fields]
    url = f"{model._meta.db_table}.csv"
    rows = 0
    hung: list[tuple[str, str, Any]] = []
    with archive.open(url, "w", force_zip64=True) as member:
        counted = _Counted(member)
        text = io.TextIOWrapper(io.BufferedWriter(counted), "utf-8", newline="")
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow(names)
        for values in model._base_manager.order_by("pk").values_list(*map(_asked, fields)).iterator(CHUNK):
            cells = []
            for value, field in zip(values, fields, strict=True):
                if isinstance(field, models.BinaryField) and value is not None:
                    hung.append((f"files/{model._meta.db_table}/{field.attname}-{value}", field.attname, value))
                    cells.append(hung[-1][0])
                else:
                    cells.append(_cell(value, field))
            writer.writerow(cells)
            rows += 1
        text.flush()
        digest = counted.digest.hexdigest()
    for path, name, key in hung:
        archive.writestr(path, bytes(model._base_manager.values_list(name, flat=True).get(pk=key)))
    return _described(model, fields, url, rows, digest), len(hung)


def _asked(field: models.Field) -> Any:
    """The value of a column; of a file only the key of its row, so that one file at a time is held."""
    if isinstance(field, models.BinaryField):
        return models.Case(models.When(**{f"{field.name}__isnull": False, "then": models.F("pk")}))
    return field.attname


def _cell(value: Any, field: models.Field) -> str:
    if value is None:
        return NULL
    if isinstance(field, models.JSONField):
        return json.dumps(value, ensure_ascii=False, sort_keys=True)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return f"{value:f}"
    return defused(value) if isinstance(value, str) else str(value)


def _described(
    model: type[models.Model], fields: list[models.Field], url: str, rows: int, digest: str
) -> dict[str, Any]:
    known = {other._meta.db_table for other in exported_models()}
    schema: dict[str, Any] = {
        "columns": [
            {
                "name": field.attname,
                "titles": field.attname,
                "datatype": _datatype(field),
                "required": not field.null,
                "dc:description": _about(field),
            }
            for field in fields
        ],
        "primaryKey": model._meta.pk.attname,
        "foreignKeys": [
            {
                "columnReference": field.attname,
                "reference": {
                    "resource": f"{target._meta.db_table}.csv",
                    "columnReference": field.target_field.attname,
                },
            }
            for field in fields
            if isinstance(field, models.ForeignKey) and (target := field.target_field.model)._meta.db_table in known
        ],
    }
    return {
        "url": url,
        "dc:title": str(model._meta.verbose_name_plural),
        "dc:description": _first_line(model),
        "tableSchema": schema,
        "notes": [{"rows": rows, "sha256": digest}],
    }


def _datatype(field: models.Field) -> str:
    while isinstance(field, models.ForeignKey):
        field = field.target_field
    return next(DATATYPES[kind] for kind in type(field).__mro__ if kind in DATATYPES)


def _about(field: models.Field) -> str:
    """Its name and help, and what its codes stand for."""
    codes = "; ".join(f"{code} = {label}" for code, label in field.flatchoices if str(code) != str(label))
    about = [str(field.verbose_name), str(field.help_text), codes]
    if isinstance(field, models.BinaryField):
        about.append("the path of the file in this archive")
    return ". ".join(filter(None, about))


def _first_line(model: type[models.Model]) -> str:
    """The first sentence of what the code says of it; what Django writes there by itself says nothing."""
    text = (model.__doc__ or "").strip()
    return "" if text.startswith(f"{model.__name__}(") else text.split("\n\n")[0].replace("\n    ", " ")


def _manifest(tables: list[dict[str, Any]], when: datetime, photographs: bool, missing: list[str]) -> dict[str, Any]:
    about = [
        "One CSV file a table. \\N stands for no value. A text that a spreadsheet would run as a formula, and one that "
        "begins with a backslash, has one backslash more in front, which is to be taken away.",
        "Moments are in UTC. Electrical values carry their unit in the column's name, money its currency beside it.",
        "Passwords and sessions are left out.",
        "Photographs lie in photographs/, each by its SHA-256." if photographs else "Photographs are left out.",
    ]
    if missing:
        about.append(f"These photographs are recorded, but their files were not found: {', '.join(missing)}.")
    shop = Shop.objects.first()  # not `own`, which would make one in a transaction that only reads
    return {
        "@context": "http://www.w3.org/ns/csvw",
        "dc:title": f"Everything recorded by {shop.name if shop else 'the shop'}",
        "dc:created": when.astimezone(UTC).isoformat(),
        "dc:description": about,
        "dialect": {"encoding": "utf-8", "delimiter": ",", "quoteChar": '"', "doubleQuote": True, "header": True},
        "null": NULL,
        "tables": tables,
    }
