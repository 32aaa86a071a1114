"""Listing sealed packs: before the public as sealed and sample-tested, never as tested."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction

from grading.listings.parts import Part
from grading.listings.publishing import CannotList, create_listing
from grading.sealed import acceptance
from grading.sealed import results as sealed_results
from stockroom.models import Listing, Pack, Packing, SamplingPlan, Valve
from stockroom.models.orders import SEALED_WORDS
from stockroom.receiving import booking
from stockroom.sealed import pack_dates, plans
from stockroom.sealed.pure.sampling import LotOutcome


class SealedItem(NamedTuple):
    """What the public is told in place of readings."""

    plan: SamplingPlan
    results: sealed_results.Results
    pack_date: str
    draws: str  # how often the packs were drawn anew, and why


def of(valves: Sequence[Valve]) -> SealedItem | None:
    pack = (
        Pack.objects.filter(valve__in=valves, opened=False)
        .select_related("plan__line__packing", "plan__line__type")
        .first()
    )
    if pack is None:
        return None
    return SealedItem(
        pack.plan,
        sealed_results.results(pack.plan),
        pack_dates.in_words(pack.plan.line.packing),
        plans.earlier_draws(pack.plan),
    )


def public_part(valves: Sequence[Valve]) -> Part | None:
    """What stands on the item's page (`grading.listings.parts`)."""
    item = of(valves)
    if item is None:
        return None
    overturned = acceptance.why_not_accepted(item.plan, item.results)
    why_not = "The lot it came from is not accepted on its sample any more." if overturned else ""
    return Part("sealed/_sealed_item.html", item, why_not)


def title(plan: SamplingPlan, count: int = 1) -> str:
    line = plan.line
    unit, of = ("carton", f" of {plan.carton_size}") if plan.seal == Packing.Seal.CARTON else ("pack", "")
    marked = f", marked {line.maker}" if line.maker else ""
    what = f"{line.called_and_type}, {f'{count} {unit}s' if count > 1 else unit}{of}{marked}"
    tail = f": {SEALED_WORDS}"
    return what[: 120 - len(tail)] + tail


def describe(plan: SamplingPlan) -> str:
    """What the sample supports and no more."""
    packing: Packing = plan.line.packing
    marks = ", ".join(filter(None, [packing.contract_marks, pack_dates.in_words(packing)]))
    sentences = [
        f"Bought in as: {plan.line.get_condition_display()}; {packing}{f', marked {marks}' if marks else ''}.",
        "What the sample says of the unopened packs stands below, as it is known today.",
        f"A piece is usable when it is {plan.usable_rule}. What is sold here has not been opened: it is "
        f"{SEALED_WORDS}, and what is in it may differ from the sample.",
    ]
    return " ".join(sentences)


@transaction.atomic
def publish(plan: SamplingPlan, count: int, title: str, text: str, price: Decimal, currency: str, by: User) -> Listing:
    """List `count` packs, or sealed cartons, of a lot that its sample accepted. They get serials and stay shut.

    Raises:
        CannotList: the lot is not accepted, or its results now say otherwise; so many are not there; or the title
        or the text does not say that they are sealed and sample-tested, not tested.
    """
    booking.locked(plan.line.lot_id)
    for words, where in ((title, "title"), (text, "description")):
        if SEALED_WORDS not in words.casefold():
            raise CannotList(f"The {where} must say “{SEALED_WORDS}”: nobody has tested what is in these packs.")
    decision = sealed_results.results(plan).decision
    if decision.outcome != LotOutcome.ACCEPT:
        raise CannotList(f"The sample does not accept this lot as it stands now: {decision.reason}")
    try:
        packs = plans.take_for_sale(plan, count, by)
    except plans.SealedError as problem:
        raise CannotList(str(problem)) from problem
    valves = list(
        Valve.objects.filter(pk__in=[pack.valve_id for pack in packs]).select_related("line__lot").order_by("serial")
    )
    if any(valve.readings.exists() or valve.grades.exists() for valve in valves):
        raise CannotList("One of these packs has been opened and read: it is no longer sealed.")
    new = Listing(title=title, text=text, price=price, currency=currency, listed_by=by)
    return create_listing(valves, new, "Listed sealed, sample-tested,")
