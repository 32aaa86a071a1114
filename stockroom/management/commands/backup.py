"""Back up the whole shop, photographs included, into one file. The shop may be in use meanwhile.

The secret key that signs certificates is not in it: whoever finds the backup cannot sign. Keep a copy of KEY_ROOT
(var/keys) elsewhere, or begin a new key after a restore (Office, Keys of certificates): old signatures count on.
"""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from stockroom.export.backup import back_up
from stockroom.models import Entry
from stockroom.site.backups import ACTION


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", nargs="?", type=Path, help="backup-DATE.zip in this folder when not given")

    def handle(self, *args: Any, **options: Any) -> None:
        now = timezone.now()
        target: Path = options["file"] or Path(f"backup-{timezone.localtime(now):%Y-%m-%d-%H%M}.zip")
        if target.exists():
            raise CommandError(f"{target} is there already. Give another name.")
        part = target.with_name(f"{target.name}.part")
        try:
            with part.open("wb") as out:
                summary = back_up(out, now)
            part.replace(target)
        except OSError as problem:
            raise CommandError(f"{target} cannot be written: {problem}.") from problem
        finally:
            part.unlink(missing_ok=True)
        text = f"Backed up: {summary.tables} tables, {summary.rows} rows, {summary.files} files."
        Entry.write(None, ACTION, text)
        self.stdout.write(f"{target}: {text}")
        if any(settings.KEY_ROOT.glob("*.pem")):
            self.stdout.write(f"Not in it: the secret key that signs certificates, in {settings.KEY_ROOT}.")
