"""The seals of packs that stayed shut through the sampling: which are whole, what shares one, and what breaks one."""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import QuerySet

from stockroom.models import Allocation, BrokenSeal, Entry, ListedValve, Pack, Packing, Valve
from stockroom.pure.refused import Refused
from stockroom.receiving import booking
from stockroom.sealed.pure import sampling

WITH_PACK = "pack__broken_seal"  # for `select_related` of valves


class PromisedSealed(Refused):
    """The pack is promised or offered to somebody as sealed. The message says to whom and what to do first."""


def shut_pack(valve: Valve) -> Pack | None:
    if not lies_sealed(valve):
        return None
    return Pack.objects.under_seal().filter(valve=valve).select_related("plan__line__lot", "valve").first()


def lies_sealed(valve: Valve) -> bool:
    """As far as the row in hand knows: without a question where its pack was fetched with it (`WITH_PACK`)."""
    pack = getattr(valve, "pack", None)
    return pack is not None and not pack.opened and not hasattr(pack, "broken_seal")


def together(pack: Pack) -> QuerySet[Pack]:
    plan = pack.plan
    numbers = [pack.number]
    if plan.seal == Packing.Seal.CARTON:
        carton, _ = sampling.carton_and_place(pack.number, plan.carton_size)
        numbers = list(range((carton - 1) * plan.carton_size + 1, carton * plan.carton_size + 1))
    return Pack.objects.under_seal().filter(plan=plan, number__in=numbers)


def why_not_opened(valve: Valve) -> str:
    """What keeps the valve's sealed pack shut; nothing when it is in none, or it may be opened."""
    pack = shut_pack(valve)
    return _promised(pack) if pack is not None else ""


def _promised(pack: Pack) -> str:
    same = together(pack).values("valve")
    allocated = Allocation.objects.filter(valve__in=same, live=True).select_related("order_line__order").first()
    if allocated is not None:
        return (
            f"{pack.valve} lies in a sealed pack that is set aside for order {allocated.order_line.order}: it stays "
            "shut. Return it to stock on the order’s page first."
        )
    listed = ListedValve.objects.filter(valve__in=same, live=True).select_related("listing").first()
    if listed is not None:
        number = listed.listing.number
        return f"{pack.valve} lies in a sealed pack that is listed as {number}: it stays shut. End the listing first."
    return ""


def open_pack(valve: Valve, because: str, by: User | None) -> None:
    """Break the seal of the pack that the valve lies in; nothing happens where there is none.

    Raises:
        PromisedSealed: it is set aside for an order or listed as sealed.
    """
    if not lies_sealed(valve):
        return
    with transaction.atomic():
        booking.locked(valve.line.lot_id)  # so that nobody promises it meanwhile
        pack = Pack.objects.under_seal().filter(valve=valve).select_related("plan__line__lot", "valve").first()
        if pack is None:
            return
        if promised := _promised(pack):
            raise PromisedSealed(promised)
        break_seal(pack, because, by)


def break_seal(pack: Pack, because: str, by: User | None) -> list[BrokenSeal]:
    """Write down that the seal is broken, for every pack under it that has a serial."""
    same = list(together(pack).select_related("valve__line__lot"))
    broken = BrokenSeal.objects.bulk_create([BrokenSeal(pack=one, because=because, by=by) for one in same])
    for one in same:
        text = f"Seal broken: {because}. It is no longer sold as sealed."
        Entry.write(by, "seal-broken", text, valve=one.valve, line=one.valve.line, lot=one.valve.line.lot)
    return broken
