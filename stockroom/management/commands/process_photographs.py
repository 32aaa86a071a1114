"""Make ready the photographs that wait: `manage.py process_photographs`, or `--watch` to go on as they come."""

from __future__ import annotations

import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from stockroom.photographs import storing


class Command(BaseCommand):
    help = "Make the copies of photographs that wait. More than one may run at once."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--watch", action="store_true", help="Go on as photographs come, until interrupted.")
        parser.add_argument("--again", action="store_true", help="First put what was refused back in the queue.")

    def handle(self, *args: Any, watch: bool, again: bool, **options: Any) -> None:
        if again:
            self.stdout.write(f"{storing.process_again()} back in the queue.")
        if watch:
            stop = threading.Event()
            for sign in (signal.SIGINT, signal.SIGTERM):
                signal.signal(sign, lambda *_: stop.set())
            storing.work_forever(stop)
            return
        done = storing.process_waiting()
        self.stdout.write(f"{done.ready} ready, {done.refused} refused.")
        if done.failed:
            raise CommandError(f"{done.failed} could not be prepared and are tried again later; the log says why.")
