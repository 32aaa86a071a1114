"""What an order tells the rooms above it. Sent inside the transaction of the change it tells of."""

from __future__ import annotations

from django.dispatch import Signal

#: packs: what is about to leave under its seal. A receiver that objects raises `fulfilment.CannotPull`.
sealed_packs_leaving = Signal()

items_left_out = Signal()  # line, items: that the customer goes without
