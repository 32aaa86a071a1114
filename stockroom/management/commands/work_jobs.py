"""Do the jobs that wait: `manage.py work_jobs`, or `--watch` to go on as they come.

`manage.py serve` does so too; any number of workers may run at once.
"""

from __future__ import annotations

import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from stockroom.jobs import worker
from stockroom.jobs.kinds import Lane
from stockroom.models import JobState


class Command(BaseCommand):
    help = __doc__ or ""

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--watch", action="store_true", help="Go on as jobs come, until interrupted.")
        parser.add_argument("--lane", action="append", choices=list(Lane), help="Only jobs of this lane.")

    def handle(self, *args: Any, watch: bool, lane: list[str] | None, **options: Any) -> None:
        lanes = [Lane(name) for name in lane or ()]
        if watch:
            stop = threading.Event()
            for sign in (signal.SIGINT, signal.SIGTERM):
                signal.signal(sign, lambda *_: stop.set())
            worker.work_forever(stop, lanes)
            return
        if not lanes or Lane.RECORDS in lanes:
            worker.do_chores()
        ended = worker.work_off(lanes)
        self.stdout.write(f"{ended[JobState.DONE]} done, {ended[JobState.FAILED]} failed.")
        if ended[JobState.WAITING]:
            raise CommandError(f"{ended[JobState.WAITING]} could not be done and are tried again later; see the log.")
