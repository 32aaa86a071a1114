"""What can fill a line, worked out when somebody asks: at once where that is quick, behind the pages where it is not.

A search for sets among many valves takes seconds: it is a job, and its page shows what the last one found.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.urls import reverse

from grading.metrology.quantities import Quantity
from grading.models import Grade, MatchedSet
from grading.orders import candidates, wishes
from grading.orders.candidates import OrderOption
from grading.orders.ways import way_for
from grading.sets import making
from grading.sets.plans import why_nothing
from grading.verdicts.graded import graded_values
from grading.verdicts.values import Value
from stockroom.jobs import kinds
from stockroom.jobs.kinds import JobRefused, Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Job, OrderLine, Valve
from stockroom.site.people import Role

KIND = "propose"
SHOWN = 12
QUICK = 60  # free valves: sets among so few are found while somebody waits


class Proposed(NamedTuple):
    """What can fill an item of the line, the nearest first; or why there is nothing, and what could not be judged."""

    options: Sequence[OrderOption]
    why_none: Sequence[str] = ()
    not_known: Sequence[str] = ()


def is_quick(line: OrderLine) -> bool:
    """Whether it takes no longer than a page may."""
    if line.set_size == 1 or way_for(line):
        return True
    return len(making.available(line.type, line.best_grades, QUICK + 1)) <= QUICK


def propose(line: OrderLine) -> Proposed:
    """For a line of tested valves."""
    found = candidates.options(line, SHOWN)
    return Proposed(found, () if found else why_nothing(line), wishes.not_known(line) if line.wishes else ())


@dataclass(frozen=True)
class ProposeFor:
    """The order line with this key."""

    line: int


def start(line: OrderLine, by: User) -> Job:
    title = f"Sets for {line.order}: {wishes.asked(line)}"
    return kinds.start(KIND, ProposeFor(line.pk), title, by, key=_key(line.pk))


def latest(line: OrderLine) -> Job | None:
    """The job that looks for this line's sets, or did so last."""
    return Job.objects.keyed(_key(line.pk)).select_related("made_by").first()


def _key(line_pk: int) -> str:
    return f"propose {line_pk}"


def _candidates_page(job: Job) -> str:
    line = OrderLine.objects.select_related("order").get(pk=job.question["line"])
    return reverse("order-candidates", args=[line.order.number, line.pk])


@kinds.kind(KIND, "Propose for an order", Lane.SEARCH, ProposeFor, Role.SALES, address=_candidates_page)
def work(asked: ProposeFor, hand: Hand) -> dict[str, Any]:
    line = OrderLine.objects.select_related("type", "order", "maker").filter(pk=asked.line).first()
    if line is None:
        raise JobRefused("The line has been removed from its order.")
    hand.tell("looking for the sets that cost the rest of the stock least")
    found = propose(line)
    return {
        "options": [
            {
                "valves": [valve.pk for valve in one.valves],
                "set": one.set.pk if one.set else None,
                **{name: getattr(one, name) for name in ("spread", "why", "weighed", "unsure")},
            }
            for one in found.options
        ],
        "why_none": list(found.why_none),
        "not_known": list(found.not_known),
    }


def found_by(job: Job) -> Proposed | None:
    """What a job proposed, of which all is still free; None while it has proposed nothing."""
    if not job.is_done:
        return None
    rows = job.result["options"]
    keys = [key for row in rows for key in row["valves"]]
    taken = set(Valve.objects.filter(pk__in=keys, allocations__live=True).values_list("pk", flat=True))
    grades = {
        grade.valve_id: grade
        for grade in Grade.objects.filter(valve__in=keys, current=True, saleable=True).select_related(
            "valve__place", "valve__type", "valve__maker"
        )
    }
    sets = MatchedSet.objects.live().in_bulk([row["set"] for row in rows if row["set"]])
    matched = set(Valve.objects.filter(pk__in=keys, memberships__live=True).values_list("pk", flat=True))
    found = []
    for row in rows:
        valves = row["valves"]
        free = all(key in grades and key not in taken for key in valves)
        if free and (row["set"] in sets if row["set"] else not matched & {*valves}):
            found.append(_option([grades[key] for key in valves], row, sets.get(row["set"])))
    return Proposed(found, job.result["why_none"], job.result["not_known"])


def _option(grades: Sequence[Grade], row: dict[str, Any], matched: MatchedSet | None) -> OrderOption:
    valves = tuple(grade.valve for grade in grades)
    return OrderOption(valves, tuple(grades), row["spread"], matched, row["why"], row["weighed"], row["unsure"])


class ValveRead(NamedTuple):
    """A valve of a candidate with what its grade rests on, section by section."""

    valve: Valve
    grade: Grade
    made: str

    @property
    def readings(self) -> list[str]:
        """ "1: Ia 1.20 ± 0.06 mA, gm 1.60 ± 0.08 mA/V"; the number only where there is more than one section."""
        values = [Value.read(row) for row in self.grade.measured]
        sections = sorted({value.section for value in values})
        said = []
        for section in sections:
            graded = graded_values([value for value in values if value.section == section])
            words = ", ".join(
                f"{quantity.symbol} {graded[quantity]} {quantity.unit}" for quantity in Quantity if quantity in graded
            )
            said.append(f"{section}: {words}" if len(sections) > 1 else words)
        return said


def read(options: Collection[OrderOption]) -> list[tuple[OrderOption, list[ValveRead]]]:
    """Each candidate with its valves' readings as graded, and what is known of when each was made."""
    made = wishes.made_in_words([valve.pk for option in options for valve in option.valves])
    return [
        (
            option,
            [
                ValveRead(valve, grade, made.get(valve.pk, ""))
                for valve, grade in zip(option.valves, option.grades, strict=True)
            ],
        )
        for option in options
    ]
