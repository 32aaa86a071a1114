"""A job that counts, a piece at a time, for tests of the queue."""

from __future__ import annotations

import errno
import time
from dataclasses import dataclass

from django.db import transaction

from stockroom.jobs import kinds
from stockroom.jobs.kinds import JobRefused, Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Customer, Job


@dataclass(frozen=True)
class Count:
    """`to` so many customers, `pause_s` apart. At `trouble_at` the machine, the job or the question is at fault."""

    to: int
    pause_s: float = 0.0
    trouble_at: int | None = None
    trouble: str = ""


def count(asked: Count, hand: Hand) -> dict[str, int]:
    """Every piece is a customer, so that a piece done twice is seen."""
    for number in range(hand.saved.get("done", 0) + 1, asked.to + 1):
        if number == asked.trouble_at:
            raise {
                "disk": OSError(errno.ENOSPC, "No space left on device"),
                "fault": ZeroDivisionError("a fault of ours"),
                "refused": JobRefused("There are not so many."),
            }[asked.trouble]
        with transaction.atomic():
            Customer.objects.create(name=f"Customer {number}")
            hand.save(done=number)
        time.sleep(asked.pause_s)
        hand.go_on(f"{number} counted", number, asked.to)
    return {"counted": asked.to}


GIVEN_UP: list[str] = []


def make_known() -> None:
    kinds.kind("count", "Count", Lane.RECORDS, Count, given_up=lambda asked, why: GIVEN_UP.append(why))(count)


def ask(to: int, *, key: str = "", **more: object) -> Job:
    return kinds.start("count", Count(to, **more), f"Count to {to}", None, key=key)  # type: ignore[arg-type]
