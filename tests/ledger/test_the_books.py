"""What the shop does is in its books: lots, charges, losses, sales and returns, and what each earned."""

from __future__ import annotations

import csv
import random
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from decimal import Decimal

import pytest
from django.contrib.auth.models import User
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.desk import worth
from grading.models import PriceRule
from grading.orders import corrections as order_corrections
from grading.orders import fulfilment
from stockroom.claims import claiming, faulty_pieces
from stockroom.ledger import checking, posting, profit, valuation
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import (
    Allocation,
    Charge,
    Credit,
    Customer,
    Despatch,
    Fault,
    Invoice,
    LedgerEntry,
    Line,
    ListedValve,
    Listing,
    Lot,
    Order,
    Posting,
    Return,
    Supplier,
    TaxRule,
    Valve,
)
from stockroom.money import invoicing
from stockroom.places.write_offs import write_off
from stockroom.receiving import booking, corrections
from stockroom.signals import despatch_undone, order_despatched, valves_returned
from stockroom.site.people import Role
from tests.factories import graded, make_line, make_supplier, make_type, make_user
from tests.orders.test_filling_an_order import fill, order_for, send

pytestmark = pytest.mark.django_db
TODAY = timezone.localdate() - timedelta(days=1)  # of the invented month


@pytest.fixture
def by() -> User:
    return make_user("ola", Role.OWNER)


def charge(kind: str, amount: str, currency: str = "GBP", rate: str = "1") -> Charge:
    return Charge(kind=kind, amount=Decimal(amount), currency=currency, rate=Decimal(rate))


def bought(by: User, goods: str = "100.00", pieces: int = 3, supplier: Supplier | None = None) -> Line:
    """A lot of one line, counted, every piece with its serial."""
    lot = booking.book_in(Lot(supplier=supplier or make_supplier()), [charge("goods", goods)], by)
    line = Line(type=make_type(), condition=Line.Condition.BOXED, expected=pieces, counted=pieces)
    booking.add_lines(lot, [line], by)
    booking.allot_serials(line, None, by)
    return line


def books() -> dict[Account, Decimal]:
    """What each account stands at; none that stands at nothing."""
    held = valuation.balances_on(timezone.localdate() + timedelta(days=1))
    return {account: amount for account, amount in held.items() if amount}


def right() -> None:
    assert list(checking.findings()) == []


def sold(line: Line, by: User, price: str | None = "40.00", **order: str) -> Order:
    """The line's first graded valve, sent."""
    graded(line.valves.order_by("position").filter(written_off="", allocations=None)[0])
    line = order_for(set_size=1, max_spread_percent=None, unit_price=price and Decimal(price))
    Order.objects.filter(pk=line.order_id).update(**order)
    return send(fill(line, by), by)


def test_a_lot_is_owed_for_and_stands_as_stock(by: User) -> None:
    lot = booking.book_in(Lot(supplier=make_supplier()), [charge("goods", "90"), charge("freight", "10")], by)
    assert books() == {Account.UNSHARED: 100, Account.GOODS: -90, Account.FREIGHT: -10}
    booking.add_lines(lot, [Line(type=make_type(), condition="used", expected=3)], by)
    assert books() == {Account.STOCK: 100, Account.GOODS: -90, Account.FREIGHT: -10}
    right()


def test_a_foreign_charge_is_entered_at_its_rate(by: User) -> None:
    booking.book_in(Lot(supplier=make_supplier()), [charge("goods", "99.99", "EUR", "0.8567")], by)
    assert books()[Account.GOODS] == Decimal("-85.66")  # 85.661433


def test_a_sale_takes_its_cost_out_of_stock_for_good(by: User) -> None:
    line = bought(by)  # 33.34, 33.33, 33.33
    order = sold(line, by)
    assert books() == {
        Account.STOCK: Decimal("66.66"),
        Account.GOODS: -100,
        Account.COST_OF_SALES: Decimal("33.34"),
        Account.SALES: -40,
        Account.CUSTOMERS: 40,
    }
    later = [charge("goods", "100"), charge("freight", "9")]
    booking.change_lot(line.lot, later, by)
    held = books()
    assert held[Account.COST_OF_SALES] == Decimal("33.34"), "fixed when it left"
    assert held[Account.LATER_COSTS] == Decimal("3.00") and held[Account.STOCK] == Decimal("72.66")
    row = profit.earned("valve")[0]
    assert (row.what, row.profit) == (order.lines.get().allocations.get().valve.serial, Decimal("6.66"))
    assert profit.of_the_shop().profit == Decimal("3.66")
    right()


