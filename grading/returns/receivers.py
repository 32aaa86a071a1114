"""What other rooms tell this one."""

from __future__ import annotations

from collections.abc import Sequence

from django.contrib.auth.models import User
from django.dispatch import receiver

from grading.returns import opening
from stockroom.models import Order, Valve
from stockroom.signals import valves_returned


@receiver(valves_returned, dispatch_uid="returns")
def _came_back(sender: object, order: Order, valves: Sequence[Valve], by: User | None, **kwargs: object) -> None:
    opening.follow(order, valves, by)
