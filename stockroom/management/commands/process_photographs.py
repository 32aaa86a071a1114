"""Make ready the photographs that wait, in this process; `manage.py work_jobs` does so with every other job."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from stockroom.photographs import storing


class Command(BaseCommand):
    help = "Make the copies of photographs that wait. More than one may run at once."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--again", action="store_true", help="First put what was refused back in the queue.")

    def handle(self, *args: Any, again: bool, **options: Any) -> None:
        if again:
            self.stdout.write(f"{storing.process_again()} back in the queue.")
        done = storing.process_waiting()
        self.stdout.write(f"{done.ready} ready, {done.refused} refused.")
        if done.failed:
            raise CommandError(f"{done.failed} could not be prepared and are tried again later; the log says why.")
