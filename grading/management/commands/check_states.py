"""Compare the stored state of every valve and lot with what its records say, and name each that disagrees; then name
each record that breaks a rule of the shop (`grading.valves.rules`)."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import Any, NamedTuple

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction
from django.db.models import Sum
from django.db.models.functions import Coalesce

from grading.valves.rules import broken_rules
from grading.verdicts.states import refresh, true_states
from stockroom.models import Entry, Lot, Valve
from stockroom.models.goods import pieces_of_line
from stockroom.site.chunks import CHUNK, chunked
from stockroom.states import State, lot_state
from stockroom.tally import refresh_lots


class Disagreement(NamedTuple):
    of: Valve | Lot
    stored: str
    true: State

    def __str__(self) -> str:
        return f"{self.of._meta.verbose_name} {self.of} is stored as {self.stored}; its records say {self.true}"


def disagreements() -> Iterator[Disagreement]:
    """Valves first, then lots; a lot is judged by the true states of its valves, not by the stored ones."""
    counts: dict[int, Counter[State]] = defaultdict(Counter)
    for keys in chunked(list(Valve.objects.order_by("pk").values_list("pk", flat=True))):
        valves = list(Valve.objects.filter(pk__in=keys).select_related("line").order_by("serial"))
        states = true_states(valves)
        for valve in valves:
            true = states[valve.pk]
            counts[valve.line.lot_id][true] += 1
            if valve.state != true:
                yield Disagreement(valve, valve.state, true)
    lots = Lot.objects.annotate(pieces=Coalesce(Sum(pieces_of_line("lines__")), 0))
    for lot in lots.order_by("number").iterator(CHUNK):
        true = lot_state(counts[lot.pk], in_bulk=lot.pieces - counts[lot.pk].total())
        if lot.state != true:
            yield Disagreement(lot, lot.state, true)


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--repair", action="store_true", help="store what the records say")

    def handle(self, *args: Any, **options: Any) -> None:
        with transaction.atomic():
            found, broken = list(disagreements()), list(broken_rules())
            if options["repair"]:
                self._repair(found)
        for one in [*found, *broken]:
            self.stdout.write(f"{one}.")
        if found and options["repair"]:
            self.stdout.write(f"{len(found)} repaired.")
        elif found:
            raise CommandError(f"{len(found)} stored states disagree with the records. --repair stores the true ones.")
        if broken:
            raise CommandError(f"{len(broken)} records break a rule; what to do stands beside each.")
        if not found:
            self.stdout.write(f"The states of {Valve.objects.count()} valves and {Lot.objects.count()} lots agree.")

    def _repair(self, found: list[Disagreement]) -> None:
        refresh([one.of.pk for one in found if isinstance(one.of, Valve)])
        refresh_lots([one.of.pk for one in found if isinstance(one.of, Lot)])
        for one in found:
            about = {"valve": one.of, "lot": one.of.line.lot} if isinstance(one.of, Valve) else {"lot": one.of}
            Entry.write(None, "state-repaired", f"State put right: {one}.", **about)
