"""Try by simulation, with many draws, what is printed and decided; fail when a promise is not kept."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from grading.proof import promised


class Command(BaseCommand):
    help = "Coverage of every ±, false acceptance on the tolerance and acceptance well inside, with so many draws."
    requires_system_checks = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--times", type=int, default=16, help="how many times the draws that run with the tests")
        parser.add_argument("--only", default="", metavar="WORDS", help="the cases whose names have these words")

    def handle(self, *args: Any, **options: Any) -> None:
        broken = []
        tried = [case for case in promised.cases(options["times"]) if options["only"] in case.name]
        for case in tried:
            found = case.compute()
            kept = case.low <= found <= case.high
            bounds = f"{100 * case.low:.1f} to {100 * case.high:.2f} %"
            self.stdout.write(f"{'kept  ' if kept else 'BROKEN'} {100 * found:6.2f} %  ({bounds})  {case.name}")
            self.stdout.flush()
            if not kept:
                broken.append(case.name)
        if broken:
            raise CommandError(f"Not kept: {'; '.join(broken)}.")
        self.stdout.write(f"{len(tried)} promises kept.")
