"""Set aside the best for every open line of an order at once: all that a line asks for, or nothing of it.

What can be had is looked for first, and then set aside in one short transaction a line, which looks again at each valve
under its lock. Where somebody was quicker the line is looked at anew, a few times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db import transaction

from grading.orders import candidates, fulfilment, proposals, wishes
from grading.orders.fulfilment import CannotPull
from grading.orders.ways import Way, way_for
from grading.sets.plans import why_nothing
from stockroom.jobs import kinds
from stockroom.jobs.kinds import Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Job, Order, OrderLine, Valve
from stockroom.pure.written import noun
from stockroom.site.people import Role

KIND = "fill-order"
AT_ONCE = 25  # items: more are set aside behind the pages
LOOKS = 3


class LineFilled(NamedTuple):
    """What became of a line; `why_not` is empty where all of it is set aside."""

    asked: str
    items: int
    why_not: str = ""

    @property
    def in_words(self) -> str:
        if self.why_not:
            return f"{self.asked}: nothing set aside. {self.why_not}"
        return f"{self.asked}: {self.items} set aside."


def open_lines(order: Order) -> list[OrderLine]:
    lines = order.lines.select_related("type", "order", "maker")
    return [line for line in lines if fulfilment.missing(line) > 0]


def is_quick(lines: Sequence[OrderLine]) -> bool:
    return sum(map(fulfilment.missing, lines)) <= AT_ONCE and all(proposals.is_quick(line) for line in lines)


def fill(order: Order, by: User) -> list[LineFilled]:
    return [fill_line(line, by) for line in open_lines(order)]


def fill_line(line: OrderLine, by: User) -> LineFilled:
    """All that is missing of the line, or nothing."""
    wanted, said = fulfilment.missing(line), wishes.asked(line)
    way, why_not = way_for(line), ""
    for _ in range(LOOKS):
        chosen = [] if way else _chosen(line, wanted)
        if not way and len(chosen) < wanted:
            return LineFilled(said, 0, why_not or _too_few(line, len(chosen), wanted))
        try:
            with transaction.atomic():
                if way:
                    _take_by(way, line, wanted, by)
                for valves in chosen:
                    fulfilment.accept(line, valves, by)
            return LineFilled(said, wanted)
        except CannotPull as refused:
            why_not = str(refused)
    return LineFilled(said, 0, why_not)


def _chosen(line: OrderLine, wanted: int) -> list[Sequence[Valve]]:
    """So many items for the line, no valve in two of them, and none of which a wish cannot be judged."""
    found: list[Sequence[Valve]] = []
    taken: set[int] = set()
    while len(found) < wanted:
        many = wanted - len(found) if line.set_size == 1 else 1  # two sets that are proposed may share a valve
        best = candidates.options(line, many, taken)
        sure = [option.valves for option in best if not option.unsure][:many]
        if not sure:
            break
        found += sure
        taken |= {valve.pk for valves in sure for valve in valves}
    return found


def _too_few(line: OrderLine, found: int, wanted: int) -> str:
    if found:
        return f"Only {found} of {wanted} {noun(found, 'is', 'are')} in stock."
    unsure = candidates.options(line, 1)
    if unsure and unsure[0].unsure:
        return f"Of what could be as wished nobody can say so: {unsure[0].unsure}."
    return " ".join(["Nothing in stock meets it.", *why_nothing(line)[:1]])


def _take_by(way: Way, line: OrderLine, wanted: int, by: User) -> None:
    """
    Raises:
        CannotPull: there are not so many.
    """
    for taken in range(wanted):
        options = way.options(line)
        if not options:
            raise CannotPull(f"Only {taken} of {wanted} {noun(taken, 'is', 'are')} in stock.")
        way.set_aside(line, way.key(options[0]), by)


# Behind the pages


@dataclass(frozen=True)
class FillOrder:
    """The order with this key."""

    order: int


def start(order: Order, by: User) -> Job:
    return kinds.start(KIND, FillOrder(order.pk), f"Set aside all of {order}", by, key=_key(order.pk))


def latest(order: Order) -> Job | None:
    return Job.objects.keyed(_key(order.pk)).select_related("made_by").first()


def _key(order_pk: int) -> str:
    return f"fill order {order_pk}"


def _order_page(job: Job) -> str:
    return Order.objects.get(pk=job.question["order"]).get_absolute_url()


@kinds.kind(KIND, "Set aside for an order", Lane.SEARCH, FillOrder, Role.SALES, address=_order_page)
def work(asked: FillOrder, hand: Hand) -> dict[str, Any]:
    """A line that is set aside is not open any more, so an interrupted job goes on with the others."""
    order = Order.objects.get(pk=asked.order)
    lines = open_lines(order)
    said = list(hand.saved.get("said", ()))
    for number, line in enumerate(lines):
        hand.go_on(f"line {number + 1} of {len(lines)}", number, len(lines))
        assert hand.by is not None
        said.append(fill_line(line, hand.by).in_words)
        hand.save(said=said)
    return {"said": said}