def test_import_tax_that_is_claimed_back_is_no_cost_and_stands_on_its_own(
    by: User, logged_in: Callable[..., Client]
) -> None:
    charges = [charge("goods", "90"), charge("freight", "10"), charge("import tax", "20", "EUR", "0.9")]
    lot = booking.book_in(Lot(supplier=make_supplier()), charges, by)
    line = Line(type=make_type(), condition="used", expected=4)
    booking.add_lines(lot, [line], by)
    assert books() == {
        Account.STOCK: 100,
        Account.GOODS: -90,
        Account.FREIGHT: -10,
        Account.IMPORT_TAX: 18,
        Account.IMPORT_TAX_CHARGED: -18,
    }
    line.refresh_from_db()
    assert line.cost == 100 and valuation.at_cost(timezone.localdate()) == 100
    journal = b"".join(logged_in(Role.OWNER).get(reverse("ledger-csv"))).decode()  # type: ignore[arg-type]
    rows = [row for row in csv.DictReader(journal.splitlines()) if row["account"] == "1210"]
    assert [(row["name"], row["debit"]) for row in rows] == [("Import tax to claim back", "18.000")]
    right()


def test_several_bills_of_a_kind_and_a_rebate_after_the_sale(by: User) -> None:
    line = bought(by, "90.00")
    sold(line, by)
    bills = [charge("goods", "90"), charge("freight", "9"), charge("freight", "6", "EUR", "0.5")]
    booking.change_lot(line.lot, bills, by)
    assert books()[Account.LATER_COSTS] == 4 and books()[Account.FREIGHT] == -12
    booking.change_lot(line.lot, [*bills, charge("goods", "-15"), charge("freight", "-3")], by)
    held = books()
    assert held[Account.COST_OF_SALES] == 30, "fixed when it left"
    assert held[Account.LATER_COSTS] == -2, "a third of the bills of 12 and of the rebates of 18"
    assert (held[Account.GOODS], held[Account.FREIGHT], held[Account.STOCK]) == (-75, -9, 56)
    right()


def test_the_books_count_pieces_beside_their_value(by: User) -> None:
    line = bought(by, pieces=4)

    def there() -> list[int]:
        booked = posting.pieces_booked(line.lot).items()
        return [pieces for key, pieces in booked if key.account == Account.STOCK]

    assert there() == [4]
    order = sold(line, by)
    write_off(line.valves.get(position=3), "dropped", by)
    assert there() == [2]
    fulfilment.take_back(order, order.lines.get().allocations.get().valve, "hums", by)
    booking.count_lines(line.lot, {line.pk: 5}, by)
    booking.send_back_serials(line, [2], "not as described", by)
    assert there() == [3]
    Posting.objects.create(
        entry=LedgerEntry.objects.create(text="by hand"),
        account="stock",
        thousandths=0,
        pieces=1,
        lot=line.lot,
        line=line,
    )
    assert list(checking.findings()) == [f"Lot {line.lot}: “stock at cost” has 3 pieces by the records, 4 entered."]


def test_books_of_before_pieces_were_counted_begin_to_count(by: User) -> None:
    lot = make_line(count=3).lot
    entry = LedgerEntry.objects.create(text="an older version")
    for account, amount in ((Account.STOCK, 5000), (Account.GOODS, -5000)):
        line = lot.lines.get() if account == Account.STOCK else None
        Posting.objects.create(entry=entry, account=account.value, thousandths=amount, lot=lot, line=line)
    lot.charges.create(kind="goods", amount=5, currency="GBP")
    lot.lines.update(cost=5)
    assert [one.partition(":")[2] for one in checking.findings()] == [
        " “stock at cost” has 3 pieces by the records, 0 entered."
    ]
    call_command("open_ledger")
    right()


