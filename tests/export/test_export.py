"""Everything in open forms: read back from the archive alone, it is what the database holds."""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
import stat
import zipfile
from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import connection, models
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from grading.models import Grade, Reading
from stockroom.export import archives
from stockroom.export.writing import NULL, export, exported_models
from stockroom.jobs import worker
from stockroom.marks import identity
from stockroom.marks.identity import MarksSeen
from stockroom.models import Customer, Entry, Job, Line, LotFile, Photograph, Shop, Supplier, Valve
from stockroom.receiving.list_layout import receive
from stockroom.site.people import Role
from tests.factories import graded, make_line, make_policy, make_supplier, make_type, make_user, make_valve

pytestmark = pytest.mark.django_db

LIST = "Type;Qty\n12AX7;5\n".encode("utf-8-sig")


class Archive:
    """The archive as somebody reads it who has the manifest and nothing else."""

    def __init__(self, data: bytes) -> None:
        self.zip = zipfile.ZipFile(io.BytesIO(data))
        self.manifest = json.loads(self.zip.read("manifest.json"))
        self.tables = {table["url"]: table for table in self.manifest["tables"]}

    def rows(self, url: str) -> list[dict[str, Any]]:
        columns = self.tables[url]["tableSchema"]["columns"]
        text = self.zip.read(url).decode(self.manifest["dialect"]["encoding"])
        heading, *records = csv.reader(io.StringIO(text, newline=""))
        assert heading == [column["titles"] for column in columns]
        return [
            {column["name"]: self.value(cell, column["datatype"]) for cell, column in zip(record, columns, strict=True)}
            for record in records
        ]

    def value(self, cell: str, datatype: str) -> Any:
        if cell == self.manifest["null"]:
            return None
        read: dict[str, Callable[[str], Any]] = {
            "integer": int,
            "double": float,
            "decimal": Decimal,
            "json": json.loads,
            "date": date.fromisoformat,
            "boolean": {"true": True, "false": False}.__getitem__,
            "dateTimeStamp": datetime.fromisoformat,
            "string": lambda text: text.removeprefix("\\"),
        }
        return read[datatype](cell)


def archive(**options: Any) -> Archive:
    out = io.BytesIO()
    export(out, **options)
    return Archive(out.getvalue())


@pytest.fixture
def shop(db: None) -> Valve:
    """A graded and identified valve, and texts that are hard on CSV."""
    by = make_user("rowan", Role.RECEIVING)
    make_policy()
    supplier = make_supplier('Ferncastle, "Old" Stock')
    supplier.note = "two\r\nlines; with ; and , and \t\n"
    supplier.contact = "\\N"
    supplier.save()
    valve = make_valve(line=make_line(make_type(), 2, note="=1+1 π é \\"))
    graded(valve, ia=1.23, gm=1.6)
    identity.record(valve, MarksSeen(code="118", features={"glass": "clear"}, condition={"print": "worn"}), by)
    receive(valve.line.lot, "list.csv", LIST, by)
    return valve


def test_every_table_read_back_is_what_the_database_holds(shop: Valve) -> None:
    read = archive()
    assert set(read.tables) == {f"{model._meta.db_table}.csv" for model in exported_models()}
    for model in exported_models():
        names = [column["name"] for column in read.tables[f"{model._meta.db_table}.csv"]["tableSchema"]["columns"]]
        there = list(model._base_manager.order_by("pk").values(*names))
        if model is LotFile:
            for row in there:
                row["data"] = f"files/stockroom_lotfile/data-{row['id']}"
        assert read.rows(f"{model._meta.db_table}.csv") == there, model
    assert read.rows("stockroom_supplier.csv") and read.rows("grading_reading.csv") and read.rows("grading_grade.csv")


def test_every_model_of_ours_goes_in_and_none_is_forgotten(db: None) -> None:
    ours = {
        model
        for label in ("catalog", "stockroom", "grading")
        for model in apps.get_app_config(label).get_models(include_auto_created=True)
    }
    assert ours <= set(exported_models())
    assert {Reading, Grade, Grade.readings.through, Line, Customer} <= ours


