"""Office says how old the last backup is, and Today asks the owner for one when it is old or missing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.utils import timezone

from stockroom.models import Entry
from stockroom.site import backups
from stockroom.site.people import Role
from tests.factories import make_lot

pytestmark = pytest.mark.django_db


def backed_up(days_ago: int) -> None:
    Entry.objects.create(action=backups.ACTION, text="Backed up", at=timezone.now() - timedelta(days=days_ago))


def pages(client: Client) -> tuple[str, str]:
    return client.get("/office/").content.decode(), client.get("/").content.decode()


def test_a_shop_with_goods_and_no_backup_is_asked_for_one(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    assert "Back up" not in pages(client)[1]  # there is nothing to lose yet
    make_lot()
    office, today = pages(client)
    assert "There is no backup yet." in office and "which has no backup yet" in today


def test_an_old_backup_is_nagged_about_and_a_fresh_one_is_not(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    make_lot()
    backed_up(9)
    office, today = pages(client)
    assert "9 days ago" in office and "last backed up 9 days ago" in today
    backed_up(0)
    office, today = pages(client)
    assert ", today." in office and "Back up" not in today


@pytest.mark.django_db(transaction=True)
def test_the_command_is_what_they_go_by(tmp_path: Path) -> None:
    call_command("backup", str(tmp_path / "backup.zip"), verbosity=0)
    last = backups.last_backup()
    assert last is not None and timezone.now() - last < timedelta(minutes=10)


def test_the_last_backup_is_found_by_an_index_however_long_the_daybook() -> None:
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET enable_seqscan = off")  # the planner would read a table so small as this
    plan = Entry.objects.filter(action=backups.ACTION).order_by("-at").values_list("at", flat=True)[:1].explain()
    assert "stockroom_entry_action" in plan


def test_what_sqlite_has_acknowledged_survives_a_power_cut() -> None:
    """FULL is 2: SQLite's documentation, PRAGMA synchronous. PostgreSQL's synchronous_commit is on by itself."""
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA synchronous" if connection.vendor == "sqlite" else "SHOW synchronous_commit")
        assert cursor.fetchone()[0] in (2, "on")
