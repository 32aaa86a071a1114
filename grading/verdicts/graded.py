"""What stands of a grade before the public and on paper: the one place that gathers its figures.

A grade keeps the values that it rests on as they were judged, so page and certificate print those, whatever has been
read, corrected or learnt of the tester since. What claims no figure, faults and noise, comes from the grade's readings.
"""

from __future__ import annotations

from grading.metrology.quantities import FAULTS, Quantity, claimed_at, numbers_of
from grading.models import Grade
from grading.verdicts.pure.graded import GradedSection, GradedValue
from grading.verdicts.pure.grades import faults_of
from grading.verdicts.repeats import Repeats, by_section
from grading.verdicts.values import Bench, Value, spoken_by

# What `sections_as_graded` reads of a grade: to be prefetched where there are many.
PREFETCHED = ("readings__test_point__section__type", "readings__shift")


def sections_as_graded(grade: Grade, bench: Bench | None = None) -> tuple[GradedSection, ...]:
    """Every section of the valve, in order, with every quantity that was recorded of it."""
    measured = [Value.read(row) for row in grade.measured]
    return tuple(
        _section(repeats, [value for value in measured if value.section == section], bench or Bench())
        for section, repeats in by_section(grade.readings.all()).items()
    )


def graded_values(measured: list[Value]) -> dict[Quantity, GradedValue]:
    return {
        Quantity(value.quantity): GradedValue(value.value, value.expanded_uncertainty, value.readings, value.nominal)
        for value in measured
    }


def _section(repeats: Repeats, measured: list[Value], bench: Bench) -> GradedSection:
    section = repeats.latest.test_point.section
    values = graded_values(measured)
    if repeats.values(Quantity.EMISSION):
        record = bench.record(repeats.latest.shift.tester_id, repeats.latest.taken_at)
        emission = spoken_by(repeats, Quantity.EMISSION, record, None)
        values[Quantity.EMISSION] = GradedValue(emission.value, readings=emission.readings)
    faults = {quantity: max(read, key=abs) for quantity in FAULTS if (read := repeats.values(quantity))}
    looked_for = {quantity.short for quantity in faults} | ({"noise"} if repeats.noise else set())
    possible = faults_of(section.kind, section.type.cathode == "indirect")
    recorded = {quantity for reading in repeats.readings for quantity in numbers_of(reading)}
    return GradedSection(
        section=section.number,
        values={quantity: values[quantity] for quantity in Quantity if quantity in values},
        faults=faults,
        noise=repeats.noise,
        shorts=f"shorted {repeats.short.short_between}".strip() if repeats.short else "none",
        untested=tuple(fault for fault in possible if fault not in looked_for),
        unused=frozenset(recorded & set(claimed_at(repeats.latest.test_point)) - values.keys()),
    )
