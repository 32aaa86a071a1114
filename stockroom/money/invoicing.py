"""What an order comes to by the shop's rules, the invoice that says so, credit notes, and what was paid.

An invoice keeps its sums as they were, in `Invoice.content`; `written` and `read` turn sums into it and back.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from stockroom.models import (
    Allocation,
    Counter,
    Entry,
    Invoice,
    Order,
    OrderLine,
    OrderTerms,
    Payment,
    ShippingRule,
    Shop,
    TaxRule,
)
from stockroom.money.pure import shipping, sums
from stockroom.money.pure.sums import NO_TAX, Charged, Sums, Tax
from stockroom.pure.money import minor_places, shown, to_minor
from stockroom.pure.refused import Refused
from stockroom.signals import order_money_changed

LETTERS = {Invoice.Kind.INVOICE: "N", Invoice.Kind.CREDIT: "K"}


class CannotInvoice(Refused):
    """The message says why and what to do first."""


def terms_of(order: Order) -> OrderTerms:
    return getattr(order, "terms", None) or OrderTerms(order=order)


def tax_on(what: TaxRule.On, region: str) -> Tax:
    """The region's own rule, or else the one for everywhere, or no tax."""
    rules = TaxRule.objects.filter(on=what).filter(Q(region__iexact=region) | Q(region=""))
    rule = max(rules, key=lambda rule: bool(rule.region), default=None)
    if rule is None:
        return NO_TAX
    return Tax(rule.name, rule.percent, rule.inclusive, rule.margin)


def notes_for(content: Mapping[str, Any]) -> list[str]:
    """The words that a paper of these sums must bear by the shop's rules."""
    names = {one["name"] for one in content["taxes"]}
    rules = TaxRule.objects.filter(name__in=names).exclude(note="")
    return list(dict.fromkeys(rules.values_list("note", flat=True)))


def sums_of(order: Order) -> Sums:
    """What the order comes to now.

    Raises:
        CannotInvoice: a line has no price, no shipping rule carries the parcel, or the code does not serve.
    """
    terms, currency = terms_of(order), order.currency
    tax = tax_on(TaxRule.On.GOODS, terms.region)
    marked = _marked(order)
    lines = [
        _charged(line, tax, order, marked.get(line.pk, ""))
        for line in order.lines.select_related("type")
        if line.quantity
    ]
    if not lines:
        raise CannotInvoice(f"{order} asks for nothing yet.")
    lines = _with_discount(lines, terms, currency)
    after = sum((line.after for line in lines), Decimal(0))
    rules = ShippingRule.objects.filter(currency=currency)
    sending = Charged("Shipping", 1, Decimal(0), tax_on(TaxRule.On.SHIPPING, terms.region))
    if ShippingRule.objects.exists():
        rates = [shipping.Rate(one.name, one.price, one.region, one.up_to_g, one.free_above) for one in rules]
        rate = shipping.rate_for(rates, terms.region, terms.weight_g)
        if rate is None:
            raise CannotInvoice(
                f"No shipping rule in {currency} carries a parcel of "
                f"{'unknown weight' if terms.weight_g is None else f'{terms.weight_g} g'} to "
                f"{terms.region or 'a region that is not said'}. Say its weight and region, or add a rule."
            )
        each = to_minor(shipping.price(rate, after), currency)
        sending = Charged(f"Shipping: {rate.name}", 1, each, sending.tax)
    return sums.reckon(lines, sending, currency)


def _marked(order: Order) -> dict[int, str]:
    """By line, what the glass of the pieces set aside says, where that is another name than the type's."""
    held = Allocation.objects.filter(order_line__order=order, live=True).exclude(valve__as_marked="")
    names = held.values_list("order_line", "valve__as_marked").order_by("order_line", "valve__as_marked").distinct()
    found: dict[int, str] = {}
    for line, name in names:
        found[line] = f"{found[line]}, {name}" if line in found else f", marked {name}"
    return found


def _charged(line: OrderLine, tax: Tax, order: Order, marked: str) -> Charged:
    if line.unit_price is None:
        raise CannotInvoice(f"{line} has no price. Give it one on the order’s page.")
    cost = _cost_of(line) if tax.margin else Decimal(0)
    if tax.margin and order.currency != Shop.own().currency:
        raise CannotInvoice("A margin is reckoned in the home currency: the order is in another. Use another rule.")
    return Charged(
        line.asked + marked, line.quantity, to_minor(line.unit_price, order.currency), tax, cost=cost, key=line.pk
    )


def _cost_of(line: OrderLine) -> Decimal:
    """What the pieces set aside for the line cost: their shares of their lots."""
    currency = Shop.own().currency
    held = Allocation.objects.filter(order_line=line, live=True).select_related("valve__line")
    if held.count() < line.quantity * line.set_size:
        raise CannotInvoice("A margin is known once every piece is set aside.")
    return sum((row.valve.line.cost_of(row.valve.position, currency) for row in held), Decimal(0))


