"""The answer to a position: every candidate in its table, with what is in house of it; and one candidate in full."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

from catalog.fitting import candidates, sheet_of
from catalog.models import KeptPosition, ValveType
from catalog.physics.advice import advise, assumed_position
from catalog.physics.answers import Advice
from catalog.physics.curves import Residual
from catalog.physics.findings import Level
from catalog.physics.pins import best_order
from catalog.physics.positions import Position
from catalog.physics.sheets import TypeSheet
from grading.models import Grade
from grading.sockets.pure.curve_plot import CurvePlot, curve_plot
from grading.sockets.pure.wording import Effect, effects
from grading.sockets.stock import NOTHING, Near, StockInHouse, in_stock, nearest, with_readings
from grading.verdicts.values import Value
from stockroom.models import Valve

SIZES = (2, 4)


class Row(NamedTuple):
    type: ValveType
    advice: Advice
    stock: StockInHouse

    @property
    def decisive(self) -> list[str]:
        """What puts it in its table."""
        least = max(Level.CHANGE, min(self.advice.level, Level.UNKNOWN))
        return [reason.text for reason in self.advice.reasons if reason.level >= least]

    @property
    def notes(self) -> str:
        """Good to know where it goes in; a "no" needs no more than its reasons."""
        if not self.advice.usable:
            return ""
        return "; ".join(reason.text for reason in self.advice.reasons if reason.level < Level.CHANGE)


class Answered(NamedTuple):
    """The rows of each table: in stock first, then by how little there is to say against them."""

    position: Position
    made_for: ValveType
    drops_in: list[Row]
    with_change: list[Row]
    by_adapter: list[Row]  # with a change, on another base, and none in house
    does_not: list[Row]
    cannot_say: list[Row]
    unless: list[Row]


def answer(position: Position, made_for: ValveType) -> Answered:
    """Needs `made_for` with its rows. Every type of its kind: on the base, and what an adapter would bring to it."""
    told = candidates(position, made_for)
    stock = in_stock([type_.pk for type_, _ in told])
    rows = [Row(type_, advice, stock.get(type_.pk, NOTHING)) for type_, advice in told]
    rows.sort(key=lambda row: row.stock.total == 0)
    tables: dict[Level, list[Row]] = {level: [] for level in Level}
    for row in rows:
        tables[row.advice.level].append(row)
    return Answered(
        position,
        made_for,
        tables[Level.NOTE],
        [row for row in tables[Level.CHANGE] if row.stock.total or not row.advice.by_adapter],
        [row for row in tables[Level.CHANGE] if not row.stock.total and row.advice.by_adapter],
        tables[Level.NO],
        tables[Level.UNKNOWN],
        tables[Level.UNLESS],
    )


class InFull(NamedTuple):
    """One candidate: the sentence, its margins, what a meter shows, the curves, and what is in house."""

    type: ValveType
    made_for: ValveType
    advice: Advice
    effects: list[Effect]
    plot: CurvePlot | None
    residuals: tuple[Residual, ...]
    stock: StockInHouse
    nearest: list[Near]
    valve: Valve | None

    @property
    def question(self) -> str:
        return f"Does {self.valve or f'the {self.type}'} go where the {self.made_for} was?"


def in_full(position: Position, made_for: ValveType, other: ValveType, valve: Valve | None = None) -> InFull:
    """Both types with all their rows. A valve of the other type is judged by its own readings where it has them."""
    original, sheet = sheet_of(made_for), sheet_of(other)
    judged = _own_sheet(sheet, valve) if valve else sheet
    advice = advise(position, original, judged)
    swap = best_order(original, sheet)
    section = swap.order[position.section - 1] + 1 if swap else 1
    heat = sheet.sections[section - 1].ratings.get("anode_dissipation_max_w")
    fitted = judged.sections[section - 1].fitted
    described = advice.after.position if advice.after else None
    return InFull(
        other,
        made_for,
        advice,
        effects(advice),
        curve_plot(advice, made_for.designation, heat),
        fitted.residuals if fitted else (),
        in_stock([other.pk]).get(other.pk, NOTHING),
        [found for size in SIZES if described and (found := nearest(other, sheet, section, described, size))],
        valve,
    )


def _own_sheet(sheet: TypeSheet, valve: Valve) -> TypeSheet:
    grade = Grade.objects.filter(valve=valve, current=True).first()
    if grade is None:
        return sheet
    values = [Value.read(row) for row in grade.measured]
    sections = [
        with_readings(section, n, values) or section if section.similar_kind in ("triode", "pentode") else section
        for n, section in enumerate(sheet.sections, start=1)
    ]
    return replace(sheet, sections=tuple(sections))


class Sentence(NamedTuple):
    """The answer for one position in which the first type is used."""

    where: str
    kept: KeptPosition | None
    advice: Advice


def sentences(made_for: ValveType, other: ValveType, kept: Iterable[KeptPosition]) -> list[Sentence]:
    """By the sheets alone, then for each position that is kept of this type."""
    original, sheet = sheet_of(made_for), sheet_of(other)
    alone = Sentence("By the sheets alone", None, advise(assumed_position(original), original, sheet))
    return [alone, *(Sentence(str(one), one, advise(one.position, original, sheet)) for one in kept)]