def test_nothing_and_an_empty_text_are_told_apart(shop: Valve) -> None:
    (line,) = archive().rows("stockroom_line.csv")
    assert line["maker_id"] is None
    (supplier,) = [row for row in archive().rows("stockroom_supplier.csv") if row["name"].startswith("Fern")]
    assert (supplier["contact"], supplier["country"]) == (NULL, "")


def test_no_text_is_a_formula_to_a_spreadsheet_and_a_number_stays_one(shop: Valve) -> None:
    Supplier.objects.create(name="=cmd|' /C calc'!A0", contact="+44 20 7946 0000", note="-5", country="@x")
    read = archive()
    raw = list(csv.reader(io.StringIO(read.zip.read("stockroom_supplier.csv").decode(), newline="")))
    columns = dict(zip(raw[0], raw[-1], strict=True))
    assert columns["name"] == "\\=cmd|' /C calc'!A0" and columns["contact"] == "\\+44 20 7946 0000"
    assert (columns["note"], columns["country"]) == ("-5", "\\@x")
    for name in (name for name in read.zip.namelist() if name.endswith(".csv") and not name.startswith("files/")):
        for row in csv.reader(io.StringIO(read.zip.read(name).decode(), newline="")):
            assert not [
                cell for cell in row if cell[:1] in tuple("=+-@\t\r") and not cell[1:].replace(".", "").isdigit()
            ]


def test_the_manifest_names_types_keys_and_what_refers_to_what(shop: Valve) -> None:
    read = archive()
    assert read.manifest["@context"] == "http://www.w3.org/ns/csvw"
    for url, table in read.tables.items():
        schema = table["tableSchema"]
        columns = {column["name"]: column for column in schema["columns"]}
        assert schema["primaryKey"] in columns
        rows = read.rows(url)
        for name, column in columns.items():
            assert not column["required"] or all(row[name] is not None for row in rows)
        for key in schema["foreignKeys"]:
            target = key["reference"]
            there = {row[target["columnReference"]] for row in read.rows(target["resource"])}
            assert {row[key["columnReference"]] for row in rows} - {None} <= there
        assert table["notes"] == [{"rows": len(rows), "sha256": hashlib.sha256(read.zip.read(url)).hexdigest()}]
    valve = read.tables["stockroom_valve.csv"]
    references = {key["columnReference"]: key["reference"]["resource"] for key in valve["tableSchema"]["foreignKeys"]}
    assert references["type_id"] == "catalog_valvetype.csv"
    condition = next(
        one for one in read.tables["stockroom_line.csv"]["tableSchema"]["columns"] if one["name"] == "condition"
    )
    assert "nos-boxed = NOS boxed" in condition["dc:description"]


def test_files_that_suppliers_sent_lie_in_the_archive(shop: Valve) -> None:
    read = archive()
    assert read.zip.read(read.rows("stockroom_lotfile.csv")[0]["data"]) == LIST


def test_no_password_and_no_session_goes_out(shop: Valve, logged_in: Callable[..., Client]) -> None:
    logged_in(Role.OWNER)
    read = archive()
    assert all("password" not in row for row in read.rows("auth_user.csv")) and read.rows("auth_user.csv")
    everything = b"".join(read.zip.read(name) for name in read.zip.namelist())
    assert b"pbkdf2_" not in everything and b"django_session" not in everything


def test_original_photographs_go_along_on_request_and_a_lost_one_is_named(
    shop: Valve, settings: Any, tmp_path: Path
) -> None:
    settings.MEDIA_ROOT = tmp_path
    kept, lost = (Photograph.objects.create(sha256=digit * 64, kind="JPEG", size_bytes=3) for digit in "ab")
    kept.original.parent.mkdir(parents=True)
    kept.original.write_bytes(b"one")
    assert not any(name.startswith("photographs/") for name in archive().zip.namelist())
    read = archive(photographs=True)
    assert read.zip.read(f"photographs/{kept.original.name}") == b"one"
    assert any(lost.original.name in about for about in read.manifest["dc:description"])


