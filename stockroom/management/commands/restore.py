"""Put a backup into an empty database, and prove it equal to what was backed up.

Name a new database in DATABASE_URL (a new file, for SQLite), run this, then serve the shop from it. The old file, and
the -wal and -shm files beside it, stay as they are: never copy a database file over another whose log lies beside it.
"""

from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser

from stockroom.export.backup import BackupRefused, restore
from stockroom.pure.written import moment


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("migrate", verbosity=0)
        try:
            with options["file"].open("rb") as source:
                summary = restore(source)
        except (BackupRefused, OSError) as problem:
            raise CommandError(str(problem)) from problem
        self.stdout.write(
            f"Restored as of {moment(summary.taken_at)} UTC: {summary.tables} tables, {summary.rows} rows, "
            f"{summary.files} files. Counts and digests of every table are equal."
        )
