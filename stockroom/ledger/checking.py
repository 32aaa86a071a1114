"""Do the books balance, and do they say what the records say? Each finding is a sentence."""

from __future__ import annotations

from collections.abc import Iterator

from django.db.models import Q, Sum

from stockroom.ledger import positions, posting, valuation
from stockroom.ledger.pure import double_entry
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import LedgerEntry, Lot, Order, Shop
from stockroom.models.ledger import from_thousandths


def waiting() -> Iterator[tuple[Order, str]]:
    """Orders that were sent and whose sale waits for what only a person can say."""
    sent = Order.objects.sent().select_related("customer", "home_rate").order_by("number")
    home = Shop.own().currency
    for order in sent.exclude(currency=home).filter(home_rate=None):
        yield order, f"it is in {order.currency}: say what that is worth in {home}"
    for order in sent.filter(lines__unit_price=None).distinct():
        yield order, "a line of it has no price and counts for nothing"


def findings() -> Iterator[str]:
    yield from _out_of_balance()
    lots, orders = posting.not_in_the_books()
    for lot in lots:
        yield f"Lot {lot} is not in the books: manage.py open_ledger enters it."
    for order in orders:
        if any(positions.of_order(order).values()):
            yield f"The sale of {order} is not in the books: manage.py open_ledger enters it."
    for lot in Lot.objects.exclude(pk__in=[lot.pk for lot in lots]).order_by("number"):
        yield from _of_lot(lot)
    for order in Order.objects.sent().exclude(pk__in=[order.pk for order in orders]):
        booked = {
            key: held for key, held in posting.balances(order=order.pk).items() if key.account in posting.OF_A_SALE
        }
        if double_entry.to_reach(positions.of_order(order), booked):
            yield f"The sale of {order} is not entered as its lines say."


def _out_of_balance() -> Iterator[str]:
    rest = Sum("postings__thousandths")
    for entry in LedgerEntry.objects.annotate(rest=rest).filter(~Q(rest=0) | Q(rest=None)):
        yield f"Entry {entry.pk} ({entry}) is out of balance by {from_thousandths(entry.rest)}."


def _of_lot(lot: Lot) -> Iterator[str]:
    booked = {key: held for key, held in posting.balances(lot=lot.pk).items() if key.account not in posting.OF_A_SALE}
    for leg in double_entry.to_reach(positions.of_lot(lot, booked, ()), booked):
        name = double_entry.ABOUT[leg.key.account].name.lower()
        yield f"Lot {lot}: “{name}” is entered {-leg.amount} away from what the records say."
    there, entered = positions.pieces_of_lot(lot), posting.pieces_booked(lot)
    for key in dict.fromkeys([*there, *entered]):
        if there.get(key, 0) != entered.get(key, 0):
            name = double_entry.ABOUT[key.account].name.lower()
            yield f"Lot {lot}: “{name}” has {there.get(key, 0)} pieces by the records, {entered.get(key, 0)} entered."
    held = sum(amount for key, amount in booked.items() if key.account == Account.STOCK)
    reckoned = valuation.from_records(lot)
    if held != reckoned:
        yield f"Lot {lot}: its stock is {held} in the books and {reckoned} piece by piece."
    for one in positions.left(lot):
        if one.order and one.key(lot.pk) not in booked:
            yield f"Lot {lot}: a valve was sold with order {one.order} and its cost of sale is not entered."
