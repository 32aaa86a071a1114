"""What the stock cost, on any day. What it is worth at its prices is reckoned where prices are known."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

from django.db.models import QuerySet, Sum

from stockroom.ledger import positions
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import Lot, Posting, Shop
from stockroom.models.ledger import from_thousandths

ON_HAND = (Account.STOCK.value, Account.UNSHARED.value)
GONE = (Account.COST_OF_SALES.value, Account.WRITE_OFFS.value)


def balances_on(day: date) -> dict[Account, Decimal]:
    """Each account at the end of the day."""
    rows = Posting.objects.filter(entry__on__lte=day).order_by().values_list("account")
    return {Account(account): from_thousandths(units) for account, units in rows.annotate(units=Sum("thousandths"))}


def at_cost(day: date) -> Decimal:
    """The stock at the end of the day, charges of lots without lines with it."""
    held = Posting.objects.filter(entry__on__lte=day, account__in=ON_HAND)
    return from_thousandths(held.aggregate(units=Sum("thousandths"))["units"])


class LineStock(NamedTuple):
    """What the books have of a line at the end of a day."""

    line: int
    cost: Decimal
    pieces: int


def by_line(day: date) -> list[LineStock]:
    """The lines of which there was anything."""
    rows = Posting.objects.filter(entry__on__lte=day, account=Account.STOCK.value).order_by().values_list("line")
    summed = rows.annotate(units=Sum("thousandths"), there=Sum("pieces"))
    return [LineStock(line, from_thousandths(units), there or 0) for line, units, there in summed if units or there]


def had_left(day: date) -> QuerySet[Any, Any]:
    """Keys of the valves that had left by the end of the day, sold or written off, and not come back."""
    out = Posting.objects.filter(entry__on__lte=day, account__in=GONE, pieces__isnull=False).order_by()
    return out.values("valve").annotate(out=Sum("pieces")).filter(out__gt=0).values("valve")


def from_records(lot: Lot) -> Decimal:
    """The lot's stock reckoned anew, piece by piece, without the books: what `Account.STOCK` must hold."""
    home = Shop.own().currency
    gone: Mapping[tuple[int, int], positions.Left] = {(one.line, one.position): one for one in positions.left(lot)}
    pieces = (
        line.cost_of(position, home)
        for line in lot.lines.all()
        if line.bearing_cost > 0
        for position in range(line.pieces)
        if (line.pk, position) not in gone
    )
    return sum(pieces, Decimal(0))
