"""A crossed study of a tester: several valves, read several times by several people, in an order drawn by lot.

The order: in each round every operator reads every valve once, in an order of that operator's own for that round.
It follows from the study's seed, so it can be drawn again. Nobody is shown an earlier reading.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import date, datetime
from math import inf, log, sqrt
from random import Random
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.utils import timezone

from catalog.models import TestPoint
from grading.metrology.distributions import f_tail
from grading.metrology.quantities import CLAIMING
from grading.metrology.repeatability import BetweenDays, CrossedStudy, between_days, crossed_study
from grading.metrology.uncertainty import ReadingTerms
from grading.models import Quantity, Study, StudyOperator, StudyReading, StudyValve, Tester
from grading.testers.signals import corrected
from stockroom.models import Entry, Valve
from stockroom.pure.refused import Refused
from stockroom.pure.written import figures, plain
from stockroom.sealed import seals

# Fewer distinct categories than this are commonly called too few (common practice, no source).
ENOUGH_CATEGORIES = 5
SIGNIFICANT = 0.05


class PlanProblem(Refused):
    """The study cannot be planned so."""


class StudyProblem(Refused):
    """This cannot be done to the study now."""


# Planning


def plan(
    tester: Tester,
    quantity: Quantity,
    test_point: TestPoint,
    valves: Sequence[Valve],
    operators: Sequence[User],
    repeats: int,
    by: User,
    note: str = "",
) -> Study:
    """Raises PlanProblem."""
    if len(valves) < 2 or len(operators) < 2 or repeats < 2:
        raise PlanProblem("A crossed study needs two valves, two operators and two readings of each, at least.")
    if len({valve.pk for valve in valves}) < len(valves) or len({person.pk for person in operators}) < len(operators):
        raise PlanProblem("A valve or an operator is in it twice.")
    for valve in valves:
        if valve.type_id != test_point.section.type_id:
            raise PlanProblem(f"{valve} is a {valve.type}; the others are {test_point.section.type}.")
        if seals.lies_sealed(valve):
            raise PlanProblem(f"{valve} lies in a sealed pack: take one that is open.")
    if not tester.measures(quantity):
        raise PlanProblem(f"By its record {tester} does not measure {quantity.label}.")
    with transaction.atomic():
        study = Study.objects.create(
            tester=tester,
            quantity=quantity,
            test_point=test_point,
            repeats=repeats,
            by=by,
            note=note,
            seed=secrets.randbelow(2**31),
        )
        StudyValve.objects.bulk_create(
            StudyValve(study=study, valve=valve, position=position) for position, valve in enumerate(valves, start=1)
        )
        StudyOperator.objects.bulk_create(
            StudyOperator(study=study, operator=person, position=position)
            for position, person in enumerate(operators, start=1)
        )
        size = f"{len(valves)} valves, {len(operators)} operators, {repeats} readings of each"
        Entry.write(by, "study-planned", f"Planned {study}: {size}.")
    return study


class Cell(NamedTuple):
    """One reading to be made. `position` is the valve's number in the study."""

    repeat: int
    operator_id: int
    valve_id: int
    position: int


def order(study: Study) -> list[Cell]:
    """Every cell of the study, in the order drawn."""
    valves = list(study.study_valves.values_list("valve", "position"))
    operators = list(study.study_operators.values_list("operator", flat=True))
    lot = Random(study.seed)
    cells = []
    for repeat in range(1, study.repeats + 1):
        for operator in operators:
            drawn = valves.copy()
            lot.shuffle(drawn)
            cells += [Cell(repeat, operator, valve, position) for valve, position in drawn]
    return cells


def _filled(study: Study) -> set[tuple[int, int, int]]:
    return set(study.readings.current().values_list("repeat", "operator", "valve"))


def next_cell(study: Study, operator: User) -> Cell | None:
    """What this person reads next: None when the person has read everything, or takes no part."""
    filled = _filled(study)
    return next((cell for cell in order(study) if cell.operator_id == operator.pk and cell[:3] not in filled), None)


class Share(NamedTuple):
    """How far one operator is."""

    operator: User
    made: int
    planned: int

    @property
    def left(self) -> int:
        return self.planned - self.made


