"""What was earned: by lot, line, supplier, type, customer or valve. The rows add up to the profit of the shop.

What is not of one lot, customer or valve stands in a row of its own, so that nothing is left out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from django.db.models import QuerySet, Sum
from django.db.models.functions import Coalesce

from stockroom.ledger.pure.double_entry import PROFIT, Account
from stockroom.models import Posting
from stockroom.models.ledger import from_thousandths

NONE = "not of one"


class Earned(NamedTuple):
    """Each amount as it raises (sales) or lowers the profit (the rest)."""

    what: str
    amounts: dict[Account, Decimal]

    def of(self, account: Account) -> Decimal:
        """A credit raises the profit, a debit lowers it."""
        return -self.amounts.get(account, Decimal(0))

    @property
    def cells(self) -> list[Decimal]:
        return [self.of(account) for account in PROFIT]

    @property
    def profit(self) -> Decimal:
        return sum(self.cells, Decimal(0))


class Grouping(NamedTuple):
    label: str
    fields: tuple[str, ...]
    name: Callable[..., str] = lambda *parts: str(parts[0])


WAYS = {
    "lot": Grouping("Lot", ("lot__number",)),
    "line": Grouping("Line", ("lot__number", "line__number"), lambda lot, line: f"{lot}/{line}"),
    "supplier": Grouping("Supplier", ("lot__supplier__name",)),
    "type": Grouping("Type", ("of_type",)),
    "customer": Grouping("Customer", ("order__customer__name", "order__customer"), lambda name, key: f"{name} ({key})"),
    "valve": Grouping("Valve", ("valve__serial",)),
}


def postings(since: date | None = None, until: date | None = None) -> QuerySet[Posting]:
    """Those that make the profit of these days, both counted."""
    found = Posting.objects.filter(account__in=[account.value for account in PROFIT]).order_by()
    if since:
        found = found.filter(entry__on__gte=since)
    return found.filter(entry__on__lte=until) if until else found


def earned(by: str, since: date | None = None, until: date | None = None) -> list[Earned]:
    """The most profitable first; rows at nothing are left out."""
    way = WAYS[by]
    rows = postings(since, until).annotate(of_type=Coalesce("valve__type__designation", "line__type__designation"))
    found: defaultdict[str, defaultdict[Account, Decimal]] = defaultdict(lambda: defaultdict(Decimal))
    for row in rows.values_list(*way.fields, "account").annotate(units=Sum("thousandths")):
        *parts, account, units = row
        what = f"{NONE} {way.label.lower()}" if None in parts else way.name(*parts)
        found[what][Account(account)] += from_thousandths(units)
    named = [Earned(what, dict(amounts)) for what, amounts in found.items() if any(amounts.values())]
    return sorted(named, key=lambda row: (-row.profit, row.what))


def of_the_shop(since: date | None = None, until: date | None = None) -> Earned:
    rows = postings(since, until).values_list("account").annotate(units=Sum("thousandths"))
    return Earned("Together", {Account(account): from_thousandths(units) for account, units in rows})
