"""At the bench: shifts, readings and their corrections.

A correction bears the time and the shift of the reading it corrects: it says what that tester read then, so a
later reading still comes after it. Who wrote it, and when, is in the daybook.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.db.models import Count, Exists, F, Max, OuterRef, Prefetch, QuerySet
from django.utils import timezone

from catalog.models import Section, ValveType
from grading.bench.entered import EnteredReading
from grading.bench.series import with_settled_values
from grading.metrology.quantities import CLAIMING, claimed_at
from grading.metrology.quantities import in_words as section_in_words
from grading.models import Grade, MatchedSet, Quantity, Reading, Shift, Tester
from grading.sets import doubts
from grading.testers.records import may_record
from grading.testers.reference_checks import may_grade
from grading.verdicts import judging, states
from stockroom.models import Entry, Line, SamplingPlan, SealedDecision, Valve
from stockroom.models.goods import pieces_of_line
from stockroom.pure.refused import Refused
from stockroom.pure.serials import read_serial
from stockroom.sealed import seals
from stockroom.site.locks import hold_valves
from stockroom.states import State


class BenchError(Refused):
    """Cannot be done at the bench; the message says why and what to do instead."""


class NotTestable(BenchError):
    """There is no such valve, it has left the house, or its type has no test point."""


class NoTestPoint(NotTestable):
    """Nothing says how a tester is set for valves of this type."""

    def __init__(self, message: str, type_: ValveType) -> None:
        super().__init__(message)
        self.type_ = type_


class ShiftRunning(BenchError):
    """A person is on one shift at a time."""


class ShiftEnded(BenchError):
    """Readings belong to a live shift."""


class SectionMissing(BenchError):
    """A section was neither read now nor before."""


class UnfitTester(BenchError):
    """The tester is stopped, or its record says that it does not measure what was typed."""


class NotReadSo(BenchError):
    """A section of this kind is read in another quantity."""


class AlreadyCorrected(BenchError):
    """A reading is superseded once; the correction is what may be corrected next."""


def start_shift(tester: Tester, by: User) -> Shift:
    """Raises ShiftRunning: the person has not ended the last one."""
    try:
        with transaction.atomic():
            shift = Shift.objects.create(tester=tester, operator=by)
            Entry.write(by, "shift-started", f"Shift at {tester} started.")
    except IntegrityError:
        raise ShiftRunning("You are on a shift already. End it before you start another.") from None
    return shift


def end_shift(shift: Shift, by: User) -> None:
    with transaction.atomic():
        if Shift.objects.filter(pk=shift.pk, ended_at=None).update(ended_at=timezone.now()):
            tested = tally(shift).valves
            Entry.write(by, "shift-ended", f"Shift at {shift.tester} ended; valves tested: {tested}.")


def testable(valves: QuerySet[Valve]) -> QuerySet[Valve]:
    """With everything that the bench asks of a valve, in a fixed number of queries."""
    points = Prefetch("type__sections", Section.objects.prefetch_related("test_points__source"))
    return valves.select_related("type__basing", "maker", "place", "line__lot", seals.WITH_PACK).prefetch_related(
        points, "type__heaters"
    )


def fetch(scanned: str) -> Valve:
    """The valve whose serial was scanned.

    Raises:
        BadSerial: that is no serial.
        NotTestable: no valve has it, it has gone, or its type has no test point.
    """
    serial = read_serial(scanned)
    valve = testable(Valve.objects.filter(serial=serial)).first()
    if valve is None:
        raise NotTestable(f"No valve has the serial {serial}. If it is in bulk, take it up from its line first.")
    fault = why_not(valve)
    if fault and not valve.type.test_sections:
        raise NoTestPoint(fault, valve.type)
    if fault:
        raise NotTestable(fault)
    return valve


def why_not(valve: Valve) -> str:
    """Why the valve cannot be tested; nothing when it can."""
    if valve.state == State.WRITTEN_OFF:
        return f"{valve} was written off: {valve.written_off}. It is not tested any more."
    if valve.state == State.DESPATCHED:
        return f"{valve} has been despatched. If it has come back, book its return on its order first."
    if promised := seals.why_not_opened(valve):
        return promised
    if not valve.type.test_sections:
        what = valve.called_and_type
        return f"{valve} is a {what}, of which no test point is on file. Say how the tester is set for it."
    return ""


def why_unfit(tester: Tester, entered: Iterable[EnteredReading | Reading]) -> str:
    """Why these cannot be graded on this tester; nothing when they can."""
    possible, why = may_grade(tester)
    if not possible:
        return why
    rows = list(entered)
    for quantity in Quantity:
        if any(getattr(row, quantity.value, None) is not None for row in rows):
            possible, why = may_record(tester, quantity)
            if not possible:
                return why
    return ""


def why_not_so(entered: Iterable[EnteredReading]) -> str:
    """Why these are not what sections of their kind are read in; nothing when they are."""
    for row in entered:
        section = row.test_point.section
        wanted = claimed_at(row.test_point)
        for quantity in CLAIMING:
            if quantity not in wanted and getattr(row, quantity) is not None:
                if row.test_point.current_is_set and quantity is Quantity.ANODE_CURRENT:
                    return f"Section {section.number}: at “{row.test_point.name}” the anode current is set, not read."
                read_in = " and ".join(one.label for one in wanted)
                return f"Section {section.number} is a {section.kind}: it is read in {read_in}, not {quantity.label}."
    return ""


def record_readings(shift: Shift, valve: Valve, sections: Mapping[int, EnteredReading], by: User) -> Grade | None:
    """Keep what was read, and judge the valve. None while a section is unread or no policy is in force.

    A section left out keeps its current reading. Testing again adds rows; it corrects nothing.

    Raises:
        NotTestable, NotReadSo, ShiftEnded, UnfitTester, SectionMissing
    """
    with transaction.atomic():
        if not Shift.objects.select_for_update(no_key=True).filter(pk=shift.pk, ended_at=None).exists():
            raise ShiftEnded("Your shift has ended. Start one, then save again.")
        if fault := why_unfit(shift.tester, sections.values()):
            raise UnfitTester(fault)
        if fault := why_not_so(sections.values()):
            raise NotReadSo(fault)
        hold_valves([valve.pk])
        current = testable(Valve.objects.filter(pk=valve.pk)).get()
        if fault := why_not(current):
            raise NotTestable(fault)
        try:
            seals.open_pack(current, f"read at {shift.tester}", by)
        except seals.PromisedSealed as promised:
            raise NotTestable(str(promised)) from promised
        read_before = set(Reading.objects.current().filter(valve=valve).values_list("section", flat=True))
        for section in current.type.test_sections:
            if section.number not in sections and section.number not in read_before:
                raise SectionMissing(f"Section {section.number} has not been read.")
        now = timezone.now()
        readings = [
            Reading(
                valve=current,
                section=number,
                shift=shift,
                taken_at=now,
                **with_settled_values(entered, shift.tester).row(),
            )
            for number, entered in sorted(sections.items())
        ]
        Reading.objects.bulk_create(readings)
        grade = judging.by_policy_in_force([current], by).get(current.pk)
        judging.note(current, "tested", f"Tested at {shift.tester}: {in_words(readings)}.", grade, by)
    return grade


def correct(reading: Reading, entered: EnteredReading, reason: str, by: User) -> Grade | None:
    """Raises AlreadyCorrected, NotReadSo."""
    if fault := why_not_so([entered]):
        raise NotReadSo(fault)
    with transaction.atomic():
        hold_valves([reading.valve_id])
        new = _supersede(reading, with_settled_values(entered, reading.shift.tester), reason)
        grade = judging.by_policy_in_force([reading.valve], by).get(reading.valve_id)
        text = f"Reading corrected, {in_words([reading])} → {in_words([new])}: {reason}."
        judging.note(reading.valve, "reading-corrected", text, grade, by)
    return grade


def withdraw(reading: Reading, reason: str, by: User) -> Grade | None:
    """Supersede a reading by one that reads nothing: the valve was another one. Raises AlreadyCorrected.

    Where nothing else was read of the section the valve counts as untested again.
    """
    with transaction.atomic():
        hold_valves([reading.valve_id])
        _supersede(reading, EnteredReading(reading.test_point), reason)
        grade = judging.by_policy_in_force([reading.valve], by).get(reading.valve_id)
        if grade is None:
            judging.withdraw(reading.valve, by)
            states.refresh([reading.valve_id])
        text = f"Reading withdrawn, {in_words([reading])}: {reason}."
        judging.note(reading.valve, "reading-withdrawn", text, grade, by)
    return grade


def _supersede(reading: Reading, entered: EnteredReading, reason: str) -> Reading:
    try:
        with transaction.atomic():
            return Reading.objects.create(
                valve=reading.valve,
                section=reading.section,
                shift=reading.shift,
                taken_at=reading.taken_at,
                supersedes=reading,
                reason=reason,
                **entered.row(),
            )
    except IntegrityError:
        if Reading.objects.filter(supersedes=reading).exists():
            raise AlreadyCorrected(corrected_already(reading)) from None
        raise


def corrected_already(reading: Reading) -> str:
    return (
        f"This reading of section {reading.section} of {reading.valve} has been corrected already. "
        "Correct the correction, which stands now."
    )


def in_words(readings: Sequence[Reading]) -> str:
    """ "section 1 1.2 mA, 1.6 mA/V; section 2 shorted"."""
    return "; ".join(f"section {reading.section} {section_in_words(reading) or 'not read'}" for reading in readings)


class Tested(NamedTuple):
    """A valve that the shift has read, with its current readings of this shift and its current grade."""

    valve: Valve
    readings: Sequence[Reading]
    grade: Grade | None

    @property
    def why_set_doubtful(self) -> tuple[MatchedSet, str] | None:
        """The set that it is in, where that no longer holds, and why."""
        for matched in doubts.sets_of([self.valve.pk]):
            if why := doubts.why_doubtful(matched):
                return matched, why
        return None

    @property
    def why_ungraded(self) -> str:
        return "" if self.grade else judging.why_ungraded(self.valve)


def latest(shift: Shift, count: int = 10) -> list[Tested]:
    """The last valves tested, the latest first, in a fixed number of queries."""
    keys = list(
        Reading.objects.filter(shift=shift)
        .order_by()
        .values_list("valve", flat=True)
        .annotate(last=Max("taken_at"), newest=Max("pk"))
        .order_by("-last", "-newest")[:count]
    )
    valves = (
        Valve.objects.select_related("type", "line__lot")
        .prefetch_related(Prefetch("grades", Grade.objects.filter(current=True), to_attr="current_grades"))
        .in_bulk(keys)
    )
    readings: dict[int, dict[int, Reading]] = {key: {} for key in keys}
    for reading in Reading.objects.current().filter(shift=shift, valve__in=keys).order_by("taken_at", "pk"):
        readings[reading.valve_id][reading.section] = reading
    return [
        Tested(
            valves[key],
            [reading for _, reading in sorted(readings[key].items())],
            next(iter(valves[key].current_grades), None),
        )
        for key in keys
    ]


class ShiftTally(NamedTuple):
    valves: int
    by_grade: Sequence[tuple[str, int]]  # the best first

    @property
    def graded(self) -> str:
        """To follow the number tested: ", now graded 3 Good, 1 Usable"."""
        counts = ", ".join(f"{count} {name}" for name, count in self.by_grade)
        return f", now graded {counts}" if counts else ""


def tally(shift: Shift) -> ShiftTally:
    """How many valves the shift has tested, and what they are graded now."""
    tested = Reading.objects.current().filter(shift=shift).values("valve")
    grades = (
        Grade.objects.filter(valve__in=tested, current=True)
        .values_list("name")
        .annotate(n=Count("pk"), best=Max("rank"))
        .order_by("best", "name")
    )
    return ShiftTally(tested.distinct().order_by().count(), [(name, n) for name, n, _ in grades])


def bulk_lines() -> QuerySet[Line]:
    """Lines with pieces that have no serial yet, the newest first; `in_bulk` says how many.

    Sealed lines with a sampling plan are left out until every piece is to be tested: what the bench takes up from
    them are the packs that were drawn.
    """
    plans = SamplingPlan.objects.filter(line=OuterRef("pk"))
    all_tested = SealedDecision.objects.filter(plan__line=OuterRef("pk"), action=SealedDecision.Action.TEST_ALL)
    return (
        Line.objects.select_related("lot", "type")
        .exclude(Exists(plans) & ~Exists(all_tested))
        .annotate(in_bulk=pieces_of_line() - Count("valves"))
        .filter(in_bulk__gt=0)
        .order_by("-lot__received_on", F("lot__number").desc(), "number")
    )
