"""Does the jobs of the queue, one after the other.

`work_forever` runs in a thread of its own for each lane behind `manage.py serve`, or in a process of its own by
`manage.py work_jobs`; `work_off` does what waits and returns.
"""

from __future__ import annotations

import errno
import logging
import threading
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from datetime import timedelta
from functools import partial
from typing import Any
from uuid import uuid4

from django.contrib.auth.models import User
from django.db import (
    DatabaseError,
    InterfaceError,
    OperationalError,
    close_old_connections,
    connections,
    models,
    transaction,
)
from django.db.models import F, Q
from django.utils import timezone

from stockroom.jobs.kinds import KINDS, JobRefused, Kind, Lane, Question, names_in, read_question
from stockroom.models import Job
from stockroom.models.jobs import JobState

log = logging.getLogger(__name__)

MOST_ATTEMPTS = 3  # a job that ends its worker, or fails, so often is given up
PAUSE_S = 0.5  # between two looks into an empty queue: somebody may be waiting for a page
PAUSE_IN_TROUBLE_S = 30.0  # a full disk or a database that is away takes people to mend
PAUSE_AFTER_FAULT_S = 5.0
BEAT_S = 0.5  # how often progress is written and a request to stop is read
SIGN_OF_LIFE_S = 5.0  # how often it is written that the worker lives, when there is no progress to write
LOST_AFTER = timedelta(seconds=30)  # several signs of life; a solver may hold the interpreter's lock for a while
CHORE_EVERY_S = 60.0
ENDINGS_TRIED = 6  # with BEAT_S, twice as long each time, between them: about half a minute

# What a room above wants done now and then, by name: joined when the site starts, done by the RECORDS lane.
CHORES: dict[str, Callable[[], object]] = {}

# Trouble of the machine, through no fault of the job: no space or quota, a read-only or failing disk, no memory, no
# more open files.
MACHINE = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EROFS: "the disk cannot be written",
    errno.EIO: "the disk fails",
    errno.ENOMEM: "the machine has no memory left",
    errno.EMFILE: "too many files are open",
    errno.ENFILE: "too many files are open",
}


class Interrupted(Exception):
    """The worker is about to leave. The job goes back into the queue and loses nothing by it."""


class StopAsked(Exception):
    """Somebody asked the job to stop, and it is at a place where it can."""


class LostJob(Exception):
    """Another worker has the job now, because this one gave no sign of life for too long."""


class Hand:
    """What the work of a job is given besides its question: ways to tell how far it is, to ask whether to go on, and
    to save where it stands.

    With `beating` a thread of its own writes and reads for it; without, `tell` and `asked_to_stop` do so themselves,
    at most once in BEAT_S.
    """

    def __init__(self, job: Job, leaving: threading.Event | None = None, *, beating: bool = False) -> None:
        self.job = job
        self._leaving = leaving or threading.Event()
        self.beating = beating
        self._progress: dict[str, Any] = {}
        self._written: dict[str, Any] = {}
        self._beat_at = self._written_at = float("-inf")
        self._stop_asked = self._lost = False

    @property
    def by(self) -> User | None:
        return self.job.made_by

    @property
    def saved(self) -> dict[str, Any]:
        """Where an earlier attempt left off."""
        return dict(self.job.saved)

    @property
    def leaving(self) -> bool:
        """The worker is about to leave, or has lost the job."""
        return self._leaving.is_set() or self._lost

    def tell(self, text: str, done: float | None = None, of: float | None = None, **more: Any) -> None:
        """How far it is: in words, and if it can be said as `done` of `of`."""
        self._progress = {"text": text, "done": done, "of": of, **more}
        if not self.beating:
            self._beat_now_and_then()

    def asked_to_stop(self) -> bool:
        if not self.beating:
            self._beat_now_and_then()
        return self._stop_asked

    def go_on(self, text: str, done: float | None = None, of: float | None = None, **more: Any) -> None:
        """Tells how far it is, between two pieces.

        Raises:
            StopAsked, Interrupted: this was the last piece for now.
        """
        self.tell(text, done, of, **more)
        if self.leaving:
            raise Interrupted
        if self.asked_to_stop():
            raise StopAsked

    def save(self, **saved: Any) -> None:
        """Where to go on from, should this be interrupted. Call it in the transaction that writes the piece. A job
        that comes on has its attempts before it again: only where it stands still are they counted.

        Raises:
            LostJob: another worker has the job; the transaction must not be committed.
        """
        attempts = self.job.attempts if saved == self.job.saved else 1
        if not self.ours().update(saved=saved, attempts=attempts):
            raise LostJob
        self.job.saved, self.job.attempts = saved, attempts

    def ours(self) -> models.QuerySet[Job]:
        """The job's row while this worker has it in hand, and nothing afterwards."""
        return Job.objects.filter(pk=self.job.pk, claim=self.job.claim, state=JobState.WORKING)

    def last_words(self) -> dict[str, Any]:
        return self._progress

    # The sign of life

    def _beat_now_and_then(self) -> None:
        if time.monotonic() - self._beat_at >= BEAT_S:
            self.beat()

    def beat(self) -> None:
        """Write progress or a sign of life, read whether to stop."""
        now = self._beat_at = time.monotonic()
        progress = self._progress
        if progress != self._written or now - self._written_at >= SIGN_OF_LIFE_S:
            self._lost = not self.ours().update(progress=progress, alive_at=timezone.now())
            self._written, self._written_at = progress, now
        self._stop_asked = self.ours().filter(stop_asked=True).exists()


