"""A tester corrected: which valves that bears on, and judging them again, which is a job of the queue.

A display step, a stated accuracy, a calibration or a study says how well readings are known that were taken already,
so what they were judged to be may no longer hold. Their readings stay as they are.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet
from django.urls import reverse
from django.utils import timezone

from grading.models import Grade, Policy, Reading, Tester
from grading.verdicts.regrading import NOT_GRADED, SHOWN, regrade_all
from stockroom.jobs import kinds
from stockroom.jobs.kinds import JobRefused, Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Entry, Job, JobState, Valve
from stockroom.pure.written import plural
from stockroom.site.chunks import chunked

KIND = "judge again"


@dataclass(frozen=True)
class ReadOn:
    """The valves read on the tester with this key, since this day; on any, where it is empty."""

    tester: int
    since: str = ""


class MovedGrade(NamedTuple):
    valve: Valve
    before: str
    after: str


def read_on(tester_id: int, since: date | None = None) -> QuerySet[Valve]:
    """The valves in the house that a reading of this tester speaks for."""
    readings = Reading.objects.current().filter(valve=OuterRef("pk"), shift__tester=tester_id)
    if since:
        readings = readings.filter(taken_at__gte=timezone.make_aware(datetime.combine(since, time.min)))
    return Valve.objects.in_house().filter(Exists(readings)).order_by("pk")


def start_judging_again(tester: Tester, since: date | None, by: User | None) -> str:
    """Ask for it, in the transaction that makes it necessary; says which valves it bears on, or nothing of none.

    A job that still waits will see this change as well. One at work has perhaps passed some valves already, so
    another then waits behind it.
    """
    count = read_on(tester.pk, since).count()
    if not count or not Policy.objects.filter(in_force=True).exists():
        return ""
    asked = ReadOn(tester.pk, since.isoformat() if since else "")
    waiting = _jobs_of(tester).select_for_update(no_key=True).filter(state=JobState.WAITING)
    if not any(job.question["since"] <= asked.since for job in waiting):
        title = f"Judge again what {tester} read"
        kinds.start(KIND, asked, title, by, key=f"{_key(tester.pk)} {timezone.now():%Y%m%d%H%M%S%f}")
    return f"It bears on {plural(count, 'valve')} read on it, which {'is' if count == 1 else 'are'} judged again now."


def latest(tester: Tester) -> Job | None:
    return _jobs_of(tester).select_related("made_by").order_by("-pk").first()


def _jobs_of(tester: Tester) -> QuerySet[Job]:
    return Job.objects.filter(kind=KIND, key__startswith=f"{_key(tester.pk)} ")


def _key(tester_pk: int) -> str:
    return f"{KIND} {tester_pk}"


def _page(job: Job) -> str:
    return reverse("tester-bears-on", args=[job.question["tester"]])


@kinds.kind(KIND, "Judge again what a tester read", Lane.RECORDS, ReadOn, address=_page)
def judge_again(asked: ReadOn, hand: Hand) -> dict[str, Any]:
    """A piece at a time, each written once: an interrupted one goes on behind the last."""
    policy = Policy.objects.filter(in_force=True).first()
    if policy is None:
        raise JobRefused("No policy is in force to judge by.")
    since = date.fromisoformat(asked.since) if asked.since else None
    keys = list(read_on(asked.tester, since).values_list("pk", flat=True))
    graded = regrade_all(keys, policy, hand)
    moves = _moves(keys, hand.job.made_at)
    said = f"judged {plural(graded, 'valve')} again, of which {len(moves)} got another grade"
    with transaction.atomic():
        hand.save(**hand.saved)  # the entry is written once, by whoever has the job
        Entry.write(hand.by, "judged-again", f"{Tester.objects.get(pk=asked.tester)} was corrected: {said}")
    return {"graded": graded, "count": len(moves), "moves": moves[:SHOWN]}


def _moves(keys: Collection[int], since: datetime) -> list[tuple[int, str, str]]:
    """(valve, grade before, grade now) of those that got another grade since then."""
    found = []
    for some in chunked(keys):
        history: dict[int, list[tuple[datetime, str]]] = defaultdict(list)
        rows = Grade.objects.filter(valve__in=some).order_by("given_at", "pk")
        for valve, given_at, name in rows.values_list("valve", "given_at", "name"):
            history[valve].append((given_at, name))
        for valve, grades in sorted(history.items()):
            before = next((name for given_at, name in reversed(grades) if given_at < since), NOT_GRADED)
            if grades[-1][1] != before:
                found.append((valve, before, grades[-1][1]))
    return found


def moves_of(job: Job) -> list[MovedGrade]:
    if not job.is_done:
        return []
    valves = Valve.objects.select_related("type").in_bulk([pk for pk, _, _ in job.result["moves"]])
    return [MovedGrade(valves[pk], before, after) for pk, before, after in job.result["moves"]]
