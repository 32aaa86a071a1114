"""Write everything the shop has recorded to one zip archive of CSV files with a manifest."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from stockroom.export.writing import export


class Command(BaseCommand):
    help = __doc__ or ""

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", nargs="?", type=Path, help="everything-DATE.zip in this folder when not given")
        parser.add_argument("--photographs", action="store_true", help="take the original photographs along")

    def handle(self, *args: Any, **options: Any) -> None:
        target: Path = options["file"] or Path(f"everything-{timezone.localdate():%Y-%m-%d}.zip")
        part = target.with_name(f"{target.name}.part")
        if target.exists():
            raise CommandError(f"{target} is there already. Give another name.")
        try:
            with part.open("wb") as out:
                summary = export(out, photographs=options["photographs"])
            part.replace(target)
        except OSError as problem:
            raise CommandError(f"{target} cannot be written: {problem}.") from problem
        finally:
            part.unlink(missing_ok=True)
        self.stdout.write(f"{target}: {summary.tables} tables, {summary.rows} rows, {summary.files} files.")
        for name in summary.missing:
            self.stderr.write(f"The file of photograph {name} was not found.")
