"""What verdicts tell the rooms above them. Sent inside the transaction of the change it tells of."""

from __future__ import annotations

from django.dispatch import Signal

grades_changed = Signal()  # valve_ids: whose current grade is another one, or none; by
