"""What is decided on a return, and what follows from it in the same transaction: money, goods, a new order, the books.

Until then what came back is the customer's: it may be read and graded, and is promised to nobody.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from grading.orders import taking
from grading.returns import comparing, warranty
from grading.verdicts import states
from stockroom.ledger.positions import sent_with
from stockroom.models import (
    Allocation,
    Entry,
    Invoice,
    Order,
    OrderLine,
    Payment,
    Return,
    ReturnCase,
    ReturnVerdict,
    Valve,
)
from stockroom.models.orders import set_name
from stockroom.money import invoicing
from stockroom.money.pure.sums import Sums, line_includes, rounded
from stockroom.pure.money import minor_places, shown
from stockroom.pure.refused import Refused
from stockroom.pure.written import plural
from stockroom.receiving.pure.costing import share
from stockroom.signals import return_refused
from stockroom.site.locks import hold_valves
from stockroom.states import State

Kind, Goods = ReturnVerdict.Kind, ReturnVerdict.Goods


class CannotDecide(Refused):
    """The return cannot be decided on like this. The message says why and what to do first."""


@dataclass(frozen=True)
class VerdictWanted:
    """What the shop wants. `amount` is what a part refund gives back, as the customer paid it; None refunds all of it.

    `shipping` gives back what was charged for shipping too, and `pay_back` enters the money as paid back.
    """

    kind: str
    goods: str
    reason: str = ""
    amount: Decimal | None = None
    shipping: bool = False
    pay_back: bool = False
    how_paid: str = ""


@transaction.atomic
def decide(case: ReturnCase, wanted: VerdictWanted, by: User) -> ReturnVerdict:
    """
    Raises:
        CannotDecide: it is decided already; a valve is gone meanwhile; there is no invoice to credit; or more would be
            given back than was paid for it.
    """
    order = Order.objects.select_for_update(no_key=True, of=("self",)).select_related("customer").get(pk=case.order_id)
    case = ReturnCase.objects.select_for_update(no_key=True).get(pk=case.pk)
    if ReturnVerdict.objects.filter(case=case).exists():
        raise CannotDecide(f"{case} is decided already.")
    items = list(case.items.select_related("order", "valve__line", "valve__type").order_by("valve__serial"))
    valves = hold_valves([item.valve_id for item in items])
    ours = wanted.goods == Goods.OURS
    if not ours:
        _refuse_what_is_lost(valves)
    known = warranty.promises()
    verdict = ReturnVerdict(
        case=case,
        kind=wanted.kind,
        goods=wanted.goods,
        reason=wanted.reason,
        warranty={item.valve.serial: warranty.spoken_of(item, known).covered.sentence for item in items},
        found={item.valve.serial: comparing.found_of(item) for item in items},
        by=by,
    )
    if wanted.kind == Kind.REFUND:
        verdict.credit_note = _credit(case, order, items, wanted, by)
        verdict.paid_back = _pay_back(order, verdict.credit_note, wanted, by)
    elif wanted.kind == Kind.REPLACEMENT:
        verdict.replacement = _replace(case, order, items, by)
    elif not wanted.reason:
        raise CannotDecide("Say why it is refused: the customer is told it.")
    verdict.save(force_insert=True)
    _tell(verdict, order, valves, by)
    if not ours:
        _to_the_customer(order, valves, by)
    states.refresh([valve.pk for valve in valves])
    return verdict


def _refuse_what_is_lost(valves: Sequence[Valve]) -> None:
    for valve in valves:
        if valve.state == State.WRITTEN_OFF:
            raise CannotDecide(f"{valve} is written off: it cannot go back to the customer. Refund or replace it.")


def _tell(verdict: ReturnVerdict, order: Order, valves: Iterable[Valve], by: User) -> None:
    case = verdict.case
    what = [
        f"credit note {verdict.credit_note}" if verdict.credit_note else "",
        f"{shown(-verdict.paid_back.amount, order.currency)} paid back" if verdict.paid_back else "",
        f"replaced by {verdict.replacement}" if verdict.replacement else "",
        f"the goods {verdict.get_goods_display()}",
        verdict.reason,
    ]
    text = f"{case}, {verdict.get_kind_display()}: {'; '.join(filter(None, what))}"
    for valve in valves:
        Entry.write(by, "return-decided", text, valve=valve, lot=valve.line.lot, order=order)


# Money


def by_line(items: Sequence[Return]) -> dict[OrderLine, list[Allocation]]:
    """What came back, by the line that it was sent for."""
    back = {item.valve_id for item in items}
    found: dict[OrderLine, list[Allocation]] = defaultdict(list)
    for row in sent_with(items[0].order):
        if row.valve_id in back:
            found[row.order_line].append(row)
    return dict(found)


def _numbers(rows: Iterable[Allocation]) -> set[int]:
    return {row.item for row in rows}


def only_in_part(items: Sequence[Return]) -> str:
    """Of which set only some valves came back, as a sentence; nothing where all is whole."""
    order = items[0].order
    back = set(Return.objects.filter(order=order).values_list("valve", flat=True))
    sent = sent_with(order)
    for line, rows in by_line(items).items():
        for number in sorted(_numbers(rows)):
            of_item = [row.valve_id for row in sent if (row.order_line_id, row.item) == (line.pk, number)]
            here = sum(valve in back for valve in of_item)
            if here < line.set_size:
                return f"{here} of the {line.set_size} valves of a {set_name(line.set_size)} {line.type} came back"
    return ""


def invoice_of(order: Order) -> Invoice | None:
    return order.invoices.filter(kind=Invoice.Kind.INVOICE).first()


def _credit(case: ReturnCase, order: Order, items: Sequence[Return], wanted: VerdictWanted, by: User) -> Invoice:
    invoice = invoice_of(order)
    if invoice is None:
        raise CannotDecide(
            f"{order} has no invoice, so there is nothing to credit. Write it on the order’s money page."
        )
    why = f"{case}: {wanted.reason or case.complaint_in_words}"[:200]
    owed, left = invoicing.still_owed(invoice)
    keep_shipping = not wanted.shipping
    at = {line.key: place for place, line in enumerate(owed.lines)}
    lines = {line: rows for line, rows in by_line(items).items() if line.pk in at}
    if wanted.amount is not None:
        off = _shared(owed, [line.pk for line in lines], wanted.amount, order.currency)
        return invoicing.credit(invoice, {}, keep_shipping, why, by, off)
    if part := only_in_part(items):
        raise CannotDecide(f"{part}: say how much of its price is given back.")
    kept = {line.pk: max(0, left[at[line.pk]] - len(_numbers(rows))) for line, rows in lines.items()}
    return invoicing.credit(invoice, kept, keep_shipping, why, by)


def _shared(owed: Sums, keys: Sequence[int], amount: Decimal, currency: str) -> dict[int, Decimal]:
    """What comes off the price of each line so that the customer gets `amount`; where tax is added, it is in there."""
    lines = [line for line in owed.lines if line.key in keys]
    rates = [Fraction(0) if line_includes(line) else Fraction(line.tax.percent) / 100 for line in lines]
    gross = [rounded(Fraction(line.after) * (1 + rate), currency) for line, rate in zip(lines, rates, strict=True)]
    if amount > sum(gross, Decimal(0)):
        raise CannotDecide(f"Only {shown(sum(gross, Decimal(0)), currency)} is owed for what came back.")
    parts = share(amount, gross, minor_places(currency))
    return {
        line.key: min(line.after, rounded(Fraction(part) / (1 + rate), currency))
        for line, part, rate in zip(lines, parts, rates, strict=True)
    }


def _pay_back(order: Order, note: Invoice, wanted: VerdictWanted, by: User) -> Payment | None:
    """As much as the customer has paid too much now, and no more than is credited."""
    too_much = min(note.total, max(Decimal(0), -invoicing.owed(order)))
    if not wanted.pay_back or not too_much:
        return None
    text = f"{wanted.how_paid or 'paid back'}, {note}"[:120]
    return invoicing.enter_payment(Payment(order=order, amount=-too_much, on=timezone.localdate(), note=text), by)


# Goods


def _replace(case: ReturnCase, order: Order, items: Sequence[Return], by: User) -> Order:
    """An order at no charge for the same again: whole sets where they came back whole, else as many single valves."""
    note = f"Replaces what came back from {order} ({case}), at no charge"
    new = taking.take_order(Order(currency=order.currency, note=note), order.customer, by)
    in_part = bool(only_in_part(items))
    for line, rows in by_line(items).items():
        whole = not in_part or line.set_size == 1
        taking.add_line(
            new,
            OrderLine(
                type=line.type,
                asked_as=line.asked_as,
                set_size=line.set_size if whole else 1,
                sealed=line.sealed,
                untested=line.untested,
                quantity=len(_numbers(rows)) if whole else len(rows),
                best_grades=line.best_grades,
                max_spread_percent=line.max_spread_percent if whole else None,
                unit_price=Decimal(0),
                note=f"no charge: replaces {plural(len(rows), 'valve')} of {order}",
                **{name: getattr(line, name) for name in OrderLine.WISHES},
            ),
            by,
        )
    return new


def _to_the_customer(order: Order, valves: Sequence[Valve], by: User) -> None:
    """The sale stands: they are off our stock again, as they were when they had been sent."""
    left = {row.valve_id: row for row in sent_with(order)}
    Allocation.objects.filter(pk__in=[left[valve.pk].pk for valve in valves]).update(live=True)
    states.refresh([valve.pk for valve in valves])
    return_refused.send(Order, order=order, valves=valves, by=by)
