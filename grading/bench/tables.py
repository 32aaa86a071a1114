"""The bench's tables: what a section should read, what this shift and others read of it, what a file brings."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from django.urls import reverse
from django.utils.html import format_html

from grading.bench.forms import SectionReadingForm
from grading.bench.readings import Tested
from grading.bench.readings_import import ReadingsPreview
from grading.metrology.quantities import CLAIMING, Quantity
from grading.models import Reading
from grading.testers.conditions import read_at
from grading.testers.readings_table import (
    SECTION,
    WHEN,
    OwnColumn,
    ReadingsTable,
    readings_table,
    valve_link,
)
from stockroom.pure.written import NOT_MEASURED, plain


def nominals(forms: Sequence[SectionReadingForm]) -> ReadingsTable:
    """What the sheet says of each section that is to be read: nominals with their limits, mu and ra."""
    given = [quantity for quantity in CLAIMING if any(quantity.limits(form.point)[0] is not None for form in forms)]
    columns = [OwnColumn(f"n:{quantity.column}", partial(_nominal, quantity)) for quantity in given]
    columns += [
        OwnColumn("n:mu", lambda form: plain(form.point.mu)),
        OwnColumn("n:ra, kΩ", lambda form: plain(form.point.anode_resistance_kohm)),
    ]
    if any(form.point.load_note for form in forms):
        columns.append(OwnColumn("Load", lambda form: form.point.load_note))
    section = OwnColumn("n:Section", lambda form: form.section.number)
    return readings_table(forms, "Nominal", reading_of=lambda form: None, before=[section, *columns])


def _nominal(quantity: Quantity, form: SectionReadingForm) -> str:
    """The nominal, and beneath it the sheet's own limits where it has any."""
    nominal, least, most = (quantity.amount(value) for value in quantity.limits(form.point))
    if least == most == NOT_MEASURED:
        return nominal
    return format_html('{}<br><span class="soft">{} to {}</span>', nominal, least, most)


def this_shift(tested: Sequence[Tested]) -> ReadingsTable:
    """The last valves of the shift; one whose readings were all withdrawn has a row without any."""
    return readings_table(
        [(one, reading) for one in tested for reading in (*one.readings,) or (None,)],
        "This shift",
        reading_of=lambda row: row[1],
        before=[
            OwnColumn("Serial", lambda row: valve_link(row[0].valve), once=True),
            OwnColumn("Type", lambda row: row[0].valve.type, once=True),
            OwnColumn("Grade", lambda row: (row[1] and row[0].grade) or NOT_MEASURED, once=True),
            OwnColumn("n:Section", lambda row: row[1].section if row[1] else ""),
        ],
        after=[OwnColumn("", lambda row: _correct_link(row[1]) if row[1] else "reading withdrawn")],
        group=lambda row: row[0].valve.pk,
    )


def _correct_link(reading: Reading) -> str:
    return format_html('<a href="{}?from=bench">Correct</a>', reverse("reading-correct", args=[reading.pk]))


def read_before(readings: Sequence[Reading]) -> ReadingsTable:
    return readings_table(readings, "Read before", before=[WHEN, SECTION], after=[OwnColumn("Tester", _on, "what")])


def _on(reading: Reading) -> str:
    """The tester, and its settings where they are its own."""
    setting = read_at(reading)
    at = f"{setting.in_words}, its own settings" if setting.differs else reading.test_point.name
    return format_html('{}<br><span class="soft">{}</span>', reading.shift.tester, at)


def as_written(reading: Reading) -> ReadingsTable:
    """The one that is to be corrected."""
    return readings_table([reading], "As it was written down", before=[SECTION], shorts=True, remarks=True)


def to_import(preview: ReadingsPreview) -> ReadingsTable:
    """Every reading that a file would bring."""
    return readings_table(
        preview.planned,
        "Readings of the file",
        reading_of=lambda planned: planned.reading(),
        before=[
            OwnColumn("n:Row", lambda planned: planned.row.row),
            OwnColumn("Serial", lambda planned: planned.row.serial, "serial"),
            OwnColumn("Type", lambda planned: planned.valve.type),
            OwnColumn("n:Section", lambda planned: planned.section),
            OwnColumn("Test point", lambda planned: planned.test_point.name),
        ],
        remarks=True,
    )
