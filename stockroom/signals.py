"""What the goods tell whoever judges them or keeps the books. Sent in the transaction of the change."""

from __future__ import annotations

from django.dispatch import Signal

valve_identified = Signal()  # valve, type_changed, by
valve_written_off = Signal()  # valve, by
lot_changed = Signal()  # lot, by: its charges, credits, lines, pieces, or their shares
lot_removed = Signal()  # lot, by: its lines are gone, and it is about to go
order_despatched = Signal()  # order, valves, by
despatch_undone = Signal()  # order, valves, by
valves_returned = Signal()  # order, valves, by
return_refused = Signal()  # order, valves, by: what came back is the customer's after all
order_money_changed = Signal()  # order, text, by: an invoice, a credit note or a payment
lines_counted = Signal()  # line_ids, by: what is known to lie in these lines' bulk has changed
