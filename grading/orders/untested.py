"""Orders for valves that nobody has graded, sold as they were received: singles, and every page says so."""

from __future__ import annotations

from collections.abc import Sequence

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import QuerySet

from grading.listings.untested import UNGRADED, never_graded
from grading.orders import fulfilment
from grading.orders.fulfilment import CannotPull
from stockroom.models import Allocation, Order, OrderLine, Valve
from stockroom.states import State

SHOWN = 8


def for_sale_untested() -> QuerySet[Valve]:
    """In house, never graded, and not on an order."""
    return never_graded().filter(state__in=[*UNGRADED, State.LISTED]).exclude(allocations__live=True)


class UntestedValves:
    """The way in which a line of untested valves is filled (`grading.orders.ways`)."""

    done = "Set aside, untested."
    options_template = "orders/_untested_options.html"
    none_template = "orders/_untested_none.html"
    statements_template = "orders/_untested_statements.html"

    def serves(self, line: OrderLine) -> bool:
        return line.untested

    def options(self, line: OrderLine) -> Sequence[Valve]:
        free = for_sale_untested().filter(type=line.type)
        return list(free.select_related("type", "maker", "place", "line__lot").order_by("serial")[:SHOWN])

    def key(self, option: Valve) -> str:
        return option.serial

    @transaction.atomic
    def set_aside(self, line: OrderLine, chosen: str, by: User) -> list[Valve]:
        """Raises CannotPull: the line is filled, or the valve is not for sale as untested."""
        order = fulfilment.changeable(line)
        listing = chosen.removeprefix("listing ")
        wanted = {"listings__listing__number": listing} if listing != chosen else {"serial": chosen}
        valves = list(for_sale_untested().filter(type=line.type, **wanted).select_related("line__lot"))
        if len(valves) != 1:
            raise CannotPull(f"{listing} is not for sale as untested any more. Look again.")
        fulfilment.allocate(order, line, valves, by)
        return valves

    def statements(self, order: Order) -> Sequence[str]:
        names = Allocation.objects.filter(order_line__order=order, order_line__untested=True, live=True)
        return sorted(names.values_list("valve__serial", flat=True))

    def where(self, allocation: Allocation) -> str:
        return ""
