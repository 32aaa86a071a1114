"""What other rooms tell the offers."""

from __future__ import annotations

from django.contrib.auth.models import User
from django.dispatch import receiver

from grading.buying import offering
from stockroom.models import Lot
from stockroom.signals import lot_removed


@receiver(lot_removed, dispatch_uid="offers")
def _lot_removed(sender: type, lot: Lot, by: User | None, **kwargs: object) -> None:
    offering.lot_taken_off(lot, by)
