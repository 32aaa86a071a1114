"""Try what is forecast of offered lots on many invented shops; fail when a promise is not kept."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from grading.buying.pure import trial
from stockroom.pure.written import percent

LEAST, MOST = 0.75, 0.85


class Command(BaseCommand):
    help = "How often the 80 % intervals hold what came, how wide they are, and what buying by the forecast gains."
    requires_system_checks = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--shops", type=int, default=600, help="invented shops, each offered three lots")
        parser.add_argument("--seed", type=int, default=1)

    def handle(self, *args: Any, **options: Any) -> None:
        tried = trial.try_shops(options["shops"], 3, seed=options["seed"], draws=600)
        broken = []
        self.stdout.write(f"{len(tried)} offers to {options['shops']} invented shops.\n\nHeld by the 80 % interval")
        for row in trial.coverage(tried):
            whole = row.what.startswith("months")  # whole months, cut at the horizon: held oftener by their nature
            kept = LEAST <= row.share <= (1 if whole else MOST)
            bounds = f"{percent(LEAST, 0)} or more" if whole else f"{percent(LEAST, 0)} to {percent(MOST, 0)}"
            self._say(kept, f"{percent(row.share):>7}  ({bounds})  {row.what}; mean width {percent(row.width, 0)}")
            if not kept:
                broken.append(row.what)
        for lots in sorted({one.lots_known for one in tried}):
            row = trial.coverage([one for one in tried if one.lots_known == lots])[0]
            self.stdout.write(
                f"        {percent(row.share):>7}  proceeds, shops that know {lots} lots; width {percent(row.width, 0)}"
            )
        self.stdout.write("\nGained above the return wanted, all offers together")
        rows = trial.gains(tried)
        for way in rows:
            self.stdout.write(f"{way.gain:12,.0f}  {way.way}; bought {way.bought}")
        best = max(rows[2:], key=lambda way: way.gain)
        promised = sum(one.look_promised for one in tried)
        self.stdout.write(f"{promised:12,.0f}  is what opening packs first promised to add")
        beats = rows[0].gain > best.gain
        self._say(beats, f"the forecast gains {rows[0].gain / best.gain:.2f} times the best {best.way}")
        if not beats:
            broken.append("the gain over the rule of thumb")
        if broken:
            raise CommandError(f"Not kept: {'; '.join(broken)}.")

    def _say(self, kept: bool, text: str) -> None:
        self.stdout.write(f"{'kept  ' if kept else 'BROKEN'} {text}")
