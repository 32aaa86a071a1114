"""What happens to sealed stock when verdicts change, and when an order is about to leave."""

from __future__ import annotations

from collections.abc import Collection

from django.contrib.auth.models import User
from django.dispatch import receiver

from grading.orders.fulfilment import PUT_BACK, CannotPull
from grading.orders.signals import sealed_packs_leaving
from grading.sealed import acceptance
from grading.verdicts.signals import grades_changed
from stockroom.models import Pack
from stockroom.signals import lines_counted


@receiver(grades_changed, dispatch_uid="sealed")
def _grades_changed(sender: object, valve_ids: Collection[int], by: User | None, **kwargs: object) -> None:
    acceptance.recheck(valve_ids, by)


@receiver(lines_counted, dispatch_uid="sealed")
def _counted(sender: object, line_ids: Collection[int], by: User | None, **kwargs: object) -> None:
    acceptance.recheck_lines(line_ids, by)


@receiver(sealed_packs_leaving, dispatch_uid="sealed")
def _packs_leaving(sender: object, packs: Collection[Pack], **kwargs: object) -> None:
    """Packs leave as sealed only while their lot stands accepted."""
    for plan in {pack.plan_id: pack.plan for pack in packs}.values():
        if why := acceptance.why_not_accepted(plan):
            raise CannotPull(f"Packs of {plan.line} cannot leave as sealed: {why} {PUT_BACK}")
