"""What customs are told of a parcel: each kind of goods in it, with its value after the discount."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from decimal import Decimal
from typing import NamedTuple

from django.db.models import F

from stockroom.models import Allocation, CustomsRule, Invoice, Order
from stockroom.money import invoicing
from stockroom.money.pure.customs import CustomsWords, GoodsRule, told_of
from stockroom.pure.money import minor_places
from stockroom.receiving.pure.costing import share


class DeclaredGoods(NamedTuple):
    words: CustomsWords
    pieces: int
    value: Decimal


class Valued(NamedTuple):
    """What each valve of an order is worth on paper, by allocation, and what these values are."""

    values: dict[int, Decimal]
    basis: str


AFTER = "Values are after the discount, before shipping and before tax that is added."
BEFORE = "Values are the prices of the order, before discount, shipping and tax."


def declared(rows: Collection[Allocation], values: Valued) -> list[DeclaredGoods]:
    """The goods of these, kind by kind, their values adding up to those of the valves."""
    rules = [
        GoodsRule(rule.type_id, rule.maker_id, CustomsWords(rule.what, rule.material, rule.hs_code, rule.origin))
        for rule in CustomsRule.objects.all()
    ]
    kinds: defaultdict[CustomsWords, list[Decimal]] = defaultdict(list)
    for row in rows:
        words = told_of(rules, row.valve.type_id, row.valve.maker_id)
        kinds[words].append(values.values.get(row.pk, Decimal(0)))
    return [DeclaredGoods(words, len(worth), sum(worth, Decimal(0))) for words, worth in kinds.items()]


def values_of(order: Order) -> Valued:
    """What a line comes to is shared over its pieces, so that the values of all parcels make it up to the minor unit.
    What left first keeps its share. A line without a price is worth nothing on paper."""
    asked, basis = _asked(order)
    pieces: defaultdict[int, list[Allocation]] = defaultdict(list)
    rows = Allocation.objects.filter(order_line__order=order).exclude(live=False, despatch=None)
    for row in rows.order_by(F("despatch").asc(nulls_last=True), "item", "valve__serial"):
        pieces[row.order_line_id].append(row)
    found: dict[int, Decimal] = {}
    for line in order.lines.all():
        many = max(line.quantity * line.set_size, len(pieces[line.pk]))
        if many and line.pk in asked:
            parts = share(asked[line.pk], [1] * many, minor_places(order.currency))
            found |= {row.pk: part for row, part in zip(pieces[line.pk], parts, strict=False)}
    return Valued(found, basis)


def _asked(order: Order) -> tuple[dict[int, Decimal], str]:
    """What each line comes to, by key: as the invoice says, or as it would; else as the prices do."""
    invoice = order.invoices.filter(kind=Invoice.Kind.INVOICE).first()
    try:
        content = invoice.content if invoice else invoicing.written(invoicing.sums_of(order), order.currency)
    except invoicing.CannotInvoice:
        lines = order.lines.exclude(unit_price=None)
        return {line.pk: (line.unit_price or Decimal(0)) * line.quantity for line in lines}, BEFORE
    return {line["key"]: Decimal(line["after"]) for line in content["lines"]}, AFTER