def progress_of(study: Study) -> list[Share]:
    made: dict[int, int] = {}
    for _, operator, _ in _filled(study):
        made[operator] = made.get(operator, 0) + 1
    planned = study.study_valves.count() * study.repeats
    return [
        Share(row.operator, made.get(row.operator_id, 0), planned)
        for row in study.study_operators.select_related("operator")
    ]


# Reading


def record(study: Study, cell: Cell, value: float, by: User, taken_at: datetime | None = None) -> StudyReading:
    """`taken_at` is when it was read, if not now.

    Raises StudyProblem: the study has ended, the cell is another person's, or it is filled.
    """
    if cell.operator_id != by.pk:
        raise StudyProblem("This reading is for another operator to make.")
    try:
        with transaction.atomic():
            _lock_open(study)
            return StudyReading.objects.create(
                study=study,
                valve_id=cell.valve_id,
                operator=by,
                repeat=cell.repeat,
                value=value,
                taken_at=taken_at or timezone.now(),
            )
    except IntegrityError:
        raise StudyProblem("This reading has been made already. To change it, correct it.") from None


def correct(reading: StudyReading, value: float, reason: str, by: User) -> StudyReading:
    """Raises StudyProblem: the study has ended, or the reading has been corrected already."""
    try:
        with transaction.atomic():
            _lock_open(reading.study)
            new = StudyReading.objects.create(
                study=reading.study,
                valve=reading.valve,
                operator=reading.operator,
                repeat=reading.repeat,
                value=value,
                taken_at=reading.taken_at,
                supersedes=reading,
                reason=reason,
            )
            amount = reading.study.of.amount
            said = f"{reading.study}: {reading.valve}, {amount(reading.value)} → {amount(value)}: {reason}."
            Entry.write(by, "study-corrected", said, valve=reading.valve)
            return new
    except IntegrityError:
        raise StudyProblem("This reading has been corrected already. Correct the correction.") from None


def finish(study: Study, by: User) -> list[str]:
    """No more readings or corrections; from now on the study speaks for the tester. Returns sentences that say what
    follows. Raises StudyProblem."""
    with transaction.atomic():
        _lock_open(study)
        left = sum(share.left for share in progress_of(study))
        if left:
            raise StudyProblem(f"{left} readings are still to be made.")
        study.finished_at = timezone.now()
        study.save(update_fields=["finished_at"])
        Entry.write(by, "study-finished", f"Finished {study}. {analyse(study).in_short}")
        return corrected(study.tester, by)


def set_aside(study: Study, why: str, by: User) -> list[str]:
    """The study speaks for the tester no more; its readings stay. Returns sentences that say what follows.

    Raises StudyProblem: it is not finished, or is set aside already, or nobody says why.
    """
    with transaction.atomic():
        study = Study.objects.select_for_update(no_key=True).get(pk=study.pk)
        if not study.speaks:
            raise StudyProblem("Only a finished study that speaks for its tester can be set aside.")
        if not why.strip():
            raise StudyProblem("Say why the study is set aside.")
        study.set_aside_because = why.strip()
        study.save(update_fields=["set_aside_because"])
        Entry.write(by, "study-set-aside", f"Set aside {study}: {study.set_aside_because}.")
        return corrected(study.tester, by)


def bring_back(study: Study, by: User) -> list[str]:
    """A study that was set aside may speak again. Returns sentences that say what follows. Raises StudyProblem."""
    with transaction.atomic():
        study = Study.objects.select_for_update(no_key=True).get(pk=study.pk)
        if not study.set_aside_because:
            raise StudyProblem("The study is not set aside.")
        study.set_aside_because = ""
        study.save(update_fields=["set_aside_because"])
        Entry.write(by, "study-brought-back", f"Brought back {study}: it may speak for {study.tester} again.")
        return corrected(study.tester, by)


def give_up(study: Study, why: str, by: User) -> None:
    """The study will never be finished. Its readings stay. Raises StudyProblem."""
    with transaction.atomic():
        _lock_open(study)
        study.given_up_at = timezone.now()
        study.note = f"{study.note} Abandoned: {why}".strip()[:300]
        study.save(update_fields=["given_up_at", "note"])
        Entry.write(by, "study-given-up", f"Abandoned {study}: {why}.")


