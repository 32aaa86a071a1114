"""What the goods tell whoever judges them. Each is sent inside the transaction of the change it tells of."""

from __future__ import annotations

from django.dispatch import Signal

valve_identified = Signal()  # valve, type_changed, by
valve_written_off = Signal()  # valve, by
lines_counted = Signal()  # line_ids, by: the count of these lines has changed