def _with_discount(lines: list[Charged], terms: OrderTerms, currency: str) -> list[Charged]:
    code = terms.code
    if code is None:
        return lines
    if code.until and code.until < timezone.localdate():
        raise CannotInvoice(f"The code {code} has run out.")
    if code.amount is not None and code.currency != currency:
        raise CannotInvoice(f"The code {code} is in {code.currency}, the order in {currency}.")
    amount = None if code.amount is None else to_minor(code.amount, currency)
    return sums.discounted(lines, currency, code.percent, amount)


def written(of: Sums, currency: str) -> dict[str, Any]:
    """The sums as an invoice keeps them: amounts as text, so that nothing becomes binary floating point."""
    *nets, sending = of.nets(currency)
    return {
        "lines": [_line(line, net) for line, net in zip(of.lines, nets, strict=True)],
        "shipping": _line(of.shipping, sending),
        "taxes": [
            {**_tax(one.tax), "net": str(one.net), "amount": str(one.amount), "gross": str(one.gross)}
            for one in of.taxes
        ],
        "goods": str(of.goods),
        "discount": str(of.discount),
        "added_tax": str(of.added_tax),
        "tax": str(of.tax),
        "total": str(of.total),
    }


def _line(line: Charged, net: Decimal) -> dict[str, Any]:
    money = {name: str(getattr(line, name)) for name in ("each", "amount", "discount", "after", "cost")}
    return {
        "what": line.what,
        "quantity": line.quantity,
        "key": line.key,
        "tax": _tax(line.tax),
        "net": str(net),
        **money,
    }


def _tax(tax: Tax) -> dict[str, Any]:
    return {
        "name": tax.name,
        "percent": f"{tax.percent.normalize():f}",
        "inclusive": tax.inclusive,
        "margin": tax.margin,
    }


def read(content: Mapping[str, Any], currency: str) -> Sums:
    """The sums that an invoice keeps."""
    every = [_read_line(line) for line in [*content["lines"], content["shipping"]]]
    return sums.reckon(every[:-1], every[-1], currency)


def _read_line(line: Mapping[str, Any]) -> Charged:
    tax = line["tax"]
    return Charged(
        line["what"],
        line["quantity"],
        Decimal(line["each"]),
        Tax(tax["name"], Decimal(tax["percent"]), tax["inclusive"], tax["margin"]),
        Decimal(line["discount"]),
        Decimal(line["cost"]),
        line["key"],
    )


@transaction.atomic
def issue(order: Order, by: User | None) -> Invoice:
    """
    Raises:
        CannotInvoice: it has an invoice, or was cancelled, or something is not known yet.
    """
    order = Order.objects.select_for_update(no_key=True, of=("self",)).get(pk=order.pk)
    if order.state not in (Order.State.PULLED, Order.State.DESPATCHED):
        raise CannotInvoice(f"{order} is {order.state}: an invoice is written once every piece is pulled.")
    if order.invoices.filter(kind=Invoice.Kind.INVOICE).exists():
        raise CannotInvoice(f"{order} has its invoice. Write a credit note for what is not owed.")
    of = sums_of(order)
    return _write(Invoice(kind=Invoice.Kind.INVOICE, order=order), written(of, order.currency), of.total, by)


@transaction.atomic
def credit(
    invoice: Invoice,
    kept: Mapping[int, int],
    keep_shipping: bool,
    reason: str,
    by: User | None,
    off: Mapping[int, Decimal] | None = None,
) -> Invoice:
    """Take back what the customer does not keep: `kept` says, by the order line's key, how many they still owe for, and
    `off` what of the price of those they no longer do, as the price is written.

    What is credited is the difference between what was owed and what is, so that credits in parts make up the whole,
    and tax and margin follow.

    Raises:
        CannotInvoice: more would be kept than is owed for, more taken off than is owed, or nothing would be credited.
    """
    Order.objects.select_for_update(no_key=True, of=("self",)).get(pk=invoice.order_id)
    before, owed = still_owed(invoice)
    whole = read(invoice.content, invoice.currency)
    left: list[int] = []
    for line, many in zip(whole.lines, owed, strict=True):
        keep = kept.get(line.key, many)
        if not 0 <= keep <= many:
            raise CannotInvoice(f"{line.what}: {many} are owed for, so from 0 to {many} can be kept.")
        left.append(keep)
    allowed = _taken_off(invoice)
    for place, line in enumerate(before.lines):
        less = (off or {}).get(line.key, Decimal(0))
        if not 0 <= less <= line.after:
            raise CannotInvoice(f"{line.what}: {shown(line.after, invoice.currency)} is owed, so no more can come off.")
        allowed[place] += less
    after = _reduced(whole, left, keep_shipping and bool(before.shipping.quantity), invoice.currency, allowed)
    total = before.total - after.total
    if not total and (left, after.shipping.quantity) == (owed, before.shipping.quantity):
        raise CannotInvoice("Nothing would be credited: say what is not kept.")
    content = _difference(before, after, invoice.currency)
    state = {"kept": left, "shipping_kept": after.shipping.quantity, "off": [str(amount) for amount in allowed]}
    paper = Invoice(kind=Invoice.Kind.CREDIT, order=invoice.order, corrects=invoice, reason=reason)
    return _write(paper, {**content, **state}, total, by)