def _lock_open(study: Study) -> None:
    if not Study.objects.select_for_update(no_key=True).get(pk=study.pk).open:
        raise StudyProblem("The study has ended.")


# What it says


class StudyRow(NamedTuple):
    """One component, in the words of the page; values in the quantity's unit."""

    name: str
    meaning: str
    standard_deviation: float
    lower: float
    upper: float
    contribution_percent: float
    study_variation_percent: float


class Analysis(NamedTuple):
    """`result` is absent, and `problem` says why, when the readings cannot be analysed."""

    study: Study
    result: CrossedStudy | None
    problem: str
    table: tuple[tuple[Valve, tuple[tuple[User, tuple[float, ...]], ...]], ...]
    between: BetweenDays | None = None  # where the same person read the same valve on several days

    @property
    def in_short(self) -> str:
        if self.result is None:
            return self.problem
        r = self.result
        return (
            f"Repeatability {_shown(r.repeatability.standard_deviation, self.study)}, "
            f"reproducibility {_shown(r.reproducibility.standard_deviation, self.study)}, "
            f"{r.distinct_categories} distinct categories."
        )

    @property
    def rows(self) -> list[StudyRow]:
        if self.result is None:
            return []
        r = self.result
        parts = [
            ("Repeatability", "one person, one valve, read again", r.repeatability),
            ("Reproducibility", "between people", r.reproducibility),
            ("– operator", "one person reads higher than another", r.operator),
            ("– operator by valve", "people differ more on some valves", r.interaction),
            ("Both together", "the tester and those who use it", r.gauge),
            ("Valve to valve", "what the valves really differ by", r.part_to_part),
            ("Total", "", r.total),
        ]
        return [
            StudyRow(
                name,
                meaning,
                part.standard_deviation,
                part.interval.lower,
                part.interval.upper,
                part.contribution_percent,
                part.study_variation_percent,
            )
            for name, meaning, part in parts
            if part is not None
        ]

    @property
    def in_words(self) -> list[str]:
        """What the numbers mean, a sentence each."""
        if self.result is None:
            return [self.problem]
        r, study = self.result, self.study
        one = r.repeatability
        again = (
            f"One person reading one valve again gets a value that scatters with a standard deviation of "
            f"{_shown(one.standard_deviation, study)}{_relative(one.standard_deviation, r.grand_mean, study)}; with "
            f"{plain(100 * r.confidence)} % confidence it lies between {_shown(one.interval.lower, study)} and "
            f"{_shown(one.interval.upper, study)} ({r.repeatability_degrees_of_freedom} degrees of freedom)."
        )
        people = (
            f"Between people it is {_shown(r.reproducibility.standard_deviation, study)}. With {r.operators} operators "
            "that is known only roughly: see how wide its interval is."
        )
        if r.reproducibility.variance == 0:
            people = "Between people no difference shows beyond that scatter."
        shares = (
            f"Of all the variance seen, {r.part_to_part.contribution_percent:.1f} % is the valves' own and "
            f"{r.gauge.contribution_percent:.1f} % is made by the tester and those who use it."
        )
        groups = f"The tester can tell {r.distinct_categories} groups of such valves apart"
        if r.distinct_categories < ENOUGH_CATEGORIES:
            groups += (
                f"; fewer than {ENOUGH_CATEGORIES} are commonly called too few to sort by (common practice). If the "
                "valves were alike to begin with, a study of more different ones says more"
            )
        days = [_days_in_words(self.between, study)] if self.between else []
        return [again, people, *days, _interaction_in_words(r), shares, f"{groups}."]


def _days_in_words(between: BetweenDays, study: Study) -> str:
    within = f"within a day readings scatter by {_shown(between.within_standard_deviation, study)}"
    if not between.standard_deviation:
        return f"It was read on {between.days} days: between them no difference shows beyond the scatter; {within}."
    return (
        f"From one day to another, of {between.days}, it differs with a standard deviation of "
        f"{_shown(between.standard_deviation, study)}, and {within}: valves read on one day are compared without the "
        "former, and a single reading counts both."
    )