def test_a_sale_that_cost_nothing_keeps_costing_nothing_when_a_bill_comes_later(by: User) -> None:
    line = bought(by, "0.00", 2)
    sold(line, by)
    booking.change_lot(line.lot, [charge("goods", "10")], by)
    held = books()
    assert Account.COST_OF_SALES not in held and held[Account.LATER_COSTS] == 5
    right()


def test_a_despatch_that_is_undone_leaves_nothing_behind(by: User) -> None:
    line = bought(by)
    before = books()
    order = sold(line, by)
    order_corrections.undo_despatch(order, "left on the shelf", by)
    assert books() == before
    booking.change_lot(line.lot, [charge("goods", "130")], by)
    fulfilment.despatch(order, "", "", by)
    assert books()[Account.COST_OF_SALES] == Decimal("43.34"), "it leaves at what it costs now"
    right()


def test_what_comes_back_is_stock_again_and_the_money_is_another_matter(by: User) -> None:
    line = bought(by)
    order = sold(line, by)
    fulfilment.take_back(order, order.lines.get().allocations.get().valve, "hums", by)
    assert books() == {Account.STOCK: 100, Account.GOODS: -100, Account.SALES: -40, Account.CUSTOMERS: 40}
    right()


def test_a_valve_that_is_written_off_is_a_loss_at_its_cost(by: User) -> None:
    line = bought(by)
    valve = line.valves.get(position=1)
    write_off(valve, "dropped", by)
    assert books()[Account.WRITE_OFFS] == Decimal("33.33")
    assert str(LedgerEntry.objects.first()) == f"{valve} written off: dropped"
    right()


def test_broken_pieces_of_the_bulk_cost_nothing_and_the_others_carry_them(by: User) -> None:
    lot = booking.book_in(Lot(supplier=make_supplier()), [charge("goods", "60")], by)
    lines = [Line(type=make_type(name), condition="used", expected=3, counted=3) for name in ("12AX7", "EL84")]
    booking.add_lines(lot, lines, by)
    fault = claiming.note_fault(lines[0], Fault(kind="broken", pieces=2), by)
    faulty_pieces.write_off_broken(fault, by)
    stock = {key.line: held for key, held in posting.balances(lot=lot.pk).items() if key.account == Account.STOCK}
    assert stock == {lines[0].pk: 15, lines[1].pk: 45}
    right()


def test_a_suppliers_credit_lowers_the_stock_and_is_due(by: User) -> None:
    line = bought(by, pieces=4)
    booking.count_lines(line.lot, {line.pk: 5}, by)
    claim = claiming.make_claim(line.lot, "", "", by)
    credit = claiming.enter_credit(claim, Credit(amount=Decimal(20), currency="GBP"), by)
    assert books() == {Account.STOCK: 80, Account.SUPPLIER_CREDITS: 20, Account.GOODS: -100}
    claiming.strike_out(credit, "twice", by)
    assert books() == {Account.STOCK: 100, Account.GOODS: -100}
    right()


def test_a_lot_that_is_taken_off_the_books_leaves_them_at_nothing(by: User) -> None:
    lot = booking.book_in(Lot(supplier=make_supplier()), [charge("goods", "100")], by)
    booking.add_lines(lot, [Line(type=make_type(), condition="used", expected=3)], by)
    corrections.remove_lot(lot, "booked twice", by)
    assert books() == {} and LedgerEntry.objects.count() == 3
    assert profit.earned("lot") == []
    right()


def test_a_line_that_goes_back_whole_is_a_loss_until_the_credit(by: User) -> None:
    line = bought(by, pieces=2)
    booking.send_back_serials(line, [0, 1], "not as described", by)
    assert books() == {Account.WRITE_OFFS: 100, Account.GOODS: -100}
    right()


def test_a_sale_in_another_currency_waits_for_its_rate(by: User, logged_in: Callable[..., Client]) -> None:
    order = sold(bought(by), by, currency="EUR")
    assert Account.SALES not in books() and [one for one, _ in checking.waiting()] == [order]
    address = reverse("ledger-rate", args=[order.number])
    owner = logged_in(Role.OWNER)
    assert address in owner.get(reverse("ledger")).content.decode()
    owner.post(address, {"rate": "0,85"})
    assert books()[Account.SALES] == -34 and list(checking.waiting()) == []
    owner.post(address, {"rate": "0.86"})
    assert books()[Account.SALES] == Decimal("-34.40"), "a slip is put right by the difference"
    right()


