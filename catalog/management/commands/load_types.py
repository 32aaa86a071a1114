"""Load the valve types from fixtures/. Loading again updates what has changed."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from catalog.loading import load, load_positions
from catalog.reference.files import read_reference
from catalog.reference.positions import read_positions
from catalog.reference.rows import ReferenceProblem


class Command(BaseCommand):
    help = __doc__

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            reference = read_reference(settings.BASE_DIR / "fixtures")
            loaded = load(reference)
            load_positions(read_positions(settings.BASE_DIR / "fixtures", reference))
        except ReferenceProblem as problem:
            raise CommandError(str(problem)) from problem
        if options["verbosity"]:
            self.stdout.write(
                f"{loaded.types} types, {loaded.aliases} other designations, {loaded.test_points} test points."
            )
        for left in loaded.left:
            self.stdout.write(left)