def _interaction_in_words(result: CrossedStudy) -> str:
    p = result.anova[2].p_value or 0.0
    if result.interaction_pooled:
        return (
            f"People do not differ more on some valves than on others, beyond the scatter (p = {p:.2f}), so that part "
            "is pooled with repeatability."
        )
    if p < SIGNIFICANT:
        return (
            f"People differ more on some valves than on others (p = {p:.2g}): look on the plot for the valves where "
            "their lines part."
        )
    return f"Whether people differ more on some valves than on others is not clear (p = {p:.2f}): it is kept apart."


def _shown(value: float, study: Study) -> str:
    return study.of.shown(value, 3)


def _relative(sd: float, mean: float, study: Study) -> str:
    return f", {figures(100 * sd / mean, 2)} % of the mean" if study.of in CLAIMING and mean > 0 else ""


def analyse(study: Study) -> Analysis:
    """Of the current readings. A study that is not complete says so as its `problem`."""
    valves = [row.valve for row in study.study_valves.select_related("valve")]
    operators = [row.operator for row in study.study_operators.select_related("operator")]
    cells: dict[tuple[int, int], list[tuple[int, float]]] = {}
    dated: list[tuple[tuple[int, int], date, float]] = []
    current = study.readings.current().values_list("valve", "operator", "repeat", "value", "taken_at")
    for valve, operator, repeat, value, taken_at in current:
        cells.setdefault((valve, operator), []).append((repeat, value))
        dated.append(((valve, operator), timezone.localdate(taken_at), value))
    table = tuple(
        (
            valve,
            tuple(
                (operator, tuple(value for _, value in sorted(cells.get((valve.pk, operator.pk), []))))
                for operator in operators
            ),
        )
        for valve in valves
    )
    made = sum(len(values) for _, row in table for _, values in row)
    left = len(valves) * len(operators) * study.repeats - made
    if left:
        return Analysis(study, None, f"{left} readings are still to be made.", table)
    try:
        result = crossed_study([[list(values) for _, values in row] for _, row in table])
    except ValueError as problem:
        return Analysis(study, None, str(problem), table)
    return Analysis(study, result, "", table, _between_days(dated))


def _between_days(dated: Sequence[tuple[tuple[int, int], date, float]]) -> BetweenDays | None:
    cells = {cell: number for number, cell in enumerate(sorted({cell for cell, _, _ in dated}))}
    days = {on: number for number, on in enumerate(sorted({on for _, on, _ in dated}))}
    if len(days) < 2:
        return None
    return between_days(
        [value for _, _, value in dated], [cells[cell] for cell, _, _ in dated], [days[on] for _, on, _ in dated]
    )


class StudiedRepeatability(NamedTuple):
    """What a finished study says of one reading of the tester, in the quantity's unit.

    `reproducibility_sd` is the scatter of the operators' means, and so holds a little of the readings' own; `at` is
    the mean of what was read. A single study cannot tell which part of its scatter is constant and which grows with
    the reading, so both are taken at their worst: below `at` it stays as it is, above it grows in proportion. A scale,
    leakage and grid current, which may read nought, are taken as constant (`grows` is false).
    """

    standard_deviation: float
    degrees_of_freedom: float
    study: Study
    reproducibility_sd: float
    reproducibility_degrees_of_freedom: float
    interaction_sd: float
    interaction_degrees_of_freedom: float
    at: float
    grows: bool
    between_days_sd: float = 0.0
    between_days_degrees_of_freedom: float = inf

    @property
    def in_words(self) -> str:
        known = f"with {plain(self.degrees_of_freedom)} degrees of freedom"
        days = f", and {_shown(self.between_days_sd, self.study)} between days" if self.between_days_sd else ""
        if self.grows:
            near = f"{figures(100 * self.standard_deviation / self.at, 2)} % near {_shown(self.at, self.study)}"
            return f"{near} {known}{days}"
        return f"{_shown(self.standard_deviation, self.study)} {known}{days}"

    def added_to(self, terms: ReadingTerms, value: float) -> ReadingTerms:
        """With what the study says of readings near `value`."""
        terms = terms._replace(
            repeatability_degrees_of_freedom=self.degrees_of_freedom,
            reproducibility_degrees_of_freedom=self.reproducibility_degrees_of_freedom,
            interaction_degrees_of_freedom=self.interaction_degrees_of_freedom,
            between_days_degrees_of_freedom=self.between_days_degrees_of_freedom,
        )
        if self.grows and abs(value) > self.at:
            return terms._replace(
                repeatability_percent=100 * self.standard_deviation / self.at,
                reproducibility_percent=100 * self.reproducibility_sd / self.at,
                interaction_percent=100 * self.interaction_sd / self.at,
                between_days_percent=100 * self.between_days_sd / self.at,
            )
        return terms._replace(
            repeatability_sd=self.standard_deviation,
            reproducibility_sd=self.reproducibility_sd,
            interaction_sd=self.interaction_sd,
            between_days_sd=self.between_days_sd,
        )


