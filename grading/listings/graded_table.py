"""The public's table of readings: every value as it was graded, and what nobody tested."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from grading.metrology.quantities import FAULTS, Quantity, claimed_at
from grading.models import Grade
from grading.testers.readings_table import OwnColumn, ReadingsTable, laid_out
from grading.verdicts.graded import sections_as_graded
from grading.verdicts.pure.graded import NOT_TESTED, GradedSection
from grading.verdicts.values import Bench
from stockroom.pure.written import NOT_MEASURED

NOT_GRADED = "read, not graded"


class GradedRow(NamedTuple):
    grade: Grade
    section: GradedSection
    claimed: tuple[Quantity, ...]  # what a section of its kind is graded by


def graded_table(grades: Sequence[Grade]) -> ReadingsTable:
    """One section a row; a quantity has a column where a section is graded by it or it was read of any.

    Prefetch `grading.verdicts.graded.PREFETCHED`.
    """
    bench = Bench()
    rows = [
        GradedRow(grade, section, claimed_at(points[section.section]))
        for grade in grades
        for points in [{r.section: r.test_point for r in grade.readings.all()}]
        for section in sections_as_graded(grade, bench)
    ]
    columns = [
        OwnColumn("Serial", lambda row: row.grade.valve.serial, "serial", once=True),
        OwnColumn("Marked maker", lambda row: row.grade.valve.maker or NOT_MEASURED, once=True),
        OwnColumn("Grade", lambda row: row.grade, once=True),
        OwnColumn("n:Section", lambda row: row.section.section),
    ]
    for quantity in _in_figures(rows):
        columns.append(OwnColumn(f"n:{quantity.column}", _value(quantity)))
        if quantity.claims:
            columns.append(OwnColumn("n:of nominal", _share(quantity)))
    columns.append(OwnColumn("n:Readings", lambda row: row.section.averaged))
    columns += [OwnColumn(f"n:{fault.column}", _fault(fault)) for fault in _possible(rows)]
    columns.append(OwnColumn("Noise", lambda row: row.section.heard))
    columns.append(OwnColumn("Shorts", lambda row: row.section.shorts))
    return laid_out(rows, "Readings as graded", columns, group=lambda row: row.grade.pk)


def _in_figures(rows: Sequence[GradedRow]) -> list[Quantity]:
    """What any section is graded by, and what else was read and has a figure."""
    wanted = {quantity for row in rows for quantity in (*row.claimed, *row.section.values)}
    return [quantity for quantity in Quantity if quantity in wanted]


def _possible(rows: Sequence[GradedRow]) -> list[Quantity]:
    """The faults that any section was or could have been tested for."""
    return [one for one in FAULTS if any(one in r.section.faults or one.short in r.section.untested for r in rows)]


def _value(quantity: Quantity) -> Callable[[GradedRow], str]:
    def write(row: GradedRow) -> str:
        value = row.section.values.get(quantity)
        if value is not None:
            return str(value)
        if quantity in row.section.unused:
            return NOT_GRADED
        return NOT_TESTED if quantity in row.claimed else NOT_MEASURED

    return write


def _share(quantity: Quantity) -> Callable[[GradedRow], str]:
    """ "92 % of 1.2": of what the grade compared it with."""

    def write(row: GradedRow) -> str:
        value = row.section.values.get(quantity)
        return f"{value.share} of {quantity.amount(value.nominal)}" if value and value.nominal else NOT_MEASURED

    return write


def _fault(quantity: Quantity) -> Callable[[GradedRow], str]:
    return lambda row: row.section.fault(quantity)
