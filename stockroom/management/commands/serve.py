"""Serve the shop to the machines in the house."""

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from stockroom.jobs import worker
from stockroom.site.serving import answer_by_own_names, serve


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="0.0.0.0 to be reached from the house's network")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, **options: Any) -> None:
        names = ", ".join(answer_by_own_names(options["host"]))
        self.stdout.write(f"The shop is at http://{options['host']}:{options['port']}/ (stop it with Ctrl-C)")
        self.stdout.write(f"It answers to {names}; ALLOWED_HOSTS may name others.")
        serve(options["host"], options["port"], worker.by_lane())
