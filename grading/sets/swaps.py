"""Change a set of a run by hand, and see what that costs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from django.db import transaction

from grading import matching
from grading.models import MatchRun
from grading.sets.making import Pool
from grading.sets.runs import Ask, Found, found_sets, save_sets
from grading.verdicts.values import Value
from stockroom.models import Valve
from stockroom.pure.refused import Refused

OFFERED = 8
LOOKED_AT = 60  # of the valves that fit, the closest; each is judged in full


class CannotChange(Refused):
    """The set cannot be changed so. The message says why."""


class Swap(NamedTuple):
    """A set changed by hand, what else it costs, and the whole run's value before and after."""

    in_: Valve
    changed: Found
    robbed: int | None  # the place of the set that lost a valve by it and is no more
    before: float
    after: float

    @property
    def loss(self) -> float:
        return self.before - self.after


class SwapTable(NamedTuple):
    """A run's sets beside the stock as it is now."""

    found: Sequence[Found]
    ask: Ask
    stock: Pool
    pieces: dict[int, matching.Piece]

    @classmethod
    def of(cls, run: MatchRun) -> SwapTable:
        ask = Ask.read(run.ask)
        stock = ask.pool(run.type)
        return cls(found_sets(run), ask, stock, {int(str(piece.key)): piece for piece in stock.pieces})

    def members(self, place: int) -> list[tuple[Valve, tuple[Value, ...]]]:
        """The valves of a set with their readings, those that are still free."""
        stock = self.stock
        return [(stock.valves[key], stock.rows[key]) for key in self.found[place].valve_ids if key in stock.valves]

    def swap(self, place: int, out: Valve, in_: Valve) -> Swap:
        """Set `place` with `in_` where `out` was; nothing is kept.

        Raises:
            CannotChange: the valve is not there to be changed, or the set is then within no tier.
        """
        found = self.found
        if not 0 <= place < len(found) or out.pk not in found[place].valve_ids:
            raise CannotChange(f"{out} is not in that set.")
        if found[place].taken:
            raise CannotChange(f"That set has been made as {found[place].taken}. Break it up there.")
        if in_.pk in found[place].valve_ids:
            raise CannotChange(f"{in_} is in that set already.")
        members = [in_.pk if key == out.pk else key for key in found[place].valve_ids]
        missing = [key for key in members if key not in self.pieces]
        if missing:
            raise CannotChange(f"{in_ if in_.pk in missing else out.type} is not a free graded valve of this pool.")
        verdict = matching.judge_set(
            [self.pieces[key] for key in members], self.ask.as_tiers(), self.ask.as_rules(self.stock.sections)
        )
        if verdict.tier is None:
            raise CannotChange(f"With {in_} the set is none: {'; '.join(verdict.faults)}.")
        robbed = next((n for n, other in enumerate(found) if n != place and in_.pk in other.valve_ids), None)
        if robbed is not None and found[robbed].taken:
            raise CannotChange(f"{in_} is in {found[robbed].taken}, which has been made.")
        changed = Found(tuple(members), verdict.spread, verdict.tier, verdict.value)
        before = sum(other.value for other in found)
        lost = found[robbed].value if robbed is not None else 0.0
        return Swap(in_, changed, robbed, before, before - found[place].value + verdict.value - lost)

    def replacements(self, place: int, out: Valve) -> list[Swap]:
        """Valves that could go in where `out` is, the least loss first, then the tightest set; `OFFERED` at most."""
        rest = [key for key in self.found[place].valve_ids if key != out.pk]
        if any(key not in self.pieces for key in rest):
            return []
        others = [self.pieces[key] for key in rest]
        widest = max(percent for _, percent, _ in self.ask.tiers) / 100
        near = sorted(
            (worst, key)
            for key, piece in self.pieces.items()
            if key != out.pk and key not in rest and (worst := max(matching.spread([*others, piece]))) <= widest
        )
        free = {key for _, key in near} - {key for one in self.found for key in one.valve_ids}
        near.sort(key=lambda pair: pair[1] not in free)
        fitting = []
        for _, key in near[:LOOKED_AT]:
            try:
                fitting.append(self.swap(place, out, self.stock.valves[key]))
            except CannotChange:
                continue  # it fits in its readings, but not in maker, date or whatever else the run asks for
        return sorted(fitting, key=lambda change: (change.loss, change.changed.worst))[:OFFERED]


@transaction.atomic
def save_swap(run: MatchRun, place: int, out: Valve, in_: Valve) -> Swap:
    """As `SwapTable.swap`, and the run's sets are changed accordingly."""
    run = MatchRun.objects.select_for_update(no_key=True, of=("self",)).select_related("job").get(pk=run.pk)
    table = SwapTable.of(run)
    change = table.swap(place, out, in_)
    found = [change.changed if number == place else other for number, other in enumerate(table.found)]
    save_sets(run, [other for number, other in enumerate(found) if number != change.robbed])
    return change
