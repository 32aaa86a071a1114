"""Whatever becomes of what comes back, the books balance and say what the records say, to the penny."""

from __future__ import annotations

import random
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.auth.models import User

from grading.returns import deciding, opening
from grading.returns.deciding import VerdictWanted
from grading.valves import rules
from stockroom.ledger import checking, profit, valuation
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import Counter, Invoice, Order, Payment, Posting, TaxRule, Valve
from stockroom.money import invoicing
from stockroom.places.write_offs import write_off
from stockroom.receiving.booking import change_lot
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, graded_all, make_user
from tests.ledger.test_the_books import books, bought, charge
from tests.orders.test_filling_an_order import fill, order_for, send

pytestmark = pytest.mark.django_db

KEEPS = VerdictWanted("refund", "sent back", amount=Decimal(7), pay_back=True)
DEEDS = {
    "refund": VerdictWanted("refund", "ours", pay_back=True),
    "part, the customer keeps it": KEEPS,
    "part, it is ours": VerdictWanted("refund", "ours", amount=Decimal(11)),
    "replace": VerdictWanted("replacement", "ours"),
    "refuse": VerdictWanted("refusal", "kept", reason="it reads as it did"),
    "break, then refund": VerdictWanted("refund", "ours", pay_back=True),
    "break, then replace": VerdictWanted("replacement", "ours"),
}
TAXES: list[dict[str, Any]] = [
    {"percent": Decimal("17.5")},
    {"percent": 20, "margin": True},
]


class ShopOfReturns:
    """One lot of which everything that is sold comes back, until every deed was done."""

    def __init__(self, seed: int, by: User) -> None:
        self.chance, self.by = random.Random(seed), by
        Counter.take("order", 500)  # the orders that `order_for` makes are numbered by itself
        TaxRule.objects.create(name="Tax", **TAXES[seed % len(TAXES)])
        self.line = bought(by, "97.31", 7)
        graded_all([(valve, 1.2, 1.6) for valve in self.line.valves.all()])

    def do(self, deed: str) -> None:
        price = Decimal(self.chance.randint(2000, 9999)) / 100
        asked = order_for(set_size=1, max_spread_percent=None, unit_price=price)
        order = send(fill(asked, self.by), self.by)
        invoice = invoicing.issue(order, self.by)
        paid = invoice.total if self.chance.random() < 0.7 else min(invoice.total, Decimal(15))
        invoicing.enter_payment(Payment(order=order, amount=paid), self.by)
        if self.chance.random() < 0.5:
            self.bill()
        valve = Valve.objects.get(allocations__order_line=asked)
        cost = self.cost_of_sale(valve, order)
        case = opening.take_back(order, [valve], "weak", f"weak {self.chance.random()}", {}, self.by)
        assert not self.cost_of_sale(valve, order), "stock again"
        if deed.startswith("break"):
            write_off(valve, "it came in pieces", self.by)
        verdict = deciding.decide(case, DEEDS[deed], self.by)
        if verdict.goods != "ours":
            assert self.cost_of_sale(valve, order) == cost, "at the cost that was fixed when it left"
        if verdict.replacement and Valve.objects.filter(state=State.GRADED).exists():
            send(fill(verdict.replacement.lines.get(), self.by), self.by)
        valve.refresh_from_db()
        if valve.state == State.RECEIVED:
            graded(valve)
        self.check()

    def bill(self) -> None:
        """A bill comes late, or was wrong."""
        change_lot(self.line.lot, [charge("goods", f"{self.chance.randint(5000, 15000) / 100:.2f}")], self.by)

    def cost_of_sale(self, valve: Valve, order: Order) -> Decimal:
        rows = Posting.objects.filter(account=Account.COST_OF_SALES.value, valve=valve, order=order)
        return sum((row.amount for row in rows), Decimal(0))

    def check(self) -> None:
        assert list(checking.findings()) == []
        assert list(rules.broken_rules()) == []
        held = books()
        assert sum(held.values()) == 0
        assert held.get(Account.STOCK, 0) == valuation.from_records(self.line.lot)
        charged = sum((_signed(paper) for paper in Invoice.objects.all()), Decimal(0))
        paid = sum((payment.amount for payment in Payment.objects.all()), Decimal(0))
        assert held.get(Account.CUSTOMERS, 0) + held.get(Account.PAID, 0) == charged
        assert held.get(Account.PAID, 0) == paid
        numbers = list(Invoice.objects.filter(kind=Invoice.Kind.CREDIT).order_by("pk").values_list("number", flat=True))
        assert numbers == [f"K{number:04d}" for number in range(1, len(numbers) + 1)]
        for order in Order.objects.all():
            tax = sum((_of(paper, "tax") for paper in order.invoices.all()), Decimal(0))
            entered = Posting.objects.filter(account=Account.TAX.value, order=order)
            assert sum((-row.amount for row in entered), Decimal(0)) == tax


def _signed(paper: Invoice) -> Decimal:
    return -paper.total if paper.kind == Invoice.Kind.CREDIT else paper.total


def _of(paper: Invoice, what: str) -> Decimal:
    amount = Decimal(paper.content[what])
    return -amount if paper.kind == Invoice.Kind.CREDIT else amount


@pytest.mark.parametrize("half", [0, 1])
def test_the_books_balance_through_every_return_and_resale(half: int) -> None:
    """Half of what can become of a return, in any order, under each tax."""
    shop = ShopOfReturns(half, make_user("ola", Role.OWNER))
    for deed in shop.chance.sample(list(DEEDS)[half::2], k=4 - half):
        shop.do(deed)
    whole = profit.of_the_shop().profit
    for way in profit.WAYS:
        assert sum(row.profit for row in profit.earned(way)) == whole, way