@contextmanager
def _beating(hand: Hand) -> Iterator[None]:
    """Beats in a thread of its own for as long as the block lasts, whatever the block is busy with."""
    over = threading.Event()

    def beat() -> None:
        while not over.wait(BEAT_S):
            try:
                hand.beat()
            except DatabaseError:
                log.warning("Job %s could not write its progress", hand.job.pk, exc_info=True)
                connections.close_all()
        connections.close_all()

    thread = threading.Thread(target=beat, name=f"job {hand.job.pk}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


# The queue


def claim(lanes: Collection[Lane] = (), kinds: Collection[str] = ()) -> Job | None:
    """Take the next job in hand, so that nobody else takes it while this worker lives.

    Of these lanes, or of these kinds; of all without either. Jobs of a kind that nobody knows are the RECORDS lane's,
    which refuses them. The update repeats the condition, so of two workers that found the same row one changes it and
    one does not.
    """
    now = timezone.now()
    free = Job.objects.filter(
        Q(state=JobState.WAITING) & (Q(not_before=None) | Q(not_before__lte=now))
        | Q(state=JobState.WORKING, alive_at__lt=now - LOST_AFTER)
    )
    if kinds:
        free = free.filter(kind__in=kinds)
    elif lanes:
        ours = Q(kind__in=names_in(lanes))
        free = free.filter(ours | ~Q(kind__in=names_in(list(Lane))) if Lane.RECORDS in lanes else ours)
    while found := list(free.order_by("attempts", "pk").values_list("pk", flat=True)[:20]):
        for pk in found:
            token = uuid4().hex
            if free.filter(pk=pk).update(
                state=JobState.WORKING, claim=token, alive_at=timezone.now(), attempts=F("attempts") + 1, trouble=""
            ):
                return Job.objects.select_related("made_by").get(pk=pk)
    return None


def work_off(lanes: Collection[Lane] = (), kinds: Collection[str] = (), limit: int | None = None) -> Counter[JobState]:
    """Do what waits, `limit` jobs at most; how many ended in which state. WAITING ones will be tried again."""
    ended: Counter[JobState] = Counter()
    while limit is None or ended.total() < limit:
        job = claim(lanes, kinds)
        if job is None:
            break
        ended[do(Hand(job))] += 1
    return ended


def work_forever(stop: threading.Event, lanes: Collection[Lane] = ()) -> None:
    """Do jobs as they come until `stop` is set, in a thread of its own, and the chores between them. Trouble is logged
    and waited out."""
    chores_at = 0.0 if not lanes or Lane.RECORDS in lanes else float("inf")
    while not stop.is_set():
        close_old_connections()
        pause = PAUSE_S
        if time.monotonic() >= chores_at:
            do_chores()
            chores_at = time.monotonic() + CHORE_EVERY_S
        try:
            job = claim(lanes)
            if job is not None:
                hand = Hand(job, stop, beating=True)
                with _beating(hand):
                    end = _worked(hand)
                _surely(end, job)
                pause = 0.0
        except Exception:
            # Whatever it was, the jobs behind this one still want doing.
            log.exception("The queue of jobs is in trouble")
            connections.close_all()
            pause = PAUSE_IN_TROUBLE_S
        stop.wait(pause)
    connections.close_all()


def do_chores() -> None:
    """Trouble with one is logged, and keeps nobody from the next."""
    for name, chore in CHORES.items():
        try:
            chore()
        except Exception:
            log.exception("The chore “%s” failed; it is tried again", name)
            connections.close_all()


def by_lane() -> dict[str, Callable[[threading.Event], None]]:
    """A worker for each lane, as `stockroom.site.serving` starts them."""
    return {f"jobs: {lane}": partial(work_forever, lanes=(lane,)) for lane in Lane}


# One job

Ending = Callable[[], JobState]


def do(hand: Hand) -> JobState:
    """Do the job in hand; the state that it is in then."""
    return _worked(hand)()


def _worked(hand: Hand) -> Ending:
    """Work on it; how it ends, which is still to be written."""
    job = hand.job
    known = KINDS.get(job.kind)
    asked: Question | None = None
    try:
        if known is None:
            raise JobRefused(f"This version of the program knows no jobs called “{job.kind}”.")
        asked = read_question(known.question, job.question)
        if job.attempts > MOST_ATTEMPTS:
            raise JobRefused(f"It was begun {MOST_ATTEMPTS} times and never came to its end.")
        result = known.work(asked, hand)
    except Interrupted:
        return lambda: _give_back(hand)
    except StopAsked:
        return lambda: _end(hand, JobState.STOPPED, hand.saved, "")
    except JobRefused as refusal:
        why = str(refusal)
        return lambda: _fail(hand, known, asked, why)
    except LostJob:
        log.warning("Job %s was taken over by another worker", job.pk)
        return lambda: JobState.WORKING
    except Exception as problem:
        trouble = trouble_of_the_machine(problem)
        if trouble:
            log.exception("Job %s (%s) met trouble of the machine", job.pk, job)
            return lambda: _give_back(hand, PAUSE_IN_TROUBLE_S, f"It is tried again: {trouble}.")
        log.exception("Job %s (%s) failed in attempt %s", job.pk, job, job.attempts)
        if job.attempts < MOST_ATTEMPTS:
            return lambda: _try_again(hand)
        return lambda: _fail(hand, known, asked, f"It failed {MOST_ATTEMPTS} times; the fault is in the server's log.")
    return lambda: _done(hand, known, dict(result or {}))


def trouble_of_the_machine(problem: BaseException) -> str:
    """In words, what is the matter with the machine; nothing when the fault is the job's.

    >>> trouble_of_the_machine(OSError(errno.ENOSPC, "No space left on device"))
    'the disk is full'
    >>> trouble_of_the_machine(ValueError("not a number"))
    ''
    """
    if isinstance(problem, MemoryError):
        return MACHINE[errno.ENOMEM]
    if isinstance(problem, (OperationalError, InterfaceError)):
        return "the database does not answer"
    if isinstance(problem, OSError) and problem.errno is not None:
        return MACHINE.get(problem.errno, "")
    return ""


def _surely(end: Ending, job: Job) -> JobState:
    """Write how a job ended, also when the database is busy for a while. Failing that it is taken up again later."""
    for number in range(1, ENDINGS_TRIED):
        try:
            return end()
        except OperationalError:
            log.warning("The end of job %s could not be written yet", job.pk, exc_info=True)
            connections.close_all()
            time.sleep(BEAT_S * 2**number)
    return end()


def _end(hand: Hand, state: JobState, result: dict[str, Any], trouble: str) -> JobState:
    hand.ours().update(
        state=state, result=result, trouble=trouble[:300], progress=hand.last_words(), ended_at=timezone.now()
    )
    return state


def _done(hand: Hand, known: Kind, result: dict[str, Any]) -> JobState:
    if known.kept:
        return _end(hand, JobState.DONE, result, "")
    hand.ours().delete()
    return JobState.DONE


def _fail(hand: Hand, known: Kind | None, asked: Question | None, why: str) -> JobState:
    with transaction.atomic():
        if hand.ours().exists():
            if known and known.given_up and asked is not None:
                known.given_up(asked, why)
            _end(hand, JobState.FAILED, hand.saved, why)
    return JobState.FAILED


def _try_again(hand: Hand) -> JobState:
    later = timezone.now() + timedelta(seconds=PAUSE_AFTER_FAULT_S * hand.job.attempts)
    trouble = f"Attempt {hand.job.attempts} failed; the fault is in the server's log. It is tried again."
    hand.ours().update(state=JobState.WAITING, not_before=later, trouble=trouble)
    return JobState.WAITING


def _give_back(hand: Hand, pause_s: float = 0.0, trouble: str = "") -> JobState:
    """Into the queue as if it had not been begun: neither a restart nor a full disk uses up an attempt."""
    later = timezone.now() + timedelta(seconds=pause_s) if pause_s else None
    hand.ours().update(
        state=JobState.WAITING,
        not_before=later,
        attempts=F("attempts") - 1,
        trouble=trouble,
        progress=hand.last_words(),
    )
    return JobState.WAITING