def test_a_set_shares_its_price_over_its_valves(by: User) -> None:
    line = bought(by, pieces=2)
    for valve in line.valves.all():
        graded(valve)
    send(fill(order_for(set_size=2, unit_price=Decimal("25.01")), by), by)
    parts = Posting.objects.filter(account=Account.SALES.value).order_by("valve")
    assert [part.amount for part in parts] == [Decimal("-12.51"), Decimal("-12.50")]
    right()


def test_the_pages_and_the_file_say_the_same(by: User, logged_in: Callable[..., Client]) -> None:
    order, owner = sold(bought(by), by), logged_in(Role.OWNER)
    page = owner.get(reverse("ledger")).content.decode()
    assert "GBP\N{NO-BREAK SPACE}66.66" in page and "GBP\N{NO-BREAK SPACE}140.00" in page
    yesterday = timezone.localdate() - timedelta(days=1)
    assert "Nothing is entered" in owner.get(reverse("ledger"), {"on": yesterday.isoformat()}).content.decode()
    for way in profit.WAYS:
        page = owner.get(reverse("ledger-profit"), {"by": way}).content.decode()
        assert "GBP\N{NO-BREAK SPACE}6.66" in page
    assert str(order) in owner.get(reverse("ledger-entries")).content.decode()
    journal = b"".join(owner.get(reverse("ledger-csv"))).decode()  # type: ignore[arg-type]
    rows = list(csv.DictReader(journal.splitlines()))
    assert sum(Decimal(row["debit"] or 0) for row in rows) == sum(Decimal(row["credit"] or 0) for row in rows) > 0
    assert {row["order"] for row in rows if row["name"] == "Sales"} == {str(order)}


@pytest.mark.parametrize("table", ["stockroom_ledgerentry", "stockroom_posting"])
@pytest.mark.parametrize("statement", ["UPDATE {} SET id = id", "DELETE FROM {}"])
def test_the_database_refuses_to_change_the_books(by: User, table: str, statement: str) -> None:
    bought(by)
    refused = pytest.raises(DatabaseError, match="books are never edited")
    with refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement.format(table))


def test_the_check_names_what_is_wrong(by: User) -> None:
    line = bought(by)
    entry = LedgerEntry.objects.create(text="by hand")
    Posting.objects.create(entry=entry, account=Account.STOCK.value, thousandths=1000, lot=line.lot, line=line)
    found = list(checking.findings())
    assert any("out of balance by 1" in one for one in found)
    assert any("“stock at cost” is entered 1" in one for one in found)
    assert any("101.000 in the books and 100.00 piece by piece" in one for one in found)
    with pytest.raises(CommandError):
        call_command("check_ledger")


def test_a_shop_that_was_running_opens_its_books_on_the_days_things_happened(by: User) -> None:
    """As if the shop had kept no books: rows are made without a signal."""
    lot = Lot.objects.create(number="L0900", supplier=make_supplier(), received_on=date(2026, 1, 5))
    lot.charges.create(kind="goods", amount=Decimal(30), currency="GBP")
    line = lot.lines.create(number=1, type=make_type(), condition="used", expected=3, counted=3, cost=Decimal(30))
    valves = [Valve.objects.create(serial=f"V{n}", line=line, position=n, type=line.type) for n in range(2)]
    order = allocated(valves[0], Decimal(25))
    order.state = Order.State.DESPATCHED
    order.save()
    sent_at = timezone.make_aware(timezone.datetime(2026, 2, 10, 12))
    despatch = Despatch.objects.create(number="D0001", order=order, at=sent_at)
    Allocation.objects.filter(order_line__order=order).update(despatch=despatch)
    with pytest.raises(CommandError):
        call_command("check_ledger")
    call_command("open_ledger")
    assert [valuation.at_cost(date(2026, 1, 4)), valuation.at_cost(date(2026, 2, 9))] == [0, 30]
    assert valuation.at_cost(date(2026, 2, 10)) == 20
    assert profit.earned("customer", until=date(2026, 2, 10))[0].profit == 15
    right()
    call_command("open_ledger")
    assert LedgerEntry.objects.count() == 3, "opening twice enters nothing twice"


