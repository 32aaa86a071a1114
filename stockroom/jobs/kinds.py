"""What jobs there are, and how one is asked for, stopped and asked for again.

A room that has long work writes a dataclass for what is asked and a function from that and a `Hand` to a result that
JSON can hold, and hands both to `kind`. Importing the module makes the kind known; `apps.py` imports them all.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import MISSING, asdict, dataclass, fields
from enum import StrEnum
from typing import TYPE_CHECKING, Any, ClassVar, Protocol, TypeVar, cast

from django.contrib.auth.models import User
from django.core.exceptions import ObjectDoesNotExist
from django.db import transaction
from django.urls import NoReverseMatch, reverse
from django.utils import timezone

from stockroom.models import Job
from stockroom.models.jobs import JobState
from stockroom.pure.refused import Refused
from stockroom.site.people import Role, may

if TYPE_CHECKING:
    from stockroom.jobs.worker import Hand


class JobRefused(Refused):
    """The job cannot be done as it was asked, and trying again would not help. The message is for a person."""


class Lane(StrEnum):
    """Jobs of one lane wait for each other, those of different lanes do not: a photograph never waits for a search."""

    PICTURES = "pictures"
    SEARCH = "search"
    RECORDS = "records"


class Question(Protocol):
    """A dataclass whose fields JSON can hold."""

    __dataclass_fields__: ClassVar[dict[str, Any]]


Asked = TypeVar("Asked", bound=Question)
Result = Mapping[str, Any] | None


@dataclass(frozen=True)
class Kind:
    """`roles` may stop it and ask for it again, besides the owner and whoever asked for it. A job that is not `kept`
    is deleted when it is done, because what came of it stands elsewhere. `given_up` hears why one failed."""

    name: str
    label: str
    lane: Lane
    question: type[Question]
    work: Callable[[Any, Hand], Result]
    roles: tuple[Role, ...] = ()
    kept: bool = True
    address: Callable[[Job], str] | None = None
    given_up: Callable[[Any, str], None] | None = None


KINDS: dict[str, Kind] = {}


def kind(
    name: str,
    label: str,
    lane: Lane,
    question: type[Asked],
    *roles: Role,
    kept: bool = True,
    address: Callable[[Job], str] | None = None,
    given_up: Callable[[Asked, str], None] | None = None,
) -> Callable[[Callable[[Asked, Hand], Result]], Callable[[Asked, Hand], Result]]:
    """Makes a function the work of jobs of this kind."""

    def known(work: Callable[[Asked, Hand], Result]) -> Callable[[Asked, Hand], Result]:
        KINDS[name] = Kind(name, label, lane, question, work, roles, kept, address, given_up)
        return work

    return known


def read_question(wanted: type[Asked], row: Mapping[str, Any]) -> Asked:
    """The question as it was stored.

    Raises:
        JobRefused: it has a key that this version does not know, or lacks one that it needs.

    >>> @dataclass
    ... class Count:
    ...     to: int
    >>> read_question(Count, {"to": 3})
    Count(to=3)
    >>> read_question(Count, {"to": 3, "by": 2})
    Traceback (most recent call last):
    stockroom.jobs.kinds.JobRefused: Another version of the program asked for this. It says “by”, which this version \
does not know. Ask for it anew.
    """
    known = {field.name: field for field in fields(cast(Any, wanted))}
    strange = sorted(set(row) - set(known))
    lacking = sorted(
        name
        for name, field in known.items()
        if name not in row and field.default is MISSING and field.default_factory is MISSING
    )
    if strange or lacking:
        about = [f"says “{name}”, which this version does not know" for name in strange]
        about += [f"does not say “{name}”, which this version needs" for name in lacking]
        raise JobRefused(f"Another version of the program asked for this. It {', and '.join(about)}. Ask for it anew.")
    return wanted(**row)


# Asking


def start(kind: str, asked: Question, title: str, by: User | None, *, key: str = "") -> Job:
    """Put a job in the queue. Where a live one has the same key that one is returned, and no second is made."""
    (job,) = start_many(kind, [(asked, title, key)], by)
    return job


def start_many(kind: str, jobs: Sequence[tuple[Question, str, str]], by: User | None) -> list[Job]:
    """Puts (question, title, key) in the queue; the jobs that are live now, in the same order."""
    rows = [
        Job(kind=kind, question=asdict(cast(Any, asked)), title=title[:200], made_by=by, key=key)
        for asked, title, key in jobs
    ]
    if not all(row.key for row in rows):
        return Job.objects.bulk_create(rows)
    live: dict[str, Job] = {}
    while wanting := [row for row in rows if row.key not in live]:  # again, where a live one has ended meanwhile
        Job.objects.bulk_create(wanting, ignore_conflicts=True)
        live |= {job.key: job for job in Job.objects.live().filter(key__in=[row.key for row in wanting])}
    return [live[row.key] for row in rows]


def ask_to_stop(job: Job) -> None:
    """One that waits is stopped at once; one at work within a second or so, when its kind comes to a good place."""
    if not Job.objects.filter(pk=job.pk, state=JobState.WAITING).update(
        state=JobState.STOPPED, stop_asked=True, ended_at=timezone.now()
    ):
        Job.objects.filter(pk=job.pk, state=JobState.WORKING).update(stop_asked=True)


def retry(job: Job) -> bool:
    """Back in the queue with its attempts before it, to go on from where it was; False when it is not over, or
    another about the same thing is live."""
    with transaction.atomic():
        if job.key and Job.objects.live().filter(key=job.key).exists():
            return False
        again = Job.objects.filter(pk=job.pk, state__in=(JobState.FAILED, JobState.STOPPED))
        return bool(
            again.update(
                state=JobState.WAITING, stop_asked=False, attempts=0, trouble="", not_before=None, ended_at=None
            )
        )


def may_handle(job: Job, user: User) -> bool:
    """Whether this person may stop it and ask for it again."""
    known = KINDS.get(job.kind)
    return job.made_by_id == user.pk or may(user, *(known.roles if known else ()))


def address_of(job: Job) -> str:
    """The page that shows what comes of it; the job's own where there is none, or another version knew which."""
    known = KINDS.get(job.kind)
    if known and known.address:
        with suppress(KeyError, NoReverseMatch, ObjectDoesNotExist):
            return known.address(job)
    return reverse("job", args=[job.pk])


def names_in(lanes: Collection[Lane]) -> list[str]:
    return [known.name for known in KINDS.values() if known.lane in lanes]