def still_owed(invoice: Invoice) -> tuple[Sums, list[int]]:
    """The invoice less its credit notes, and how many of each line are owed for."""
    whole = read(invoice.content, invoice.currency)
    last = invoice.credits.order_by("id").last()
    left = last.content["kept"] if last else [line.quantity for line in whole.lines]
    sending = last.content["shipping_kept"] if last else True
    return _reduced(whole, left, sending, invoice.currency, _taken_off(invoice)), left


def _taken_off(invoice: Invoice) -> list[Decimal]:
    """What credit notes so far took off the price of each line, beside what is not kept at all."""
    last = invoice.credits.order_by("id").last()
    if last is None or "off" not in last.content:
        return [Decimal(0) for _ in invoice.content["lines"]]
    return [Decimal(amount) for amount in last.content["off"]]


def _reduced(whole: Sums, left: list[int], shipping_kept: bool, currency: str, off: list[Decimal]) -> Sums:
    lines = [
        sums.taken_off(sums.remaining(line, many, currency), less)
        for line, many, less in zip(whole.lines, left, off, strict=True)
    ]
    sending = sums.remaining(whole.shipping, int(shipping_kept), currency)
    return sums.reckon(lines, sending, currency)


def _difference(before: Sums, after: Sums, currency: str) -> dict[str, Any]:
    """What is credited, part by part."""
    was, now = written(before, currency), written(after, currency)
    money = ("amount", "discount", "after", "net")

    def less(one: Mapping[str, Any], other: Mapping[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
        return {**one, **{name: str(Decimal(one[name]) - Decimal(other[name])) for name in names}}

    pairs = list(zip([*was["lines"], was["shipping"]], [*now["lines"], now["shipping"]], strict=True))
    rows = [{**less(one, other, money), "quantity": one["quantity"] - other["quantity"]} for one, other in pairs]
    taxes = [
        less(one, other, ("net", "amount", "gross")) for one, other in zip(was["taxes"], now["taxes"], strict=True)
    ]
    whole = less(was, now, ("goods", "discount", "added_tax", "tax", "total"))
    return {**whole, "lines": rows[:-1], "shipping": rows[-1], "taxes": taxes}


def _write(paper: Invoice, content: dict[str, Any], total: Decimal, by: User | None) -> Invoice:
    kind = Invoice.Kind(paper.kind)
    paper.number = f"{LETTERS[kind]}{Counter.take(kind.value)[0]:04d}"
    paper.currency, paper.content, paper.total, paper.by = paper.order.currency, content, total, by
    paper.save(force_insert=True)
    text = f"{kind.label.capitalize()} {paper} for {paper.order}: {shown(total, paper.currency)}"
    Entry.write(by, kind.value, f"{text}{f', {paper.reason}' if paper.reason else ''}", order=paper.order)
    order_money_changed.send(Order, order=paper.order, text=text, by=by)
    return paper


@transaction.atomic
def enter_payment(payment: Payment, by: User | None) -> Payment:
    """
    Raises:
        CannotInvoice: more would be paid back than came.
    """
    order = Order.objects.select_for_update(no_key=True, of=("self",)).get(pk=payment.order_id)
    if paid(order) + payment.amount < 0:
        raise CannotInvoice(f"Only {shown(paid(order), order.currency)} came for {order}: no more can go back.")
    payment.by = by
    payment.save()
    way = "paid back" if payment.amount < 0 else "paid"
    text = f"{order}: {shown(abs(payment.amount), order.currency)} {way}{f', {payment.note}' if payment.note else ''}"
    Entry.write(by, "payment", text, order=order)
    order_money_changed.send(Order, order=order, text=text, by=by)
    return payment


def paid(order: Order) -> Decimal:
    return sum((one.amount for one in order.payments.all()), Decimal(0)).quantize(
        Decimal(1).scaleb(-minor_places(order.currency))
    )


def owed(order: Order) -> Decimal:
    """By its invoice less credit notes; below nothing when the customer has something to come back."""
    sign = {Invoice.Kind.INVOICE: 1, Invoice.Kind.CREDIT: -1}
    billed = (sign[Invoice.Kind(paper.kind)] * paper.total for paper in order.invoices.all())
    return sum(billed, Decimal(0)) - paid(order)


def paid_in_words(order: Order) -> str:
    """ "not paid", "part paid: GBP 10.00 still owed", "paid", or what has to go back."""
    rest, came = owed(order), paid(order)
    if not order.invoices.exists():
        return f"{shown(came, order.currency)} paid, no invoice yet" if came else "no invoice yet"
    if rest > 0:
        still = f"{shown(rest, order.currency)} still owed"
        return f"part paid: {still}" if came > 0 else f"not paid: {still}"
    return f"{shown(-rest, order.currency)} to pay back" if rest < 0 else "paid"