@pytest.fixture
def media(settings: Any, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path / "media"
    return tmp_path / "media" / "exports"


def test_it_is_written_behind_the_pages_and_downloaded_by_the_owner(
    shop: Valve, media: Path, logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.OWNER)
    address = reverse("export")
    assert "Export everything" in client.get(address).content.decode() and not Job.objects.exists()
    client.post(address)
    client.post(address)
    job = Job.objects.get()
    assert "waits for its turn" in client.get(address).content.decode() and not Entry.objects.filter(action="exported")
    worker.work_off()
    page = client.get(address).content.decode()
    assert "Download the archive" in page and f"/export/{job.pk}/" in page
    answer: Any = client.get(f"/export/{job.pk}/")
    assert answer["Content-Disposition"].startswith('attachment; filename="everything-')
    assert Archive(b"".join(answer.streaming_content)).rows("stockroom_valve.csv")[0]["serial"] == shop.serial
    assert Entry.objects.get(action="exported").by == job.made_by
    assert [stat.S_IMODE(file.stat().st_mode) for file in media.iterdir()] == [0o600]
    assert logged_in(Role.SALES).get(f"/export/{job.pk}/").status_code == 403


def test_the_next_archive_takes_the_place_of_the_last_and_a_broken_one_leaves_nothing(
    shop: Valve, media: Path, monkeypatch: pytest.MonkeyPatch, logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.OWNER)
    by = client.get("/").wsgi_request.user
    first = archives.start(by)
    worker.work_off()
    (media / "part-of-a-killed-worker").write_bytes(b"half")
    second = archives.start(by)
    with monkeypatch.context() as full:
        full.setattr(archives, "export", lambda *args, **how: (_ for _ in ()).throw(OSError(errno.ENOSPC, "full")))
        worker.work_off()
    assert [file.name for file in media.iterdir()] == [f"everything-{timezone.localdate()}-{first.pk}.zip"]
    Job.objects.update(not_before=None)
    worker.work_off()
    assert [file.name for file in media.iterdir()] == [f"everything-{timezone.localdate()}-{second.pk}.zip"]
    assert client.get(f"/export/{first.pk}/").status_code == 404


def test_the_command_writes_a_file_and_never_over_another(shop: Valve, tmp_path: Path) -> None:
    target = tmp_path / "all.zip"
    call_command("export", target, verbosity=0)
    assert Archive(target.read_bytes()).rows("stockroom_valve.csv")
    with pytest.raises(CommandError, match="is there already"):
        call_command("export", target)
    with pytest.raises(CommandError, match="cannot be written"):
        call_command("export", tmp_path / "nowhere" / "all.zip")
    assert [one.name for one in tmp_path.iterdir()] == ["all.zip"]


@pytest.mark.django_db(transaction=True)
def test_it_is_written_in_a_transaction_of_its_own_that_only_reads() -> None:
    supplier = Supplier.objects.create(name="Ferncastle")
    with CaptureQueriesContext(connection) as queries:
        assert archive().rows("stockroom_supplier.csv")[0]["id"] == supplier.pk
    assert not Shop.objects.exists()
    begun = {"sqlite": "BEGIN DEFERRED", "postgresql": "SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"}
    said = [query["sql"] for query in queries]
    assert begun[connection.vendor] in said and "BEGIN IMMEDIATE" not in said
    Supplier.objects.create(name="and the next writes again")


def test_every_kind_of_field_has_a_type_of_its_own() -> None:
    from stockroom.export.writing import _datatype

    kinds = {_datatype(field) for model in exported_models() for field in model._meta.concrete_fields}
    assert {"integer", "double", "decimal", "boolean", "dateTimeStamp", "date", "json", "string"} == kinds
    assert _datatype(Supplier._meta.get_field("name")) == "string"
    assert isinstance(Valve._meta.get_field("line"), models.ForeignKey)