# A study speaks for readings within this factor of what it read (common practice, no source).
NEAR = 3.0
# A newer study whose scatter is larger by more than chance at this level takes the place of a larger one.
WORSE = 0.05


def repeatabilities_of(tester: Tester, quantity: Quantity) -> tuple[StudiedRepeatability, ...]:
    """What each finished study says that could be analysed and is not set aside, the latest first."""
    finished = Study.objects.filter(tester=tester, quantity=quantity, set_aside_because="").exclude(finished_at=None)
    analysed = (analyse(study) for study in finished.order_by("-finished_at", "-pk"))
    return tuple(said_by(one.study, one.result, one.between) for one in analysed if one.result is not None)


def that_speaks(found: Sequence[StudiedRepeatability], value: float) -> StudiedRepeatability | None:
    """Of several studies, the latest first, the one for readings near `value`; None when there is none.

    Among those that read near it the one with the most degrees of freedom speaks, so a small new study does not
    take the place of a large one, unless its scatter is larger by more than chance (F-test at 5 %): then the tester may
    have become worse. Where none read near it, the nearest speak (rules of ours, no source).
    """
    if not found:
        return None

    def away(one: StudiedRepeatability) -> float:
        return abs(log(abs(value) / one.at)) if one.grows and value else 0.0

    nearest = min(away(one) for one in found)
    near = [one for one in found if away(one) <= max(log(NEAR), nearest)]
    largest = max(near, key=lambda one: one.degrees_of_freedom)
    for newer in near[: near.index(largest)]:
        ratio = (newer.standard_deviation / largest.standard_deviation) ** 2
        if f_tail(ratio, newer.degrees_of_freedom, largest.degrees_of_freedom) < WORSE:
            return newer
    return largest


def repeatability_of(tester: Tester, quantity: Quantity, value: float = 0.0) -> StudiedRepeatability | None:
    """What is known of readings near `value`; None when no finished study could be analysed."""
    return that_speaks(repeatabilities_of(tester, quantity), value)


def said_by(study: Study, result: CrossedStudy, between: BetweenDays | None = None) -> StudiedRepeatability:
    """Where it was read on several days its repeats are those within a day, and what days differ by stands apart."""
    interaction_sd, interaction_degrees = _interaction(result)
    found = StudiedRepeatability(
        result.repeatability.standard_deviation,
        result.repeatability_degrees_of_freedom,
        study,
        sqrt(result.anova[1].mean_square / (result.parts * result.repeats)),
        result.anova[1].degrees_of_freedom,
        interaction_sd,
        interaction_degrees,
        result.grand_mean,
        study.of in CLAIMING and result.grand_mean > 0,
    )
    if between is None or not between.standard_deviation:
        return found
    return found._replace(
        standard_deviation=between.within_standard_deviation,
        degrees_of_freedom=between.within_degrees_of_freedom,
        between_days_sd=between.standard_deviation,
        between_days_degrees_of_freedom=between.degrees_of_freedom,
    )


def _interaction(result: CrossedStudy) -> tuple[float, float]:
    """Of operator by valve, where it is not pooled, with Satterthwaite's degrees of freedom, one at least.

    v = (sum c_i MS_i)^2 / sum (c_i MS_i)^2 / v_i. It was made for sums and serves as an approximation where a mean
    square is subtracted; the floor of one is ours. (From memory; no source for the floor.)
    """
    if result.interaction is None or result.interaction.variance == 0:
        return 0.0, inf
    cross, error = (row.mean_square / result.repeats for row in result.anova[2:4])
    below = cross**2 / result.anova[2].degrees_of_freedom + error**2 / result.anova[3].degrees_of_freedom
    return result.interaction.standard_deviation, max(1.0, (cross - error) ** 2 / below)
