"""Taking a file of readings into the shop: all of it, or none.

`grading.bench.pure.readings_file` reads the rows; here they meet the valves, their sections and their test points.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import NamedTuple, cast

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.utils import timezone

from catalog.models import TestPoint
from grading.bench.forms import GM_UNITS
from grading.bench.pure.readings_file import ReadingRow, parse
from grading.bench.pure.readings_header import QUANTITY_OF, READINGS, ReadingColumn
from grading.bench.readings import in_words, testable, why_not, why_unfit
from grading.metrology.plausible import doubt
from grading.models import Grade, ImportBatch, Reading, ReadingsFile, Shift, Tester, TesterMapping
from grading.verdicts import judging, states
from stockroom.files.layouts import FileChoices, FileProblem, Layout
from stockroom.imports.keeping import ImportedBefore, ImportKind, NotReady
from stockroom.models import Entry, Valve
from stockroom.pure.written import fitted, moment
from stockroom.sealed import seals
from stockroom.site.chunks import chunked
from stockroom.site.locks import hold_valves


@dataclass(frozen=True)
class ReadingsChoices(FileChoices):
    """`gm_unit` is what gm is in where the file does not say."""

    gm_unit: str = "mA/V"


class TesterFiles(ImportKind[ReadingsFile]):
    headings = READINGS
    choices_class = ReadingsChoices

    def memory(self, file: ReadingsFile) -> TesterMapping:
        return TesterMapping.objects.filter(tester=file.tester).first() or TesterMapping(tester=file.tester)


READINGS_FILES = TesterFiles()


def receive(
    tester: Tester | None, read_on: date | None, name: str, data: bytes, by: User | None, gm_unit: str = "mA/V"
) -> ReadingsFile:
    """Keep the file for mapping. The same file of the same person, not yet imported, is taken up again.

    Raises:
        NotATable: it cannot be read as a table.
    """
    new = ReadingsFile(tester=tester, read_on=read_on, name=name, data=data, uploaded_by=by)
    file = READINGS_FILES.keep(new, ReadingsFile.objects.filter(uploaded_by=by))
    if file is not new:
        file.tester, file.read_on = tester, read_on
        file.choices = READINGS_FILES.first_choices(file).kept()
    file.choices["gm_unit"] = gm_unit
    file.save(update_fields=["tester", "read_on", "choices"])
    return file


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
    layout: Layout
    planned: tuple[PlannedReading, ...]
    problems: tuple[FileProblem, ...]  # any of these, and nothing is taken
    doubts: tuple[FileProblem, ...]  # believable only if somebody says so
    notes: tuple[str, ...]

    @property
    def ready(self) -> bool:
        """Doubts apart."""
        return bool(self.planned) and not self.problems

    @property
    def valves(self) -> list[Valve]:
        return list({planned.valve.pk: planned.valve for planned in self.planned}.values())


def imported_before(sha256: str) -> ImportBatch | None:
    return ImportBatch.objects.select_related("shift__operator").filter(sha256=sha256).first()


def refusal(batch: ImportBatch) -> str:
    when = timezone.localtime(batch.at)
    return (
        f"This very file was taken in on {moment(when)} by {batch.shift.operator}, as {batch.file_name}: "
        f"{batch.rows} readings. Nothing is taken twice."
    )


def look(file: ReadingsFile) -> ReadingsPreview:
    """What taking the file in would do. Nothing is stored."""
    layout = READINGS_FILES.layout(file)
    parsed = parse(layout, gm_unit=GM_UNITS[cast(ReadingsChoices, layout.choices).gm_unit])
    valves = _valves({row.serial for row in parsed.rows})
    planned: list[PlannedReading] = []
    problems = list(parsed.problems)
    doubts: list[FileProblem] = []
    for row in parsed.rows:
        found = _plan(row, valves.get(row.serial))
        if isinstance(found, FileProblem):
            problems.append(found)
            continue
        planned.append(found)
        for problem, impossible in _doubts(found):
            (problems if impossible else doubts).append(problem)
    notes = [*parsed.notes, *_left_unread(planned)]
    return ReadingsPreview(layout, tuple(planned), tuple(sorted(problems)), tuple(sorted(doubts)), tuple(notes))


def _valves(serials: set[str]) -> dict[str, Valve]:
    found: dict[str, Valve] = {}
    ordered = sorted(serials)
    for start in range(0, len(ordered), 500):
        for valve in testable(Valve.objects.filter(serial__in=ordered[start : start + 500])):
            found[valve.serial] = valve
    return found


def _plan(row: ReadingRow, valve: Valve | None) -> PlannedReading | FileProblem:
    def wrong(field: ReadingColumn, message: str) -> FileProblem:
        return FileProblem(row.row, row.columns.get(field, ""), message)

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


def _doubts(planned: PlannedReading) -> Iterator[tuple[FileProblem, bool]]:
    row, point = planned.row, planned.test_point
    for field, quantity in QUANTITY_OF.items():
        value, (nominal, _, _) = getattr(row, quantity), quantity.limits(point)
        found = None if value is None else doubt(quantity, value, nominal, row.units.get(field))
        if found:
            yield FileProblem(row.row, row.columns.get(field, ""), found.message), found.impossible


def _left_unread(planned: list[PlannedReading]) -> Iterator[str]:
    """A note on the valves that will have no grade, because the file leaves out a section nobody has read."""
    read: dict[int, set[int]] = defaultdict(set)
    valves = {one.valve.pk: one.valve for one in planned}
    for one in planned:
        read[one.valve.pk].add(one.section)
    for keys in chunked(valves):
        for key, section in Reading.objects.current().filter(valve__in=keys).values_list("valve", "section"):
            read[key].add(section)
    short = [valve for key, valve in valves.items() if {s.number for s in valve.type.test_sections} - read[key]]
    if short:
        some = ", ".join(valve.serial for valve in short[:5])
        more = f" and {len(short) - 5} more" if len(short) > 5 else ""
        yield f"Not graded yet, having a section unread: {some}{more}."


def take_in(
    file: ReadingsFile, by: User, *, sure: bool = False, judge: bool = True
) -> tuple[ImportBatch, Mapping[int, Grade]]:
    """Keep every reading of the file in one transaction and judge the valves; returns the grades by valve.

    They belong to the person's live shift when that is at the file's tester, else to a shift of their own.

    Args:
        sure: somebody said that the doubtful ones are what the tester read.
        judge: with no, the valves are left for who judges them afterwards, a piece at a time: so many that nobody
            could work while they are all held.

    Raises:
        NotReady: it has faults, or is in doubt and nobody said that it is right.
        ImportedBefore: the same file, byte by byte, was taken in already.
    """
    preview = look(file)  # before anything is locked: others go on meanwhile
    with transaction.atomic():
        file = READINGS_FILES.locked_as_read(file)
        _still_there(preview.valves)
        tester, when = file.tester, _moment(file.read_on)
        if tester is None or when is None:
            raise NotReady("Nothing was taken in: say at which tester and on which day it was read.")
        if preview.problems:
            raise NotReady(f"Nothing was taken in: {preview.problems[0]}")
        if preview.doubts and not sure:
            raise NotReady(f"Nothing was taken in. Say whether this is what was read: {preview.doubts[0]}")
        live = Shift.objects.running_for(by)
        shift = live if live and live.tester_id == tester.pk else None
        if shift is None:
            note = fitted(f"readings from {file}", 200)
            shift = Shift.objects.create(tester=tester, operator=by, started_at=when, ended_at=when, note=note)
        batch = _batch(file, len(preview.planned), shift)
        readings: dict[int, list[Reading]] = defaultdict(list)
        for planned in preview.planned:
            reading = planned.reading()
            reading.shift, reading.batch, reading.taken_at = shift, batch, when
            readings[planned.valve.pk].append(reading)
        if fault := why_unfit(tester, [one for group in readings.values() for one in group]):
            raise NotReady(f"Nothing was taken in: {fault}")
        Reading.objects.bulk_create([one for group in readings.values() for one in group], batch_size=200)
        try:
            for valve in preview.valves:
                seals.open_pack(valve, f"read at {tester}", by)
        except seals.PromisedSealed as promised:
            raise NotReady(f"Nothing was taken in: {promised}") from promised
        grades = judging.by_policy_in_force(preview.valves, by) if judge else {}
        if not judge:
            states.refresh([valve.pk for valve in preview.valves])
        entries = []
        for valve in preview.valves:
            grade = f" {grades[valve.pk]}." if valve.pk in grades else ""
            text = f"Read from {batch.file_name}, {tester}: {in_words(readings[valve.pk])}.{grade}"
            entries.append(
                Entry(by=by, action="readings-imported", text=text, valve=valve, line=valve.line, lot=valve.line.lot)
            )
        Entry.objects.bulk_create(entries, batch_size=200)
        READINGS_FILES.imported(file, by)
        file.batch = batch
        file.save(update_fields=["imported_at", "imported_by", "batch"])
        READINGS_FILES.remember(file, preview.layout)
    return batch, grades


def _still_there(valves: list[Valve]) -> None:
    """One may have left the house since the file was looked over. They are held from here on."""
    hold_valves([valve.pk for valve in valves])
    for keys in chunked([valve.pk for valve in valves]):
        for valve in testable(Valve.objects.filter(pk__in=keys)):
            if fault := why_not(valve):
                raise NotReady(f"Nothing was taken in: {fault}")


def _moment(day: date | None) -> datetime | None:
    """Now, or noon of an earlier day."""
    if day is None:
        return None
    if day == timezone.localdate():
        return timezone.now()
    return timezone.make_aware(datetime.combine(day, time(12)))


def _batch(file: ReadingsFile, readings: int, shift: Shift) -> ImportBatch:
    try:
        with transaction.atomic():
            return ImportBatch.objects.create(file_name=file.name, sha256=file.sha256, shift=shift, rows=readings)
    except IntegrityError:
        before = ImportBatch.objects.select_related("shift__operator").get(sha256=file.sha256)
        raise ImportedBefore(refusal(before)) from None
