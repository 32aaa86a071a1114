"""What the other rooms tell the books."""

from __future__ import annotations

from collections.abc import Sequence

from django.contrib.auth.models import User
from django.dispatch import receiver

from stockroom.ledger import posting
from stockroom.models import Lot, Order, Valve
from stockroom.signals import (
    despatch_undone,
    lot_changed,
    lot_removed,
    order_despatched,
    order_money_changed,
    return_refused,
    valve_written_off,
    valves_returned,
)


@receiver(lot_changed, dispatch_uid="ledger")
def enter_lot(sender: type, lot: Lot, by: User | None, **kwargs: object) -> None:
    posting.bring_lot(lot, f"Lot {lot}: charges, credits, lines and their shares", by)


@receiver(lot_removed, dispatch_uid="ledger")
def take_lot_out(sender: type, lot: Lot, by: User | None, **kwargs: object) -> None:
    posting.forget_lot(lot, by)


@receiver(valve_written_off, dispatch_uid="ledger")
def enter_loss(sender: type, valve: Valve, by: User | None, **kwargs: object) -> None:
    posting.bring_lot(valve.line.lot, f"{valve} written off: {valve.written_off}", by)


@receiver(order_despatched, dispatch_uid="ledger")
def enter_sale(sender: type, order: Order, valves: Sequence[Valve], by: User | None, **kwargs: object) -> None:
    for lot, leaving in posting.leaving_by_lot(valves):
        posting.bring_lot(lot, f"{order} sent to {order.customer}: its cost", by, leaving)
    posting.bring_order(order, f"{order} sent to {order.customer}", by)


@receiver(despatch_undone, dispatch_uid="ledger")
def take_sale_back(sender: type, order: Order, valves: Sequence[Valve], by: User | None, **kwargs: object) -> None:
    for lot, _ in posting.leaving_by_lot(valves):
        posting.bring_lot(lot, f"{order} was not sent after all: its cost", by)
    posting.bring_order(order, f"{order} was not sent after all", by)


@receiver(valves_returned, dispatch_uid="ledger")
def enter_return(sender: type, order: Order, valves: Sequence[Valve], by: User | None, **kwargs: object) -> None:
    """The goods are stock again at their cost. What the customer gets back is another matter; what was credited before
    they came now stands on those that came."""
    for lot, _ in posting.leaving_by_lot(valves):
        posting.bring_lot(lot, f"Came back from {order}: stock again", by)
    posting.bring_order(order, f"{order}: what was credited stands on what came back", by)


@receiver(return_refused, dispatch_uid="ledger")
def enter_refusal(sender: type, order: Order, valves: Sequence[Valve], by: User | None, **kwargs: object) -> None:
    """The sale stands: the goods leave at the cost that was fixed when they left first."""
    for lot, again in posting.leaving_by_lot(valves):
        posting.bring_lot(lot, f"Back to the customer, sold with {order}", by, as_before=again)
    posting.bring_order(order, f"{order}: what came back is the customer’s after all", by)


@receiver(order_money_changed, dispatch_uid="ledger")
def enter_money(sender: type, order: Order, text: str, by: User | None, **kwargs: object) -> None:
    posting.bring_order(order, text, by)
