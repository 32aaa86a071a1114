"""A return from the complaint to its end: what the bench is told, what is decided, and what follows for stock, set,
certificate, listing, money and books."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from grading.listings import publishing
from grading.listings.publishing import CannotList
from grading.models import Grade, MatchedSet
from grading.orders import candidates, fulfilment
from grading.orders.fulfilment import CannotPull
from grading.orders.untested import for_sale_untested
from grading.returns import comparing, deciding, opening, warranty
from grading.returns.deciding import CannotDecide, VerdictWanted
from grading.sets import making
from grading.sets.making import CannotMatch
from grading.valves import rules
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import (
    Allocation,
    Charge,
    Counter,
    Line,
    Listing,
    Order,
    Payment,
    Posting,
    Return,
    ReturnCase,
    TaxRule,
    Valve,
)
from stockroom.money import invoicing
from stockroom.places.write_offs import write_off
from stockroom.receiving.booking import bring_up_to_date
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, graded_all, make_tester, make_user, read
from tests.ledger.test_the_books import books, bought, right
from tests.orders.test_filling_an_order import fill, order_for, send
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db
FULL = VerdictWanted("refund", "ours", pay_back=True)
REFUSED = VerdictWanted("refusal", "sent back", reason="it reads as it did")


@pytest.fixture
def by() -> User:
    Counter.take("order", 500)  # the orders that `order_for` makes are numbered by itself
    return make_user("ola", Role.OWNER)


@pytest.fixture
def line(by: User) -> Line:
    """Four pieces at 25.00 each, two of them graded alike."""
    found = bought(by, "100.00", 4)
    graded_all([(valve, 1.2, 1.6) for valve in found.valves.all()])
    return found


def sold(by: User, price: str = "60.00", quantity: int = 1, size: int = 1, paid: str = "") -> Order:
    within = None if size == 1 else 5
    asked = order_for(set_size=size, max_spread_percent=within, quantity=quantity, unit_price=Decimal(price))
    order = send(fill(asked, by), by)
    invoice = invoicing.issue(order, by)
    invoicing.enter_payment(Payment(order=order, amount=Decimal(paid) if paid else invoice.total), by)
    return order


def valves_of(order: Order) -> list[Valve]:
    return list(Valve.objects.filter(allocations__order_line__order=order).distinct().order_by("serial"))


def came_back(order: Order, by: User, *valves: Valve, complaint: str = "weak", words: str = "weak") -> ReturnCase:
    return opening.take_back(order, valves or valves_of(order), complaint, words, {}, by)


def in_order() -> None:
    """The books balance and say what the records say, and no rule between records is broken."""
    right()
    assert list(rules.broken_rules()) == []


# Followed


def test_what_comes_back_together_is_one_return_and_a_later_complaint_another(line: Line, by: User) -> None:
    order = sold(by, quantity=3)
    first, second, third = valves_of(order)
    case = came_back(order, by, first, second)
    assert (case.number, case.items.count(), case.complaint_in_words) == ("B0001", 2, "weak, or it reads low: “weak”")
    other = came_back(order, by, third, complaint="noise", words="hums")
    assert other.number == "B0002" and {back.case for back in Return.objects.all()} == {case, other}
    own = opening.apart(case, case.items.get(valve=second), by)
    assert (case.items.count(), own.items.get().valve, own.complaint) == (1, second, "weak")
    with pytest.raises(CannotPull, match="alone"):
        opening.apart(own, own.items.get(), by)


def test_a_return_that_is_entered_on_the_orders_page_is_followed_too(
    line: Line, by: User, logged_in: Callable[..., Client]
) -> None:
    order = sold(by)
    sales = logged_in(Role.SALES)
    sent = {"serial": valves_of(order)[0].serial, "complaint": "noise", "reason": "hums"}
    page = sales.post(reverse("order-take-back", args=[order.number]), sent, follow=True).content.decode()
    assert ReturnCase.objects.get().get_absolute_url() in page
    assert "the bench: 1 to read again" in sales.get(reverse("returns")).content.decode()
    assert "Decide on" in sales.get(reverse("home")).content.decode()
    assert sales.get(reverse("find"), {"q": "b0001"})["Location"] == reverse("return", args=["B0001"])


def test_several_are_scanned_at_once_and_a_wrong_serial_loses_nothing(
    line: Line, by: User, logged_in: Callable[..., Client]
) -> None:
    order = sold(by, quantity=2)
    url, sales = reverse("return-new", args=[order.number]), logged_in(Role.SALES)
    typed = " ".join(valve.serial for valve in valves_of(order))
    page = sales.post(url, {"serials": f"{typed} 10000005", "complaint": "weak", "words": "both weak"}).content.decode()
    assert "10000005" in page and typed in page and "both weak" in page and not ReturnCase.objects.exists()
    sales.post(url, {"serials": typed, "complaint": "weak", "words": "both weak"})
    assert ReturnCase.objects.get().items.count() == 2


def test_until_it_is_decided_what_came_back_is_promised_to_nobody(line: Line, by: User) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    case = came_back(order, by)
    graded(valve, 1.2, 1.6)
    assert valve.state == State.GRADED
    why = "nobody has decided on it: do that on B0001 first"
    with pytest.raises(CannotList, match=why):
        publishing.publish([valve], "One", "It", Decimal(5), "GBP", by)
    other = line.valves.exclude(pk=valve.pk)[0]
    with pytest.raises(CannotMatch, match=why):
        making.make_set([valve, other], 5, by)
    asked = order_for(set_size=1, max_spread_percent=None)
    assert valve not in [one for option in candidates.options(asked) for one in option.valves]
    with pytest.raises(CannotPull, match=why):
        fulfilment.accept(asked, [valve], by)
    assert valve.pk not in [grade.valve_id for grade in making.available(valve.type, 3)]
    deciding.decide(case, FULL, by)
    publishing.publish([valve], "One", "It", Decimal(5), "GBP", by)
    in_order()


def test_a_rule_between_records_finds_one_that_was_promised_all_the_same(line: Line, by: User) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    came_back(order, by)
    Allocation.objects.create(order_line=order_for(set_size=1), item=1, valve=valve)
    assert list(rules.broken_rules()) == [
        f"valve {valve} came back undecided and is set aside for an order: decide first"
    ]


def test_it_is_not_sold_as_untested_without_a_new_test(line: Line, by: User) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    deciding.decide(came_back(order, by), FULL, by)
    valve.refresh_from_db()
    assert valve.state == State.RECEIVED and not Grade.objects.filter(valve=valve, current=True).exists()
    assert not for_sale_untested().filter(pk=valve.pk).exists() and not publishing.is_untested([valve])
    with pytest.raises(CannotList, match="only graded"):
        publishing.publish([valve], "One", "It", Decimal(5), "GBP", by)


# The bench


def test_the_bench_sees_the_complaint_and_what_it_read_when_it_was_sent(
    line: Line, by: User, logged_in: Callable[..., Client]
) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    came_back(order, by, complaint="noise", words="hums on one side")
    bench = logged_in(Role.BENCH)
    bench.post(reverse("bench-start"), {"tester": make_tester("Another tester").pk, "gm_unit": "mA/V", "ask": []})
    page = bench.get(reverse("bench"), {"serial": valve.serial}).content.decode()
    assert "“hums on one side”" in page and "B0001" in page
    assert "1.2 mA" in page and "1.6 mA/V" in page
    assert "It was read on <strong>Bench tester 1</strong> before it was sent" in page
    assert (
        "hums on one side"
        not in bench.get(reverse("bench"), {"serial": line.valves.exclude(pk=valve.pk)[0].serial}).content.decode()
    )


def test_as_sent_beside_as_returned_on_the_page(line: Line, by: User, logged_in: Callable[..., Client]) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    case = came_back(order, by)
    sales = logged_in(Role.SALES)
    page = sales.get(case.get_absolute_url()).content.decode()
    assert "Not all of it has been read again yet." in page and "not read again yet" in page
    assert "It was read on Bench tester 1" in page
    read(valve, 0.9, 1.1, noise="noisy")
    page = sales.get(case.get_absolute_url()).content.decode()
    assert "Nobody can tell from the figures whether it has changed." in page, "nobody knows how this tester scatters"
    assert "Section 1 is noisy now; nobody had listened before." in page and "nobody knows how well it is known" in page


def test_a_short_that_was_not_there_is_a_change_without_another_figure(line: Line, by: User) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    came_back(order, by)
    read(valve, shorted=True, short_between="g1-k")
    found = comparing.found_of(Return.objects.get())
    assert found["is_read"] and found["outcome"] == "changed", found
    assert "Section 1 is shorted g1-k now; it had none when it was sent." in found["sentence"]


def test_as_sent_is_the_grade_that_it_left_with_whatever_was_judged_since(line: Line, by: User) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    left_with = Grade.objects.get(valve=valve, current=True)
    came_back(order, by)
    graded(valve, 0.5, 0.5)
    assert warranty.grade_as_sent(Return.objects.get()) == left_with


# The verdict: money


def test_a_full_refund_credits_pays_back_and_the_goods_are_ours_at_their_cost(line: Line, by: User) -> None:
    order = sold(by, quantity=2)
    first, _ = valves_of(order)
    verdict = deciding.decide(came_back(order, by, first), FULL, by)
    assert verdict.credit_note and (verdict.credit_note.number, verdict.credit_note.total) == ("K0001", 60)
    assert verdict.paid_back and verdict.paid_back.amount == -60 and invoicing.owed(order) == 0
    held = books()
    assert (held[Account.STOCK], held[Account.COST_OF_SALES]) == (75, 25)
    assert (held[Account.SALES], held[Account.REFUNDS]) == (-120, 60)
    with pytest.raises(CannotDecide, match="B0001 is decided already"):
        deciding.decide(ReturnCase.objects.get(), REFUSED, by)
    in_order()


def test_only_what_was_paid_goes_back(line: Line, by: User) -> None:
    order = sold(by, quantity=2, paid="70.00")
    verdict = deciding.decide(came_back(order, by, valves_of(order)[0]), FULL, by)
    assert verdict.paid_back and verdict.paid_back.amount == -10 and invoicing.owed(order) == 0
    in_order()


@pytest.mark.parametrize(
    ("rule", "charged", "tax_before", "tax_after"),
    [
        # 72 with 20 % in it: 12 of tax; 15 off leaves 57, with 9.50 of tax in it
        ({"percent": 20}, "72.00", "12.00", "9.50"),
        # 60 with 20 % on top: 12 of tax; 15 off what was paid is 12.50 off the price, and 2.50 of tax
        ({"percent": 20, "inclusive": False}, "72.00", "12.00", "9.50"),
        # bought at 25: of the margin of 47 a sixth is 7.83; of the margin of 32 it is 5.33
        ({"percent": 20, "margin": True}, "72.00", "7.83", "5.33"),
    ],
    ids=["in the price", "on top", "on the margin"],
)
def test_a_part_refund_takes_its_tax_back_with_it(
    line: Line, by: User, rule: dict[str, Any], charged: str, tax_before: str, tax_after: str
) -> None:
    TaxRule.objects.create(name="Tax", **rule)
    order = sold(by, price="60.00" if rule.get("inclusive") is False else "72.00")
    assert (invoicing.owed(order), books()[Account.TAX]) == (0, -Decimal(tax_before))
    wanted = VerdictWanted("refund", "sent back", amount=Decimal("15.00"), pay_back=True, how_paid="by bank")
    verdict = deciding.decide(came_back(order, by), wanted, by)
    assert verdict.credit_note and verdict.credit_note.total == 15
    assert verdict.paid_back and verdict.paid_back.note == "by bank, K0001"
    assert books()[Account.TAX] == -Decimal(tax_after)
    (valve,) = valves_of(order)
    assert valve.state == State.DESPATCHED, "they keep it, for less"
    in_order()
    whole = deciding.decide(came_back(order, by, complaint="noise"), FULL, by)
    assert whole.credit_note and whole.credit_note.total == Decimal(charged) - 15
    assert Account.TAX not in books()
    in_order()


def test_a_credit_note_says_what_comes_off_the_price(line: Line, by: User, logged_in: Callable[..., Client]) -> None:
    order = sold(by)
    wanted = VerdictWanted("refund", "kept", amount=Decimal("7.50"))
    verdict = deciding.decide(came_back(order, by), wanted, by)
    paper = logged_in(Role.SALES).get(reverse("invoice-pdf", args=[verdict.credit_note])).content
    text = " ".join(" ".join(read_pdf(paper)).split())
    assert "Off the price of: 1 × single 12AX7" in text and "7.50" in text and "B0001: weak, or it reads low" in text


def test_what_cannot_be_refunded_says_why_and_nothing_is_half_done(line: Line, by: User) -> None:
    order = send(fill(order_for(set_size=1, max_spread_percent=None, unit_price=Decimal(60)), by), by)
    case = came_back(order, by)
    with pytest.raises(CannotDecide, match="has no invoice"):
        deciding.decide(case, FULL, by)
    invoicing.issue(order, by)
    with pytest.raises(CannotDecide, match=r"Only .*60\.00 is owed"):
        deciding.decide(case, VerdictWanted("refund", "ours", amount=Decimal("60.01")), by)
    with pytest.raises(CannotDecide, match="Say why"):
        deciding.decide(case, VerdictWanted("refusal", "sent back"), by)
    assert not hasattr(ReturnCase.objects.get(), "verdict") and order.invoices.count() == 1


def test_one_valve_of_a_pair_is_no_whole_pair(line: Line, by: User) -> None:
    order = sold(by, price="130.00", size=2)
    case = came_back(order, by, valves_of(order)[0])
    assert deciding.only_in_part(list(case.items.all())).startswith("1 of the 2 valves of a matched pair 12AX7")
    with pytest.raises(CannotDecide, match="say how much of its price"):
        deciding.decide(case, FULL, by)
    came_back(order, by, valves_of(order)[1])
    assert case.items.count() == 2
    verdict = deciding.decide(case, FULL, by)
    assert verdict.credit_note and verdict.credit_note.total == 130
    in_order()


# The verdict: goods


def test_a_replacement_is_an_order_at_no_charge_that_costs_what_it_sends(line: Line, by: User) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    verdict = deciding.decide(came_back(order, by), VerdictWanted("replacement", "ours"), by)
    new = verdict.replacement
    assert new and new.customer == order.customer and "Replaces what came back from R0001 (B0001)" in new.note
    (asked,) = new.lines.all()
    assert (asked.unit_price, asked.set_size, asked.quantity, asked.type) == (0, 1, 1, valve.type)
    send(fill(asked, by), by)
    held = books()
    assert (held[Account.STOCK], held[Account.COST_OF_SALES], held[Account.SALES]) == (75, 25, -60)
    in_order()


def test_a_pair_is_replaced_by_a_pair(line: Line, by: User) -> None:
    order = sold(by, price="130.00", size=2)
    whole = deciding.decide(came_back(order, by), VerdictWanted("replacement", "ours"), by)
    assert whole.replacement and [(one.set_size, one.quantity) for one in whole.replacement.lines.all()] == [(2, 1)]


def test_half_a_pair_is_replaced_by_a_single(line: Line, by: User) -> None:
    order = sold(by, price="130.00", size=2)
    case = came_back(order, by, valves_of(order)[0])
    half = deciding.decide(case, VerdictWanted("replacement", "ours"), by)
    assert half.replacement and [(one.set_size, one.quantity) for one in half.replacement.lines.all()] == [(1, 1)]


def test_what_is_refused_is_the_customers_at_the_cost_that_was_fixed_when_it_left(line: Line, by: User) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    case = came_back(order, by)
    assert books()[Account.STOCK] == 100
    Charge.objects.create(lot=line.lot, kind="freight", amount=Decimal(40), currency="GBP")  # a bill comes meanwhile
    bring_up_to_date(line.lot, by)
    deciding.decide(case, REFUSED, by)
    valve.refresh_from_db()
    held = books()
    assert valve.state == State.DESPATCHED
    assert (held[Account.COST_OF_SALES], held[Account.LATER_COSTS], held[Account.STOCK]) == (25, 10, 105)
    assert Posting.objects.filter(account="cost of sales", valve=valve, thousandths=25000).count() == 2
    in_order()
    again = came_back(order, by, complaint="noise")
    assert again.number == "B0002" and books()[Account.STOCK] == 140
    in_order()


def test_what_was_written_off_meanwhile_does_not_go_back(line: Line, by: User) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    case = came_back(order, by)
    write_off(valve, "it came in pieces", by)
    with pytest.raises(CannotDecide, match="written off"):
        deciding.decide(case, REFUSED, by)
    deciding.decide(case, FULL, by)
    held = books()
    assert (held[Account.STOCK], held[Account.WRITE_OFFS]) == (75, 25) and Account.COST_OF_SALES not in held
    in_order()


def test_returned_refunded_and_sold_again_it_earns_once(line: Line, by: User) -> None:
    order = sold(by)
    (valve,) = valves_of(order)
    deciding.decide(came_back(order, by), FULL, by)
    for other in line.valves.exclude(pk=valve.pk):
        write_off(other, "to leave but one", by)
    graded(valve)
    sold(by, price="50.00")
    held = books()
    assert (held[Account.SALES] + held[Account.REFUNDS], held[Account.COST_OF_SALES]) == (-50, 25)
    in_order()


# Set, certificate, listing


def test_the_set_is_broken_and_the_listings_say_what_happened(line: Line, by: User) -> None:
    order = sold(by, price="130.00", size=2)
    first, second = valves_of(order)
    matched = MatchedSet.objects.get()
    case = came_back(order, by, first, second, complaint="noise")
    matched.refresh_from_db()
    assert matched.broken_at and not making.MatchedSet.objects.live().exists()
    read(first, 1.2, 1.6)
    deciding.decide(case, REFUSED, by)
    again = came_back(order, by, first, complaint="noise")
    deciding.decide(again, VerdictWanted("refund", "ours", amount=Decimal(60)), by)
    graded(first)
    publishing.publish([first], "One", publishing.describe([first]), Decimal(50), "GBP", by)
    said = Listing.objects.get().text
    assert f"{first}: sold before, and came back on" in said and "noise, hum or microphony" in said
    in_order()


# The page


def test_the_form_asks_for_what_a_decision_needs_and_keeps_what_was_typed(
    line: Line, by: User, logged_in: Callable[..., Client]
) -> None:
    case = came_back(sold(by), by)
    sales, url = logged_in(Role.SALES), reverse("return-decide", args=[case.number])

    def answer(**sent: str) -> str:
        return sales.post(url, {"reason": "as agreed by letter", **sent}).content.decode()

    page = answer(kind="part")
    assert "Say how much is given back." in page and "Say whose the goods are" in page and "as agreed by letter" in page
    assert "What is refused is the customer’s" in answer(kind="refusal")
    assert "the goods are ours" in answer(kind="full", goods="sent back")
    assert "goes with a part refund only" in answer(kind="replacement", amount="3")
    assert "decimal place" in answer(kind="part", amount="3.005", goods="ours")
    assert "Money goes back with a refund only" in answer(kind="refusal", goods="kept", pay_back="on")
    assert not hasattr(ReturnCase.objects.get(), "verdict")
    done = sales.post(url, {"kind": "full", "pay_back": "on"}, follow=True).content.decode()
    assert "Credit note K0001 is written" in done and "Refund, decided on" in done
    assert "Status" in sales.get(reverse("returns"), {"status": "decided"}).content.decode()


def test_the_database_keeps_a_verdict_whole(line: Line, by: User) -> None:
    case = came_back(sold(by), by)
    for wrong in ({"kind": "refusal", "goods": "kept"}, {"kind": "refund", "goods": "ours"}):
        with pytest.raises(IntegrityError), transaction.atomic():
            deciding.ReturnVerdict.objects.create(case=case, **wrong)


def test_the_page_does_not_ask_more_questions_for_more_returns(
    line: Line, by: User, logged_in: Callable[..., Client], django_assert_max_num_queries: Any
) -> None:
    for complaint in ("weak", "noise", "dead"):
        came_back(sold(by), by, complaint=complaint)
    sales = logged_in(Role.SALES)
    sales.get(reverse("returns"))
    with django_assert_max_num_queries(14):
        sales.get(reverse("returns"))
