"""What the stock is worth: at cost on any day, and today at its prices and at the lower of the two.

The lower is taken item by item, a set or a single as it is listed: IAS 2 Inventories, paragraph 29, writes goods down
item by item. The price stands for what it would bring; what selling it costs is not taken off. What has no price is
worth its cost until somebody says otherwise.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Sum

from stockroom.ledger import positions
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import ListedValve, Lot, Posting, Shop, Valve
from stockroom.models.ledger import from_thousandths
from stockroom.pure.money import to_minor

ON_HAND = (Account.STOCK.value, Account.UNSHARED.value)


def balances_on(day: date) -> dict[Account, Decimal]:
    """Each account at the end of the day."""
    rows = Posting.objects.filter(entry__on__lte=day).order_by().values_list("account")
    return {Account(account): from_thousandths(units) for account, units in rows.annotate(units=Sum("thousandths"))}


def at_cost(day: date) -> Decimal:
    """The stock at the end of the day, charges of lots without lines with it."""
    held = Posting.objects.filter(entry__on__lte=day, account__in=ON_HAND)
    return from_thousandths(held.aggregate(units=Sum("thousandths"))["units"])


class Worth(NamedTuple):
    """Of the stock today, in the home currency."""

    cost: Decimal
    priced: int  # valves with a price in the home currency
    price: Decimal  # theirs
    cost_of_priced: Decimal
    lower: Decimal  # the lower of cost and price for these, and the cost of the rest

    @property
    def cost_of_rest(self) -> Decimal:
        return self.cost - self.cost_of_priced


def today() -> Worth:
    home = Shop.own().currency
    held = Posting.objects.filter(account__in=ON_HAND)
    cost = from_thousandths(held.aggregate(units=Sum("thousandths"))["units"])
    items: defaultdict[int, list[Valve]] = defaultdict(list)
    prices: dict[int, Decimal] = {}
    rows = ListedValve.objects.filter(live=True, listing__ended_at=None, listing__currency=home)
    for row in rows.select_related("listing", "valve__line"):
        items[row.listing_id].append(row.valve)
        prices[row.listing_id] = to_minor(row.listing.price, home)
    costs = {key: sum((one.line.cost_of(one.position, home) for one in of), Decimal(0)) for key, of in items.items()}
    saved = sum((max(costs[key] - prices[key], Decimal(0)) for key in items), Decimal(0))
    return Worth(
        cost,
        sum(len(valves) for valves in items.values()),
        sum(prices.values(), Decimal(0)),
        sum(costs.values(), Decimal(0)),
        cost - saved,
    )


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
