"""Show that the socket adviser is right and quick: random positions, sheets' typical operation, and its time.

`--positions 10000` solves so many random circuits and positions and says how well Kirchhoff's laws hold at the answers.
"""

from statistics import median
from time import process_time
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from catalog.physics.advice import advise
from catalog.physics.proof import try_positions
from catalog.physics.typical import compare
from catalog.reference.files import read_reference
from catalog.reference.positions import read_positions
from catalog.reference.sheets import sheets_of

FIXTURES = settings.BASE_DIR / "fixtures"


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--positions", type=int, default=1000, help="random positions to solve")

    def handle(self, *args: Any, **options: Any) -> None:
        self.reference = read_reference(FIXTURES)
        self.sheets = sheets_of(self.reference)
        self._curves()
        self._typical()
        self._quickness()
        self._random(options["positions"])

    def _curves(self) -> None:
        fitted = [
            found
            for sheet in self.sheets.values()
            for section in sheet.sections
            if section.similar_kind in ("triode", "pentode") and (found := section.fitted)
        ]
        refused = sum(not one.usable for one in fitted)
        self.stdout.write(
            f"Curves: {len(fitted)} sections fitted, worst of current, conductance or amplification on average "
            f"{100 * sum(one.worst for one in fitted) / len(fitted):.1f} %; {refused} refused."
        )

    def _typical(self) -> None:
        rows = [
            row
            for valve in self.reference.types.values()
            for application in valve.applications
            for row in compare(self.sheets[valve.designation], application.name, application, application.source)
        ]
        self.stdout.write(f"\nTypical operation: {len({row.designation for row in rows})} types.")
        for row in rows:
            self.stdout.write(
                f"  {row.designation:10} {row.name:28} {row.quantity:18} sheet {row.sheet:8.3g}  reckoned "
                f"{row.reckoned:8.3g}  {row.off_percent:+6.1f} %  {row.source}"
            )
        for quantity in dict.fromkeys(row.quantity for row in rows):
            off = [abs(row.off_percent) for row in rows if row.quantity == quantity]
            self.stdout.write(f"  {quantity}: {len(off)} rows, median {median(off):.1f} %, most {max(off):.0f} %.")

    def _quickness(self) -> None:
        self.stdout.write("\nTime for a hundred candidates, in seconds of the processor:")
        for example in read_positions(FIXTURES, self.reference):
            original = self.sheets[example.position.made_for]
            kinds = sorted(section.similar_kind for section in original.sections)
            others = [s for s in self.sheets.values() if sorted(x.similar_kind for x in s.sections) == kinds]
            began = process_time()
            for other in others:
                advise(example.position, original, other, in_full=False)
            each = 100 * (process_time() - began) / len(others)
            self.stdout.write(f"  {each:.2f}  {example.name} ({len(others)} candidates)")

    def _random(self, count: int) -> None:
        curves = [
            found.curve
            for sheet in self.sheets.values()
            for section in sheet.sections
            if section.similar_kind in ("triode", "pentode") and (found := section.fitted) and found.usable
        ]
        tried = try_positions(count, curves)
        self.stdout.write(
            f"\n{count} random positions: {tried.solved} solved, {tried.cannot_work} said to be cut off or to want "
            f"grid current, {len(tried.failures)} failures; Kirchhoff's laws missed by {tried.worst_miss:.1g} at most."
        )
        if tried.failures:
            raise CommandError("\n".join(tried.failures))
