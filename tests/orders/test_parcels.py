"""An order leaves in parcels: each is checked by scan, has its number, paper and cost; the invoice is of the whole."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from io import BytesIO

import pypdfium2
import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from grading.orders import candidates, corrections, fulfilment, packing
from grading.orders.fulfilment import CannotPull
from grading.orders.packing import CannotPack
from grading.valves.rules import broken_rules
from stockroom.ledger import checking, posting, profit
from stockroom.ledger.pure.double_entry import Account, Key
from stockroom.models import (
    Allocation,
    CustomsRule,
    Despatch,
    DiscountCode,
    Entry,
    Invoice,
    Line,
    Maker,
    Order,
    OrderLine,
    OrderTerms,
    Valve,
)
from stockroom.money import customs, invoicing
from stockroom.receiving import booking
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded_all, make_type, make_user
from tests.ledger.test_the_books import bought, charge
from tests.orders.test_filling_an_order import order_for

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("ola", Role.OWNER)


@pytest.fixture
def stock(by: User) -> Line:
    """Four graded valves of a lot that cost 100.00."""
    line = bought(by, "100.00", 4)
    graded_all([(valve, 1.2, 1.6) for valve in line.valves.order_by("serial")])
    return line


def ask(quantity: int, price: str = "10.00") -> OrderLine:
    return order_for(set_size=1, max_spread_percent=None, quantity=quantity, unit_price=Decimal(price))


def set_aside(line: OrderLine, by: User, many: int) -> list[Valve]:
    taken = []
    for _ in range(many):
        valve = candidates.options(line)[0].valves[0]
        fulfilment.accept(line, [valve], by)
        taken.append(valve)
    return taken


def put_in_parcel(order: Order, valves: list[Valve], by: User, pack: bool = True) -> None:
    for valve in valves:
        fulfilment.pull(order, valve, by)
        if pack:
            packing.scan(order, valve, by)


def first_parcel(line: OrderLine, by: User, many: int = 1) -> list[Valve]:
    """The order has this line; so many items of it are set aside and sent."""
    valves = set_aside(line, by, many)
    put_in_parcel(line.order, valves, by)
    packing.send(line.order, "Post", "AB1", by)
    line.order.refresh_from_db()
    return valves


def test_some_items_leave_and_the_rest_stays_open(stock: Line, by: User) -> None:
    line = ask(3)
    (valve,) = first_parcel(line, by)
    assert line.order.state == Order.State.OPEN and fulfilment.missing(line) == 2
    assert Valve.objects.get(pk=valve.pk).state == State.DESPATCHED
    rest = set_aside(line, by, 2)
    line.order.refresh_from_db()
    assert line.order.state == Order.State.RESERVED
    put_in_parcel(line.order, rest, by)
    packing.send(line.order, "Carrier", "AB2", by)
    line.order.refresh_from_db()
    assert line.order.state == Order.State.DESPATCHED
    assert [(one.number, one.tracking) for one in line.order.despatches.all()] == [("D0001", "AB1"), ("D0002", "AB2")]
    assert list(broken_rules()) == [] and list(checking.findings()) == []


def test_what_is_left_out_after_a_parcel_closes_the_order(stock: Line, by: User) -> None:
    line = ask(3)
    first_parcel(line, by)
    with pytest.raises(CannotPull, match="A part of R0001 has been sent"):
        fulfilment.cancel(line.order, by)
    fulfilment.leave_out(line, by)
    line.order.refresh_from_db()
    assert line.order.state == Order.State.DESPATCHED and list(checking.findings()) == []


def test_an_item_that_left_is_not_put_back_and_its_line_not_asked_for_otherwise(stock: Line, by: User) -> None:
    line = ask(3)
    first_parcel(line, by)
    with pytest.raises(CannotPull, match="Item 1 has left with D0001"):
        fulfilment.release(line, 1, by)
    with pytest.raises(CannotPull, match="left as asked for"):
        corrections.change_line(line, 3, line.unit_price, "", by, wished={"made_from": 1950})
    with pytest.raises(CannotPull, match="say why it is another"):
        corrections.change_line(line, 3, Decimal(9), "", by)
    with pytest.raises(CannotPull, match="1 of this line are set aside"):
        corrections.change_line(line, 0, line.unit_price, "", by)
    corrections.change_line(line, 3, Decimal(9), "", by, why="promised on the telephone")
    said = Entry.objects.filter(action="order-line").first()
    assert said and "10.00 → 3 items" in said.text and "promised on the telephone" in said.text
    assert list(checking.findings()) == [], "the books follow"


def test_the_cost_of_each_parcel_is_fixed_when_it_leaves(stock: Line, by: User) -> None:
    line = ask(2)
    (early,) = first_parcel(line, by)
    booking.change_lot(stock.lot, [charge("goods", "100"), charge("freight", "40")], by)
    (late,) = first_parcel(line, by)
    costs = {
        valve.pk: posting.balances(valve=valve.pk)[
            Key(Account.COST_OF_SALES, stock.lot_id, stock.pk, valve.pk, line.order_id)
        ]
        for valve in (early, late)
    }
    assert costs == {early.pk: 25, late.pk: 35}
    assert list(checking.findings()) == []


# The check by scan


def test_a_wrong_a_doubled_and_an_unpulled_valve_are_refused_in_words(stock: Line, by: User) -> None:
    line, other = ask(2), ask(1)
    mine, (theirs,) = set_aside(line, by, 2), set_aside(other, by, 1)
    stranger = Valve.objects.exclude(allocations__live=True).get()
    order = line.order
    fulfilment.pull(order, mine[0], by)
    with pytest.raises(CannotPack, match=f"^Wrong valve\\. {stranger} is not on R0001\\. Take it out"):
        packing.scan(order, stranger, by)
    with pytest.raises(CannotPack, match=r"^Wrong valve\. .* is set aside for R0002, not for R0001"):
        packing.scan(order, theirs, by)
    with pytest.raises(CannotPack, match=r"^Not pulled"):
        packing.scan(order, mine[1], by)
    assert packing.scan(order, mine[0], by) == 1
    with pytest.raises(CannotPack, match=r"^Scanned twice"):
        packing.scan(order, mine[0], by)


def test_a_parcel_leaves_checked_or_for_a_reason(stock: Line, by: User) -> None:
    line = ask(2)
    first, second = set_aside(line, by, 2)
    put_in_parcel(line.order, [first, second], by, pack=False)
    packing.scan(line.order, first, by)
    with pytest.raises(CannotPack, match=f"^Missing: {second}\\. Scan each into the parcel, or say why"):
        packing.send(line.order, "", "", by)
    sent = packing.send(line.order, "", "", by, unchecked="the scanner is broken")
    assert sent.unchecked == "the scanner is broken" and sent.allocations.count() == 2
    assert Entry.objects.filter(text__contains="Not checked by scan: the scanner is broken").exists()


def test_a_parcel_that_is_checked_bears_no_excuse(stock: Line, by: User) -> None:
    line = ask(1)
    put_in_parcel(line.order, set_aside(line, by, 1), by)
    assert packing.send(line.order, "", "", by, unchecked="typed for nothing").unchecked == ""


def test_only_what_is_scanned_goes_and_never_half_a_pair(stock: Line, by: User) -> None:
    pair = order_for(set_size=2, max_spread_percent=5)
    fulfilment.accept(pair, candidates.options(pair)[0].valves, by)
    single = pair.order.lines.create(type=make_type(), set_size=1)
    alone = set_aside(single, by, 1)
    valves = [row.valve for row in Allocation.objects.filter(order_line=pair)]
    put_in_parcel(pair.order, [*valves, *alone], by, pack=False)
    with pytest.raises(CannotPack, match="Nothing is scanned"):
        packing.send(pair.order, "", "", by, only_scanned=True)
    packing.scan(pair.order, valves[0], by)
    with pytest.raises(CannotPack, match="Half an item does not go"):
        packing.send(pair.order, "", "", by, only_scanned=True)
    packing.scan(pair.order, valves[1], by)
    sent = packing.send(pair.order, "", "", by, only_scanned=True)
    pair.order.refresh_from_db()
    assert {row.valve for row in sent.allocations.all()} == set(valves)
    assert pair.order.state == Order.State.PULLED, "what is left is pulled and waits for its parcel"


def test_the_packing_table_answers_each_scan_with_a_mark_and_words(
    stock: Line, by: User, logged_in: Callable[..., Client]
) -> None:
    line = ask(1)
    (valve,) = set_aside(line, by, 1)
    fulfilment.pull(line.order, valve, by)
    client, address = logged_in(Role.SALES), reverse("order-pack", args=[line.order.number])
    stranger = Valve.objects.exclude(allocations__live=True).first()
    wrong = client.post(address, {"serial": str(stranger)}).content.decode()
    assert 'class="verdict unfit" role="alert"' in wrong and "Wrong valve." in wrong
    assert "is not a serial" in client.post(address, {"serial": "abc"}).content.decode()
    page = client.post(reverse("order-despatch", args=[line.order.number]), {"tracking": "AB9"}).content.decode()
    assert f"Missing: {valve}." in page and 'value="AB9"' in page
    right = client.post(address, {"serial": valve.serial}, follow=True).content.decode()
    assert "All 1 are in the parcel" in right
    client.post(reverse("order-pack-again", args=[line.order.number]))
    assert Allocation.objects.get().packed_at is None
    client.post(address, {"serial": valve.serial})
    client.post(reverse("order-despatch", args=[line.order.number]), {"tracking": "AB9"})
    assert Despatch.objects.get().tracking == "AB9"


# Numbers, papers, money


def test_a_parcel_that_did_not_leave_keeps_its_number_and_the_next_takes_another(stock: Line, by: User) -> None:
    line = ask(2)
    valves = first_parcel(line, by, 2)
    corrections.undo_despatch(line.order, "wrong box", by)
    with pytest.raises(CannotPull, match="D0001 was not sent"):
        corrections.undo_despatch(line.order, "again", by, Despatch.objects.get())
    assert Valve.objects.get(pk=valves[0].pk).state != State.DESPATCHED
    assert {row.packed_at for row in Allocation.objects.all()} == {None}, "it is scanned into the next anew"
    for valve in valves:
        packing.scan(line.order, valve, by)
    assert packing.send(line.order, "", "", by).number == "D0002"
    assert list(broken_rules()) == [] and list(checking.findings()) == []


def test_the_check_finds_valves_sent_with_a_parcel_taken_back(stock: Line, by: User) -> None:
    line = ask(1)
    first_parcel(line, by)
    Despatch.objects.update(undone_at=line.order.placed_at)
    assert any("which did not leave after all" in said for said in broken_rules())


def test_one_invoice_is_of_all_parcels_and_the_books_charge_each_when_it_leaves(stock: Line, by: User) -> None:
    line = ask(3, "33.33")
    order = line.order
    valves = set_aside(line, by, 3)
    put_in_parcel(order, valves[:1], by)
    put_in_parcel(order, valves[1:], by, pack=False)
    paper = invoicing.issue(order, by)
    assert paper.total == Decimal("99.99")
    packing.send(order, "", "", by, only_scanned=True)
    sales = posting.balances(order=order.pk)
    assert sum(amount for key, amount in sales.items() if key.account == Account.SALES) == Decimal("-33.33")
    with pytest.raises(invoicing.CannotInvoice, match="has its invoice"):
        invoicing.issue(order, by)
    for valve in valves[1:]:
        packing.scan(order, valve, by)
    packing.send(order, "", "", by)
    sales = posting.balances(order=order.pk)
    assert sum(amount for key, amount in sales.items() if key.account == Account.SALES) == -paper.total
    assert Invoice.objects.count() == 1 and list(checking.findings()) == []
    assert sum(row.profit for row in profit.earned("customer")) == paper.total - 75


def test_a_line_of_an_invoice_stays_as_it_is(stock: Line, by: User) -> None:
    line = ask(2)
    put_in_parcel(line.order, set_aside(line, by, 2), by)
    invoicing.issue(line.order, by)
    fulfilment.release(line, 2, by)
    with pytest.raises(CannotPull, match="Invoice N0001 says what R0001 comes to"):
        corrections.change_line(line, 2, Decimal(1), "", by)
    corrections.change_line(line, 2, line.unit_price, "gold pins", by)


def text_of(pdf: bytes) -> str:
    return " ".join(
        "".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(BytesIO(pdf))).split()
    )


def test_the_slip_of_a_parcel_has_its_number_and_what_customs_are_told(
    stock: Line, by: User, logged_in: Callable[..., Client]
) -> None:
    Valve.objects.update(maker=Maker.objects.create(name="Marrowby"))
    CustomsRule.objects.create(what="Amplifying valves", material="glass", hs_code="8540.89")
    CustomsRule.objects.create(maker=Maker.objects.get(), origin="Ruritania")
    line = ask(3, "33.33")
    (valve,) = first_parcel(line, by)
    slip = text_of(logged_in(Role.SALES).get(reverse("parcel-slip-pdf", args=["D0001"])).content)
    for said in (
        "What is in D0001",
        "Amplifying valves",
        "glass",
        "8540.89",
        "Ruritania",
        valve.serial,
        "33.33",
        "AB1",
    ):
        assert said.casefold() in slip.casefold()
    assert "1 of 3" in slip and "2 items of R0001 not in this or an earlier parcel" in slip


@pytest.mark.parametrize(("price", "percent"), [("10.00", "12.5"), ("33.33", "7"), ("0.01", "50")])
def test_the_values_of_all_parcels_make_up_the_goods_after_discount(
    price: str, percent: str, stock: Line, by: User
) -> None:
    line = ask(3, price)
    code = DiscountCode.objects.create(code="SPRING", percent=Decimal(percent))
    OrderTerms.objects.create(order=line.order, code=code)
    first_parcel(line, by)
    early = customs.values_of(line.order)
    first_parcel(line, by, 2)
    late = customs.values_of(line.order)
    assert early.values.items() <= late.values.items(), "what left first keeps its value"
    told = [
        one
        for sent in line.order.despatches.all()
        for one in customs.declared(list(sent.allocations.select_related("valve")), late)
    ]
    assert sum(one.value for one in told) == sum(one.after for one in invoicing.sums_of(line.order).lines)
    assert sum(one.pieces for one in told) == 3


def test_the_owner_writes_what_customs_are_told(logged_in: Callable[..., Client]) -> None:
    make_type()
    client, address = logged_in(Role.OWNER), reverse("money-rule-new", args=["customs"])
    page = client.post(address, {"type": "12AX7", "hs_code": "85-40"}).content.decode()
    assert "Four to ten digits" in page and 'value="85-40"' in page
    client.post(address, {"type": "12AX7", "hs_code": "8540.89"})
    assert "8540.89" in client.get(reverse("money-rules")).content.decode()


def test_a_valve_of_an_early_parcel_comes_back_while_the_rest_is_open(stock: Line, by: User) -> None:
    line = ask(2)
    (valve,) = first_parcel(line, by)
    fulfilment.take_back(line.order, valve, "hums", by)
    line.order.refresh_from_db()
    assert fulfilment.missing(line) == 1, "what came back was sent"
    assert line.order.state == Order.State.OPEN and list(broken_rules()) == []
    with pytest.raises(CannotPull, match="came back"):
        corrections.undo_despatch(line.order, "a slip", by)