def allocated(valve: Valve, price: Decimal) -> Order:
    customer = Customer.objects.get_or_create(name=random.Random(valve.pk).choice(["Ada Quill", "Bo Finch"]))[0]
    order = Order.objects.create(number=f"R9{Order.objects.count():03}", customer=customer, currency="GBP")
    line = order.lines.create(type=valve.type, unit_price=price)
    Allocation.objects.create(order_line=line, item=1, valve=valve)
    return order


BY_THE_BOOK = Decimal("12.50")


class Trade:
    """A month of invented trade: whatever can happen to goods, in any order. Selling goes straight to the rows and
    sends what despatching sends, so that a month takes seconds."""

    def __init__(self, seed: int, by: User) -> None:
        self.chance, self.by = random.Random(seed), by
        self.day = TODAY - timedelta(days=31)
        self.cost: dict[date, Decimal] = {}
        self.worth: dict[date, tuple[Decimal, Decimal]] = {}
        PriceRule.objects.create(
            number=1, effect="price", amount=BY_THE_BOOK, currency="GBP", reason="any", at=self.moment
        )
        TaxRule.objects.create(name="VAT", percent=20)

    @property
    def moment(self) -> datetime:
        """Noon of the day."""
        return timezone.make_aware(datetime.combine(self.day, time(12)))

    def happen(self) -> None:
        self.buy()
        deeds = {
            self.buy: 1,
            self.sell: 6,
            self.write_off: 1,
            self.bill: 1,
            self.count: 1,
            self.undo: 1,
            self.take_back: 2,
            self.offer: 3,
            self.reprice: 2,
        }
        for days_ago in range(30, 0, -1):
            self.day = TODAY - timedelta(days=days_ago)
            with posting.on_day(self.day):
                for deed in self.chance.choices(list(deeds), weights=list(deeds.values()), k=2):
                    deed()
            self.cost[self.day] = sum((valuation.from_records(lot) for lot in Lot.objects.all()), Decimal(0))
            if days_ago % 6 == 0:
                self.worth[self.day] = self.value()

    def value(self) -> tuple[Decimal, Decimal]:
        """At its prices and at the lower of both, piece by piece from the records as they are now."""
        sent = Allocation.objects.filter(live=True, order_line__order__state=Order.State.DESPATCHED)
        here = Valve.objects.filter(written_off="").exclude(pk__in=sent.values("valve")).select_related("line")
        asked = dict(ListedValve.objects.filter(live=True).values_list("valve", "listing__price"))
        bulk = sum(line.bearing_cost - line.valves.count() for line in Line.objects.all())
        costs = {valve.pk: valve.line.cost_of(valve.position, "GBP") for valve in here}
        price = bulk * BY_THE_BOOK + sum((asked.get(pk, BY_THE_BOOK) for pk in costs), Decimal(0))
        down = sum((max(cost - asked.get(pk, BY_THE_BOOK), Decimal(0)) for pk, cost in costs.items()), Decimal(0))
        for line in Line.objects.all():
            for position in range(line.valves.count(), line.bearing_cost):
                down += max(line.cost_of(position, "GBP") - BY_THE_BOOK, Decimal(0))
        return price, self.cost[self.day] - down

    def offer(self) -> None:
        free = Valve.objects.filter(written_off="").exclude(allocations__live=True).exclude(listings__live=True)
        if valves := list(free.order_by("pk")):
            price = Decimal(self.chance.randint(300, 6000)) / 100
            number = f"A{Listing.objects.count():05}"
            listing = Listing.objects.create(
                number=number, title="x", price=price, currency="GBP", listed_at=self.moment
            )
            listing.listed.create(valve=self.chance.choice(valves))

    def reprice(self) -> None:
        if live := list(Listing.objects.live().order_by("pk")):
            listing = self.chance.choice(live)
            after = Decimal(self.chance.randint(300, 6000)) / 100
            listing.repricings.create(before=listing.price, after=after, at=self.moment)
            Listing.objects.filter(pk=listing.pk).update(price=after)

    def end(self, valve: Valve) -> None:
        Listing.objects.live().filter(listed__valve=valve).update(ended_at=self.moment)
        valve.listings.update(live=False)

    def buy(self) -> None:
        goods = Decimal(self.chance.randint(100, 20000)) / 100
        supplier = make_supplier(self.chance.choice(["Brackenfield Surplus", "Oakmoor Radio"]))
        line = bought(self.by, str(goods), self.chance.randint(2, 7), supplier)
        line.valves.update(created_at=self.moment)

    def sell(self) -> None:
        free = Valve.objects.filter(written_off="").exclude(allocations__live=True).order_by("pk")
        if valves := list(free.select_related("line__lot")):
            valve = self.chance.choice(valves)
            self.end(valve)
            order = allocated(valve, Decimal(self.chance.randint(500, 9000)) / 100)
            order.state = Order.State.DESPATCHED
            order.save()
            despatch = Despatch.objects.create(number=f"D9{order.pk:04}", order=order)
            Allocation.objects.filter(order_line__order=order).update(despatch=despatch)
            order_despatched.send(Order, order=order, valves=[valve], by=self.by)
            if self.chance.random() < 0.7:
                invoicing.issue(order, self.by)

    def sent(self) -> Allocation | None:
        rows = list(
            Allocation.objects.sent()
            .filter(live=True)
            .select_related("valve__line__lot", "order_line__order")
            .order_by("pk")
        )
        return self.chance.choice(rows) if rows else None

    def undo(self) -> None:
        row = self.sent()
        if row and not row.order_line.order.invoices.exists():
            order = row.order_line.order
            Allocation.objects.filter(order_line__order=order).update(despatch=None)
            order.despatches.all().delete()
            Order.objects.filter(pk=order.pk).update(state=Order.State.PULLED)
            despatch_undone.send(Order, order=order, valves=[row.valve], by=self.by)

    def take_back(self) -> None:
        if row := self.sent():
            Allocation.objects.filter(pk=row.pk).update(live=False)
            order = row.order_line.order
            Return.objects.create(valve=row.valve, order=order, reason="hums")
            valves_returned.send(Order, order=order, valves=[row.valve], by=self.by)
            if invoice := order.invoices.first():
                invoicing.credit(invoice, {row.order_line_id: 0}, False, "came back", self.by)

    def write_off(self) -> None:
        free = list(Valve.objects.filter(written_off="").exclude(allocations__live=True).order_by("pk"))
        if free:
            valve = self.chance.choice(free)
            self.end(valve)
            write_off(valve, "dropped", self.by)

    def bill(self) -> None:
        lot = self.chance.choice(list(Lot.objects.order_by("pk")))
        goods = self.chance.randint(0, 300)
        charges = [charge("goods", str(goods)), charge("duty", f"{self.chance.random():.2f}")]
        charges += [charge("goods", str(-self.chance.randint(0, goods)))] * self.chance.randint(0, 1)
        charges += [charge("freight", f"{self.chance.random():.2f}", "EUR", "0.8567") for _ in range(2)]
        booking.change_lot(lot, [*charges, charge("import tax", f"{self.chance.random():.2f}")], self.by)

    def count(self) -> None:
        line = self.chance.choice(list(Line.objects.order_by("pk")))
        booking.count_lines(line.lot, {line.pk: line.received + self.chance.randint(0, 2)}, self.by)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_month_of_invented_trade_closes(by: User, seed: int) -> None:
    trade = Trade(seed, by)
    with posting.on_day(TODAY - timedelta(days=31)):
        trade.happen()
    right()
    assert trade.cost == {day: valuation.at_cost(day) for day in trade.cost}, "of every day that is past"
    for day, (price, lower) in trade.worth.items():
        found = worth.worth_on(day)
        assert (found.cost, found.price, found.unpriced, found.not_counted) == (trade.cost[day], price, 0, 0)
        assert abs(found.lower - lower) <= (found.listed + found.by_book) * Decimal("0.01")
    papers = [(paper.kind, Decimal(paper.content["tax"])) for paper in Invoice.objects.all()]
    assert {"invoice", "credit"} == {kind for kind, _ in papers}
    assert sum(tax if kind == "credit" else -tax for kind, tax in papers) == books()[Account.TAX], "tax as invoiced"
    shop = profit.of_the_shop().profit
    assert shop == profit.of_the_shop(until=TODAY).profit != 0
    for way in profit.WAYS:
        assert sum(row.profit for row in profit.earned(way)) == shop, way
    assert sum(books().values()) == 0
