"""Make the demonstration shop, in a database of its own, and serve it.

Without DATABASE_URL the demonstration goes into var/demo.sqlite3, never into the shop's own database. A
database that somebody has begun to work in is refused and left as it is.
"""

from __future__ import annotations

import os
import secrets
import sys
from argparse import ArgumentTypeError
from datetime import date
from io import StringIO
from typing import Any
from urllib.parse import quote

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection
from django.utils import timezone

from grading import demo
from stockroom.models import Lot, Shop
from stockroom.site.people import Role
from stockroom.site.serving import is_this_machine_alone, serve

LARGEST = 1_000_000


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"“{text}” is not a day: write it as 2024-05-31") from None


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= LARGEST:
        raise ArgumentTypeError(f"“{text}” is not a number of valves from 1 to {LARGEST:,}")
    return int(text)


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--date", type=_day, help="the day that the demonstration ends on; today when not given")
        parser.add_argument("--valves", type=_count, help="add a lot of so many valves, tested and graded")
        parser.add_argument("--serve", action="store_true", help="serve the shop until Ctrl-C")
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)

    def run_from_argv(self, argv: list[str]) -> None:
        """Settings are read before a command runs, so the choice of database needs a fresh start."""
        if not os.environ.get("DATABASE_URL"):
            url = f"sqlite:///{quote(str(settings.VAR_DIR / 'demo.sqlite3'))}"
            apart = {"DATABASE_URL": url, "PHOTO_ROOT": str(settings.VAR_DIR / "demo-photographs")}
            os.execve(sys.executable, [sys.executable, *argv], {**apart, **os.environ, "DATABASE_URL": url})
        super().run_from_argv(argv)

    def handle(self, *args: Any, **options: Any) -> None:
        day = options["date"] or timezone.localdate()
        if self._somebody_works_here():
            raise CommandError(
                "This database is in use by a shop, so no demonstration was put into it and nothing was changed. "
                "Leave DATABASE_URL unset, or let it name an empty database."
            )
        for command in ("migrate", "load_types", "load_policy"):
            call_command(command, verbosity=0, stdout=StringIO())
        if demo.is_empty():
            demo.make(day)
            self.stdout.write("The demonstration shop is made.")
        else:
            self.stdout.write("The demonstration shop is there already.")
        if options["valves"]:
            lot = demo.add_valves(options["valves"], day)
            self.stdout.write(f"Lot {lot} has {options['valves']} valves more, tested and graded.")
        self._say_how_to_log_in(self._password_for(options))
        if options["serve"]:
            self._serve(options["host"], options["port"])

    def _somebody_works_here(self) -> bool:
        """Asked before the tables are brought up to date: a shop that is refused is not touched."""
        if Lot._meta.db_table not in connection.introspection.table_names():
            return False
        return not demo.is_demo() and not demo.is_empty()

    def _password_for(self, options: dict[str, Any]) -> str:
        """The printed password is known to anybody who reads the source: others in the house get one of their own."""
        if not options["serve"] or is_this_machine_alone(options["host"]):
            return demo.PASSWORD
        password = secrets.token_urlsafe(9)
        demo.set_password(password)
        return password

    def _say_how_to_log_in(self, password: str) -> None:
        roles = ", ".join(role.value for role in Role)
        self.stdout.write(f"{Shop.own()}. {demo.NOTICE}\nLogins: {roles}. Password of each: {password}")

    def _serve(self, host: str, port: int) -> None:
        from stockroom.jobs import worker

        self.stdout.write(f"The shop is at http://{host}:{port}/ (stop it with Ctrl-C)")
        self.stdout.flush()
        try:
            serve(host, port, worker.by_lane())
        except OSError as problem:
            raise CommandError(f"{host}:{port} cannot be served: {problem}. Try another --port.") from problem
