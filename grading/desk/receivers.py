"""What other rooms tell the owner's desk."""

from __future__ import annotations

from django.dispatch import receiver

from grading.models import LeftOut
from grading.orders import wishes
from grading.orders.signals import items_left_out
from stockroom.models import OrderLine
from stockroom.pure.written import fitted


@receiver(items_left_out, dispatch_uid="desk")
def note_left_out(sender: type, line: OrderLine, items: int, **kwargs: object) -> None:
    LeftOut.objects.create(
        order=line.order, type=line.type, pieces=items * line.set_size, asked=fitted(wishes.asked(line), 200)
    )
