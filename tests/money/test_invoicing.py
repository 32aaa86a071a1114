"""An order's money: the rules are data, the invoice says what they make of it, and the books follow."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from io import StringIO

import pytest
from django.contrib.auth.models import User
from django.core.management import call_command
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.urls import reverse

from grading.orders import corrections, fulfilment
from stockroom.ledger import checking, profit
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import Counter, DiscountCode, Invoice, Line, Order, OrderTerms, Payment, ShippingRule, TaxRule
from stockroom.money import invoicing
from stockroom.money.invoicing import CannotInvoice
from stockroom.site.people import Role
from tests.factories import graded_all, make_type, make_user
from tests.forms import form_with
from tests.ledger.test_the_books import books, bought
from tests.orders.test_filling_an_order import fill, order_for, send
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(read_pdf(pdf)).split())


@pytest.fixture
def by() -> User:
    return make_user("ola", Role.OWNER)


@pytest.fixture
def stock(by: User) -> Line:
    line = bought(by, "90.00", 3)
    graded_all([(valve, 1.2, 1.6) for valve in line.valves.all()])
    return line


def sent(by: User, quantity: int = 2, price: str = "30.00") -> Order:
    line = order_for(set_size=1, max_spread_percent=None, quantity=quantity, unit_price=Decimal(price))
    return send(fill(line, by), by)


def rules() -> None:
    """Tax in the prices of goods, added to shipping; 10 % off; 5.00 to send, free from 100."""
    TaxRule.objects.create(name="VAT", percent=20)
    TaxRule.objects.create(name="VAT on shipping", on="shipping", percent=20, inclusive=False)
    ShippingRule.objects.create(name="parcel", price=5, free_above=100)
    DiscountCode.objects.create(code="SPRING", percent=10)


def right() -> None:
    assert list(checking.findings()) == []


def test_an_invoice_by_the_shops_rules_and_what_the_books_make_of_it(by: User, stock: Line) -> None:
    rules()
    order = sent(by)
    OrderTerms.objects.create(order=order, code=DiscountCode.objects.get())
    assert books()[Account.SALES] == -60, "until there is an invoice"
    paper = invoicing.issue(order, by)
    # 60.00 less 6.00; 9.00 of the 54.00 is tax; shipping 5.00 and 1.00 of tax on it
    assert (paper.number, paper.total) == ("N0001", 60)
    held = books()
    assert {account: held[account] for account in (Account.SALES, Account.SHIPPING, Account.TAX)} == {
        Account.SALES: -45,
        Account.SHIPPING: -5,
        Account.TAX: -10,
    }
    assert held[Account.CUSTOMERS] == 60
    assert sum(row.profit for row in profit.earned("lot")) == profit.of_the_shop().profit == 45 + 5 - 60
    right()


def test_payments_in_parts(by: User, stock: Line) -> None:
    order = sent(by)
    invoicing.issue(order, by)
    assert invoicing.paid_in_words(order) == "not paid: GBP\N{NO-BREAK SPACE}60.00 still owed"
    invoicing.enter_payment(Payment(order=order, amount=Decimal(20)), by)
    order = Order.objects.get()
    assert invoicing.paid_in_words(order) == "part paid: GBP\N{NO-BREAK SPACE}40.00 still owed"
    invoicing.enter_payment(Payment(order=order, amount=Decimal(40)), by)
    assert invoicing.paid_in_words(Order.objects.get()) == "paid"
    held = books()
    assert held[Account.PAID] == 60 and Account.CUSTOMERS not in held
    with pytest.raises(CannotInvoice, match=r"Only GBP.60\.00 came"):
        invoicing.enter_payment(Payment(order=Order.objects.get(), amount=Decimal(-61)), by)
    right()


def test_a_return_is_credited_and_paid_back(by: User, stock: Line) -> None:
    rules()
    order = sent(by, price="29.99")
    paper = invoicing.issue(order, by)
    line = order.lines.get()
    fulfilment.take_back(order, line.allocations.first().valve, "hums", by)  # type: ignore[union-attr]
    note = invoicing.credit(paper, {line.pk: 1}, True, "came back", by)
    assert (note.number, note.total) == ("K0001", Decimal("29.99"))
    rest = invoicing.credit(paper, {line.pk: 0}, False, "the other too", by)
    assert note.total + rest.total == paper.total
    held = books()
    assert Account.CUSTOMERS not in held and Account.TAX not in held and Account.SHIPPING not in held
    assert held[Account.SALES] == -held[Account.REFUNDS]
    with pytest.raises(CannotInvoice, match="Nothing would be credited"):
        invoicing.credit(paper, {}, False, "again", by)
    right()


def test_numbers_have_no_gaps_even_when_an_invoice_fails(by: User, stock: Line) -> None:
    order = sent(by)
    with pytest.raises(RuntimeError), transaction.atomic():
        invoicing.issue(order, by)
        raise RuntimeError("the power goes")
    assert invoicing.issue(order, by).number == "N0001"
    with pytest.raises(CannotInvoice, match="has its invoice"):
        invoicing.issue(order, by)
    assert Counter.objects.get(series="invoice").next_number == 2


def test_a_margin_scheme_taxes_what_was_earned_and_does_not_show_it(by: User, stock: Line) -> None:
    TaxRule.objects.create(name="Second-hand goods", percent=20, margin=True, note="Margin scheme: second-hand goods")
    paper = invoicing.issue(sent(by, price="36.00"), by)
    assert paper.total == 72 and books()[Account.TAX] == -2  # (72 - 60) / 6
    client = Client()
    client.force_login(by)
    text = text_of(client.get(reverse("invoice-pdf", args=[paper.number])).content)
    assert (
        "Margin scheme: second-hand goods" in text
        and "tax not shown" in text
        and "2.00" not in text.replace("72.00", "")
    )


def test_what_is_not_known_is_refused_with_a_reason(by: User, stock: Line) -> None:
    ShippingRule.objects.create(name="letter", price=3, up_to_g=100)
    order = sent(by)
    with pytest.raises(CannotInvoice, match="parcel of unknown weight"):
        invoicing.issue(order, by)
    code = DiscountCode.objects.create(code="EURO", amount=5, currency="EUR")
    terms = OrderTerms.objects.create(order=order, weight_g=90, code=code)
    with pytest.raises(CannotInvoice, match="is in EUR"):
        invoicing.issue(Order.objects.get(), by)
    terms.code = None
    terms.save()
    assert invoicing.issue(Order.objects.get(), by).total == 63


def test_an_order_that_is_not_pulled_has_no_invoice(by: User) -> None:
    line = order_for(unit_price=Decimal(5))
    with pytest.raises(CannotInvoice, match="once every piece is pulled"):
        invoicing.issue(line.order, by)


def test_a_region_takes_its_own_tax_rule() -> None:
    TaxRule.objects.create(name="home", percent=20)
    TaxRule.objects.create(name="abroad", percent=0, region="US")
    found = [invoicing.tax_on(TaxRule.On.GOODS, region).name for region in ("", "us", "FR")]
    assert found == ["home", "abroad", "home"]


@pytest.mark.parametrize("table", ["stockroom_invoice", "stockroom_payment"])
def test_the_database_refuses_to_change_what_was_issued(by: User, stock: Line, table: str) -> None:
    order = sent(by)
    invoicing.issue(order, by)
    invoicing.enter_payment(Payment(order=order, amount=Decimal(1)), by)
    refused = pytest.raises(DatabaseError, match="never edited or deleted")
    with refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"UPDATE {table} SET id = id")


def test_the_pages_do_it_all(by: User, stock: Line, logged_in: Callable[..., Client]) -> None:
    owner, sales = logged_in(Role.OWNER), logged_in(Role.SALES)
    values = {"name": "VAT", "on": "goods", "region": "", "percent": "20", "inclusive": "on", "note": ""}
    assert owner.post(reverse("money-rule-new", args=["tax"]), values).status_code == 302
    assert '<td class="n">20</td>' in owner.get(reverse("money-rules")).content.decode()
    order = sent(by)
    page = reverse("order-money", args=[order.number])
    sales.post(reverse("order-terms", args=[order.number]), {"region": "", "weight_g": "400", "code": ""})
    assert "Write the invoice" in sales.get(page).content.decode()
    sales.post(reverse("invoice-new", args=[order.number]))
    paying = form_with(sales.get(page).content.decode(), "amount").values
    for _ in range(2):  # a double click
        sales.post(reverse("payment-new", args=[order.number]), {**paying, "amount": "20,00", "note": "bank"})
    assert "Part paid: GBP\N{NO-BREAK SPACE}40.00 still owed" in sales.get(page).content.decode()
    key = order.lines.get().pk
    kept = {f"keep_{key}": "1", "shipping": "on", "reason": "hums"}
    assert sales.post(reverse("credit-note-new", args=["N0001"]), kept).status_code == 302
    assert "Part paid: GBP\N{NO-BREAK SPACE}10.00 still owed" in sales.get(page).content.decode()
    invoice = text_of(sales.get(reverse("invoice-pdf", args=["N0001"])).content)
    assert "VAT 20 % on 50.00, in the prices" in invoice and "60.00" in invoice
    assert "hums" in text_of(sales.get(reverse("invoice-pdf", args=["K0001"])).content)
    fulfilment.take_back(order, order.lines.get().allocations.first().valve, "hums", by)  # type: ignore[union-attr]
    slip = text_of(sales.get(reverse("packing-slip-pdf", args=[order.number])).content)
    assert "400 g" in slip and "8540" in slip and order.lines.get().allocations.first().valve.serial in slip  # type: ignore[union-attr]
    out = StringIO()
    call_command("check_ledger", stdout=out)
    assert "agree with the records" in out.getvalue()


def test_an_undone_despatch_takes_its_sale_out_and_keeps_what_was_paid(by: User, stock: Line) -> None:
    order = sent(by)
    invoicing.enter_payment(Payment(order=order, amount=Decimal(60)), by)
    corrections.undo_despatch(order, "still here", by)
    held = books()
    assert held[Account.PAID] == 60 and held[Account.CUSTOMERS] == -60 and Account.SALES not in held
    assert Invoice.objects.count() == 0 and make_type() == stock.type
    right()
