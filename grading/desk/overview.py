"""The owner's desk, worked out by a job and kept with the moment that it speaks of. Pages show the last one.

Opening a page reckons nothing that grows with the stock: what is kept has a row for each type and no more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.urls import reverse
from django.utils import timezone

from grading.desk import demand, stock, worth
from grading.desk.pure import selling
from grading.desk.written import written_amounts
from stockroom.jobs import kinds
from stockroom.jobs.kinds import Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Job, Lot

KIND = KEY = "desk"
A_DAY = timedelta(days=1)


@dataclass(frozen=True)
class AskDesk:
    """There is one desk: nothing is asked but that it be worked out."""


class DeskRow(NamedTuple):
    """Of a type: what there is, what it cost, what was sold and what was wanted."""

    type: int
    name: str
    kinds: Mapping[str, int]
    pieces: int
    ready: int
    aside: int
    not_graded: int
    cost: Decimal
    oldest: date | None
    sold: int
    waiting: int
    left_out: int
    cancelled: int

    @property
    def wanted(self) -> int:
        """Sold, or would have been."""
        return self.sold + self.waiting + self.left_out

    @property
    def not_had(self) -> int:
        return self.waiting + self.left_out + self.cancelled


class Desk(NamedTuple):
    on: date
    since: date
    columns: tuple[str, ...]
    types: list[DeskRow]
    ages: list[stock.OfAge]
    months: list[tuple[date, int]]
    searches: list[demand.SearchedFor]
    searches_full: bool
    worth: worth.Worth

    @property
    def days(self) -> int:
        return (self.on - self.since).days + 1

    @property
    def pieces(self) -> int:
        return sum(row.pieces for row in self.types)

    @property
    def types_here(self) -> int:
        return sum(row.pieces > 0 for row in self.types)


@kinds.kind(KIND, "The owner's desk", Lane.RECORDS, AskDesk, address=lambda job: reverse("desk"))
def work_out(asked: AskDesk, hand: Hand) -> dict[str, Any]:
    return as_kept(desk_on(timezone.localdate(), hand))


def start(by: User | None) -> Job:
    return kinds.start(KIND, AskDesk(), "The owner's desk", by, key=KEY)


def keep_fresh() -> None:
    """Work it out once a day in a shop that has goods, as a chore. A try that failed is left until the next day."""
    last = Job.objects.keyed(KEY).first()
    if (last is None or last.made_at < timezone.now() - A_DAY) and Lot.objects.exists():
        start(None)


def desk_on(today: date, hand: Hand | None = None) -> Desk:
    was_full = demand.take_in_searches()
    since = demand.looked_back_to(today)
    here, sold, not_had = stock.on_hand(today), demand.sold_by_type(since, today), demand.not_had(since)
    keys = {*here.types, *sold, *not_had.waiting, *not_had.left_out, *not_had.cancelled}
    names = stock.names_of(keys)
    return Desk(
        today,
        since,
        here.columns,
        sorted((_row(key, names[key], here, sold, not_had) for key in keys), key=lambda row: row.name),
        here.ages,
        demand.sold_by_month(today),
        demand.searched_for(since),
        was_full,
        worth.worth_on(today, hand),
    )


def _row(key: int, name: str, here: stock.OnHand, sold: Mapping[int, int], not_had: demand.NotHad) -> DeskRow:
    of = here.types.get(key, stock.OfType(name))
    return DeskRow(
        key,
        name,
        dict(of.kinds),
        of.pieces,
        of.ready,
        of.aside,
        of.not_graded,
        of.cost,
        of.oldest,
        sold.get(key, 0),
        not_had.waiting.get(key, 0),
        not_had.left_out.get(key, 0),
        not_had.cancelled.get(key, 0),
    )


# Kept as JSON


def as_kept(desk: Desk) -> dict[str, Any]:
    return {
        **desk._asdict(),
        "on": desk.on.isoformat(),
        "since": desk.since.isoformat(),
        "types": [
            {**row._asdict(), "cost": str(row.cost), "oldest": row.oldest and row.oldest.isoformat()}
            for row in desk.types
        ],
        "ages": [[age.label, age.pieces, str(age.cost)] for age in desk.ages],
        "months": [[start.isoformat(), sold] for start, sold in desk.months],
        "searches": [list(row) for row in desk.searches],
        "worth": written_amounts(desk.worth._asdict()),
    }


def read(kept: Mapping[str, Any]) -> Desk:
    return Desk(
        **{
            **kept,
            "on": date.fromisoformat(kept["on"]),
            "since": date.fromisoformat(kept["since"]),
            "columns": tuple(kept["columns"]),
            "types": [_read_row(row) for row in kept["types"]],
            "ages": [stock.OfAge(label, pieces, Decimal(cost)) for label, pieces, cost in kept["ages"]],
            "months": [(date.fromisoformat(start), sold) for start, sold in kept["months"]],
            "searches": [demand.SearchedFor(*row) for row in kept["searches"]],
            "worth": worth.read(kept["worth"]),
        }
    )


def _read_row(row: Mapping[str, Any]) -> DeskRow:
    oldest = date.fromisoformat(row["oldest"]) if row["oldest"] else None
    return DeskRow(**{**row, "cost": Decimal(row["cost"]), "oldest": oldest})


def latest() -> Job | None:
    """The last that was worked out."""
    return Job.objects.keyed(KEY).filter(state="done").first()


def under_way() -> Job | None:
    """One that is not over yet, or that failed after the last that was worked out."""
    job = Job.objects.keyed(KEY).first()
    return None if job is None or job.is_done else job


# What to buy


TEST_FIRST = "test first"
MOST_MONTHS = 120.0  # no rate says anything of longer


class BuyingAdvice(NamedTuple):
    row: DeskRow
    ready: selling.Sells  # by what may be sold as it lies
    all: selling.Sells  # with what nobody has tested
    call: str
    why: str
    to_buy: tuple[int, int]

    @property
    def how_many(self) -> str:
        """At the low rate and at the high one."""
        low, high = self.to_buy
        return str(high) if low == high else f"{low} to {high}"

    @property
    def lasts(self) -> str:
        """How long all that is here lasts, in months."""
        low, high = (days / selling.MONTH_DAYS for days in self.all.lasts_days)
        if not self.all.on_hand:
            return "none is here"
        if high > MOST_MONTHS:
            return f"{min(low, MOST_MONTHS):.2g} months or more" if low < MOST_MONTHS else "ten years or more"
        return f"{low:.2g} to {high:.2g} months"


class BuyingTerms(NamedTuple):
    """What the owner says of buying."""

    restock_days: int = 60
    cover_days: int = 180
    slow_days: int = 730


def advise(desk: Desk, terms: BuyingTerms) -> list[BuyingAdvice]:
    rows = desk.types
    ready = selling.sells([(row.wanted, row.ready) for row in rows], desk.days)
    whole = selling.sells([(row.wanted, row.ready + row.not_graded) for row in rows], desk.days)
    return [_advice(desk, *one, terms) for one in zip(rows, ready, whole, strict=True)]


def _advice(desk: Desk, row: DeskRow, ready: selling.Sells, whole: selling.Sells, terms: BuyingTerms) -> BuyingAdvice:
    call: str = whole.call(terms.restock_days, terms.slow_days)
    ready_call = ready.call(terms.restock_days, terms.slow_days)
    if ready_call == selling.BuyingCall.BUY and call != selling.BuyingCall.BUY:
        call = TEST_FIRST
    to_buy = whole.to_buy(terms.restock_days, terms.cover_days)
    return BuyingAdvice(row, ready, whole, call, _why(desk, row, whole), to_buy)


def _why(desk: Desk, row: DeskRow, whole: selling.Sells) -> str:
    """The sales that it rests on, in words."""
    not_had = row.waiting + row.left_out
    asked = f" and {not_had} asked for and not had" if not_had else ""
    low, high = whole.each_month
    return f"{row.sold} sold{asked} in {desk.days} days: {low:.2g} to {high:.2g} a month"
