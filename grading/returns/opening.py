"""What comes back is followed from the moment that it is here, whichever page it was entered on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from grading.orders import fulfilment
from grading.orders.fulfilment import CannotPull
from stockroom.models import Counter, Entry, Order, Return, ReturnCase, Valve


@transaction.atomic
def take_back(
    order: Order, valves: Sequence[Valve], complaint: str, words: str, seals: Mapping[int, str], by: User
) -> ReturnCase:
    """These valves came back together with one complaint. `seals` says by valve how one that was sold sealed came.

    Raises:
        CannotPull: one did not go out with this order, or it is not said how its seal came back.
    """
    cases: set[int] = set()
    for valve in valves:
        known = Return.objects.filter(order=order, valve=valve, case_id__in=cases).exists()
        if known:
            continue  # its carton came back whole, with another piece of it
        back = fulfilment.take_back(order, valve, words, by, seals.get(valve.pk, ""), complaint)
        back.refresh_from_db()
        assert back.case_id is not None
        cases.add(back.case_id)
    return ReturnCase.objects.get(pk=cases.pop())


def follow(order: Order, valves: Sequence[Valve], by: User | None) -> ReturnCase | None:
    """Put what has just come back on a case: today's undecided one of the order with the same complaint, or a new one.

    The order is held by whoever takes the valves back.
    """
    fresh = list(
        Return.objects.filter(order=order, valve__in=valves, case=None).order_by("-at", "-pk").select_related("valve")
    )
    if not fresh:
        return None
    first = fresh[0]
    today = ReturnCase.objects.undecided().filter(order=order, complaint=first.complaint, words=first.reason)
    case = next((one for one in today if timezone.localdate(one.opened_at) == timezone.localdate(first.at)), None)
    if case is None:
        case = ReturnCase.objects.create(
            number=f"B{Counter.take('return')[0]:04d}",
            order=order,
            complaint=first.complaint,
            words=first.reason,
            opened_at=first.at,
            opened_by=by,
        )
    Return.objects.filter(pk__in=[one.pk for one in fresh]).update(case=case)
    return case


@transaction.atomic
def apart(case: ReturnCase, back: Return, by: User) -> ReturnCase:
    """Something else is decided on this valve: it gets a case of its own.

    Raises:
        CannotPull: it is decided already, or it is the only one.
    """
    Order.objects.select_for_update(no_key=True).get(pk=case.order_id)
    case = ReturnCase.objects.get(pk=case.pk)
    if hasattr(case, "verdict"):
        raise CannotPull(f"{case} is decided: nothing can be taken out of it.")
    if case.items.count() < 2 or not case.items.filter(pk=back.pk).exists():
        raise CannotPull(f"{back.valve} is alone on its return already.")
    own = ReturnCase.objects.create(
        number=f"B{Counter.take('return')[0]:04d}",
        order_id=case.order_id,
        complaint=case.complaint,
        words=case.words,
        opened_at=case.opened_at,
        opened_by=by,
    )
    Return.objects.filter(pk=back.pk).update(case=own)
    Entry.write(by, "return-apart", f"{back.valve} is decided on apart from {case}: {own}", order=case.order)
    return own
