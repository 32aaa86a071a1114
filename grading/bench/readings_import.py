"""Taking a file of readings into the shop: all of it, or none.

- `look(data)`: a `ReadingsPreview`: every reading that would be kept, and every fault by row and column
- `take_in(preview, …)`: keep them as one batch and judge the valves; refuses a file that was taken in before
- `imported_before(data)`: the batch that holds this very file, if there is one

`grading.bench.pure.readings_file` reads the file; here its rows meet the valves, their sections and their test points.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.utils import timezone

from catalog.models import TestPoint
from grading.bench.pure.readings_file import ReadingRow, ReadingsProblem, parse
from grading.bench.pure.readings_header import QUANTITY_OF, ReadingColumn
from grading.bench.readings import BenchError, in_words, testable, why_not, why_unfit
from grading.metrology.plausible import doubt
from grading.metrology.units import MA_PER_V, TypedMark, Unit
from grading.models import Grade, ImportBatch, Reading, Shift, Tester
from grading.verdicts import judging
from stockroom.models import Entry, Valve
from stockroom.pure.written import fitted, moment
from stockroom.sealed import seals
from stockroom.site.chunks import chunked


class ReadingsImportedBefore(BenchError):
    """The same file, byte by byte, was taken in already."""


class CannotImport(BenchError):
    """The file has faults, or is in doubt and nobody said that it is right."""


class PlannedReading(NamedTuple):
    """One reading that would be kept."""

    row: ReadingRow
    valve: Valve
    test_point: TestPoint
    section: int

    def reading(self) -> Reading:
        row = self.row
        return Reading(
            valve=self.valve,
            section=self.section,
            test_point=self.test_point,
            **row.as_fields(),
        )


class ReadingsPreview(NamedTuple):
    sha256: str
    planned: tuple[PlannedReading, ...]
    problems: tuple[ReadingsProblem, ...]  # any of these, and nothing is taken
    doubts: tuple[ReadingsProblem, ...]  # believable only if somebody says so
    notes: tuple[str, ...]

    @property
    def valves(self) -> list[Valve]:
        return list({planned.valve.pk: planned.valve for planned in self.planned}.values())


def digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def imported_before(data: bytes) -> ImportBatch | None:
    return ImportBatch.objects.select_related("shift__operator").filter(sha256=digest(data)).first()


def refusal(batch: ImportBatch) -> str:
    when = timezone.localtime(batch.at)
    return (
        f"This very file was taken in on {moment(when)} by {batch.shift.operator}, as {batch.file_name}: "
        f"{batch.rows} readings. Nothing is taken twice."
    )


def look(data: bytes, *, mark: TypedMark | None = None, gm_unit: Unit = MA_PER_V) -> ReadingsPreview:
    """What taking the file in would do. Nothing is stored.

    Raises:
        NotReadings: it is no file of readings.
    """
    parsed = parse(data, mark=mark, gm_unit=gm_unit)
    valves = _valves({row.serial for row in parsed.rows})
    planned: list[PlannedReading] = []
    problems = list(parsed.problems)
    doubts: list[ReadingsProblem] = []
    for row in parsed.rows:
        found = _plan(row, valves.get(row.serial))
        if isinstance(found, ReadingsProblem):
            problems.append(found)
            continue
        planned.append(found)
        for problem, impossible in _doubts(found):
            (problems if impossible else doubts).append(problem)
    notes = [*parsed.notes, *_left_unread(planned)]
    return ReadingsPreview(digest(data), tuple(planned), tuple(sorted(problems)), tuple(sorted(doubts)), tuple(notes))


def _valves(serials: set[str]) -> dict[str, Valve]:
    found: dict[str, Valve] = {}
    ordered = sorted(serials)
    for start in range(0, len(ordered), 500):
        for valve in testable(Valve.objects.filter(serial__in=ordered[start : start + 500])):
            found[valve.serial] = valve
    return found


def _plan(row: ReadingRow, valve: Valve | None) -> PlannedReading | ReadingsProblem:
    def wrong(field: ReadingColumn, message: str) -> ReadingsProblem:
        return ReadingsProblem(row.row, row.columns.get(field, ""), message)

    if valve is None:
        return wrong(ReadingColumn.SERIAL, f"no valve has the serial {row.serial}.")
    if fault := why_not(valve):
        return wrong(ReadingColumn.SERIAL, fault)
    sections = {section.number: section for section in valve.type.test_sections}
    if row.section is None and len(sections) > 1:
        return wrong(
            ReadingColumn.SECTION,
            f"a {valve.type} has {len(sections)} sections, and the file does not say which this is.",
        )
    number = row.section or next(iter(sections))
    if number not in sections:
        return wrong(ReadingColumn.SECTION, f"a {valve.type} has no section {number} to test.")
    points = list(sections[number].test_points.all())
    named = [one for one in points if one.name.casefold() == row.point.casefold()]
    point = next(iter(named if row.point else points), None)
    if point is None:
        names = ", ".join(f"“{one.name}”" for one in points)
        return wrong(ReadingColumn.POINT, f"a {valve.type} has no test point “{row.point}”; it has {names}.")
    if sections[number].kind == "stabiliser":
        if row.anode_current_ma is not None or row.gm_ma_per_v is not None:
            field = ReadingColumn.GM if row.anode_current_ma is None else ReadingColumn.ANODE_CURRENT
            return wrong(field, f"a {valve.type} is a stabiliser: it is read in volts, in a column “voltage held”.")
        if not row.shorted and row.anode_voltage_v is None:
            return wrong(ReadingColumn.ANODE_VOLTAGE, "there is no voltage held.")
        return PlannedReading(row, valve, point, number)
    if row.anode_voltage_v is not None:
        return wrong(ReadingColumn.ANODE_VOLTAGE, f"a {valve.type} is no stabiliser: leave the voltage held empty.")
    if not row.shorted and row.anode_current_ma is None and row.gm_ma_per_v is None:
        return wrong(
            ReadingColumn.ANODE_CURRENT, "there is neither an anode current nor gm. Write 0 where none flowed."
        )
    if row.gm_ma_per_v is not None and point.gm_ma_per_v is None:
        return wrong(ReadingColumn.GM, f"a {valve.type} has no gm at its test point. Leave it empty.")
    return PlannedReading(row, valve, point, number)


def _doubts(planned: PlannedReading) -> Iterator[tuple[ReadingsProblem, bool]]:
    row, point = planned.row, planned.test_point
    for field, quantity in QUANTITY_OF.items():
        value, (nominal, _, _) = getattr(row, quantity), quantity.limits(point)
        found = None if value is None else doubt(quantity, value, nominal, row.units.get(field))
        if found:
            yield ReadingsProblem(row.row, row.columns.get(field, ""), found.message), found.impossible


def _left_unread(planned: list[PlannedReading]) -> Iterator[str]:
    """A note on the valves that will have no grade, because the file leaves out a section nobody has read."""
    read: dict[int, set[int]] = defaultdict(set)
    valves = {one.valve.pk: one.valve for one in planned}
    for one in planned:
        read[one.valve.pk].add(one.section)
    for keys in chunked(valves):
        for key, section in Reading.objects.standing().filter(valve__in=keys).values_list("valve", "section"):
            read[key].add(section)
    short = [valve for key, valve in valves.items() if {s.number for s in valve.type.test_sections} - read[key]]
    if short:
        some = ", ".join(valve.serial for valve in short[:5])
        more = f" and {len(short) - 5} more" if len(short) > 5 else ""
        yield f"Not graded yet, having a section unread: {some}{more}."


def take_in(
    preview: ReadingsPreview,
    *,
    file_name: str,
    tester: Tester,
    by: User,
    read_at: datetime | None = None,
    sure: bool = False,
) -> tuple[ImportBatch, Mapping[int, Grade]]:
    """Keep every reading of the preview in one transaction and judge the valves; returns the grades by valve.

    They belong to the person's live shift when that is at `tester`, else to a shift of their own.

    Args:
        read_at: when they were read; now when it is not said.
        sure: somebody said that the doubtful ones are what the tester read.

    Raises:
        CannotImport, ImportedBefore
    """
    if preview.problems:
        raise CannotImport(f"Nothing was taken in: {preview.problems[0]}")
    if preview.doubts and not sure:
        raise CannotImport(f"Nothing was taken in. Say whether this is what was read: {preview.doubts[0]}")
    when = read_at or timezone.now()
    with transaction.atomic():
        live = Shift.objects.running_for(by)
        shift = live if live and live.tester_id == tester.pk else None
        if shift is None:
            note = fitted(f"readings from {file_name}", 200)
            shift = Shift.objects.create(tester=tester, operator=by, started_at=when, ended_at=when, note=note)
        batch = _batch(preview, file_name, shift)
        readings: dict[int, list[Reading]] = defaultdict(list)
        for planned in preview.planned:
            reading = planned.reading()
            reading.shift, reading.batch, reading.taken_at = shift, batch, when
            readings[planned.valve.pk].append(reading)
        if fault := why_unfit(tester, [one for group in readings.values() for one in group]):
            raise CannotImport(f"Nothing was taken in: {fault}")
        Reading.objects.bulk_create([one for group in readings.values() for one in group], batch_size=200)
        try:
            for valve in preview.valves:
                seals.open_pack(valve, f"read at {tester}", by)
        except seals.PromisedSealed as promised:
            raise CannotImport(f"Nothing was taken in: {promised}") from promised
        grades = judging.by_policy_in_force(preview.valves, by)
        entries = []
        for valve in preview.valves:
            grade = f" {grades[valve.pk]}." if valve.pk in grades else ""
            text = f"Read from {batch.file_name}, {tester}: {in_words(readings[valve.pk])}.{grade}"
            entries.append(
                Entry(by=by, action="readings-imported", text=text, valve=valve, line=valve.line, lot=valve.line.lot)
            )
        Entry.objects.bulk_create(entries, batch_size=200)
    return batch, grades


def _batch(preview: ReadingsPreview, file_name: str, shift: Shift) -> ImportBatch:
    try:
        with transaction.atomic():
            return ImportBatch.objects.create(
                file_name=file_name[:200], sha256=preview.sha256, shift=shift, rows=len(preview.planned)
            )
    except IntegrityError:
        before = ImportBatch.objects.select_related("shift__operator").get(sha256=preview.sha256)
        raise ReadingsImportedBefore(refusal(before)) from None
