"""Looking again at marks whose meaning has changed, a job of the queue.

What a stamp says of the type rests on the names on file, on which types are one valve inside, and on the type codes
that came with the program. Once any of these is another, every stamp that tells a type is looked at again: which of
them the change bears on shows only when they are read. A change of the shop's own codes and makers bears on few stamps,
which are known (`identity.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet
from django.urls import reverse
from django.utils import timezone

from stockroom.jobs import kinds
from stockroom.jobs.kinds import Lane
from stockroom.jobs.worker import Hand
from stockroom.marks.identity import WarningsMoved, reassess_by
from stockroom.marks.pure.stamps import tells_a_type
from stockroom.marks.register import Register, codes_known
from stockroom.models import Entry, Job, JobState, MarkWarning, Valve
from stockroom.pure.written import plural
from stockroom.site.chunks import CHUNK
from stockroom.site.locks import hold_valves
from stockroom.site.people import Role

KIND = "look at marks again"


@dataclass(frozen=True)
class StampsRead:
    """`codes` tells which type codes came with the program when it was asked for."""

    codes: str


def start(by: User | None = None) -> Job | None:
    """Ask for it, in the transaction of the change; nothing where no valve in house has a stamp.

    A job that still waits will see this change as well. One at work has perhaps passed some valves already, so another
    then waits behind it.
    """
    if not _in_question().exists():
        return None
    waiting = Job.objects.select_for_update(no_key=True).filter(kind=KIND, state=JobState.WAITING).first()
    if waiting is not None and waiting.question["codes"] == codes_known().digest:
        return waiting
    asked, key = StampsRead(codes_known().digest), f"{KIND} {timezone.now():%Y%m%d%H%M%S%f}"
    return kinds.start(KIND, asked, "Look again at what stamps say of the type", by, key=key)


def start_where_codes_changed() -> Job | None:
    """Ask for it where other type codes came with the program than when stamps were last looked at."""
    jobs = Job.objects.filter(kind=KIND).exclude(state__in=(JobState.FAILED, JobState.STOPPED))
    last = jobs.order_by("-pk").first()
    return start() if last is None or last.question["codes"] != codes_known().digest else None


def _in_question() -> QuerySet[Valve]:
    return Valve.objects.in_house().exclude(date_code="")


@kinds.kind(
    KIND,
    "Look again at what stamps say of the type",
    Lane.RECORDS,
    StampsRead,
    Role.RECEIVING,
    Role.BENCH,
    address=lambda job: reverse("warnings"),
)
def look_again(asked: StampsRead, hand: Hand) -> dict[str, Any]:
    """So many valves at a time as one question takes, each piece written once: an interrupted one goes on behind it."""
    register, number = Register(), _in_question().count()
    done = {"after": 0, "seen": 0, "came": 0, "went": 0, "told": False, **hand.saved}
    while piece := _piece(done["after"]):
        hand.go_on(f"{done['seen']} of {plural(number, 'valve')} looked at", done["seen"], number)
        telling = [key for key, code, warned in piece if warned or tells_a_type(code)]
        with transaction.atomic():
            moved = _reassess(telling, register, hand.by)
            done["after"], done["seen"] = piece[-1][0], done["seen"] + len(piece)
            done["came"], done["went"] = done["came"] + moved.came, done["went"] + moved.went
            hand.save(**done)
    said = f"{plural(done['came'], 'warning')} came, {done['went']} went"
    hand.tell(f"{plural(done['seen'], 'valve')} looked at, {said}", done["seen"], done["seen"])
    if (done["came"] or done["went"]) and not done["told"]:
        with transaction.atomic():
            done["told"] = True
            hand.save(**done)  # the entry is written once, by whoever has the job
            Entry.write(hand.by, "marks-looked-at", f"What stamps say of the type was looked at again: {said}.")
    return done


def _piece(after: int) -> list[tuple[int, str, bool]]:
    """Keys and stamps of the next valves behind this key, and whether there is a warning: it may be of a date, and its
    words name the type as it was called.
    """
    found = MarkWarning.objects.found().filter(valve=OuterRef("pk"))
    rows = _in_question().filter(pk__gt=after).annotate(warned=Exists(found)).order_by("pk")
    return list(rows.values_list("pk", "date_code", "warned")[:CHUNK])


def _reassess(keys: list[int], register: Register, by: User | None) -> WarningsMoved:
    if not keys:
        return WarningsMoved(0, 0)
    hold_valves(keys)  # nobody writes down other marks of them meanwhile
    return reassess_by(register, keys, by)
