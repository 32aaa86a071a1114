"""Whether a lot is still accepted on its sample, and what follows where it is not.

A lot stops being accepted when somebody decides otherwise, and when a correction of its sample's results says so.
"""

from __future__ import annotations

from collections.abc import Collection

from django.contrib.auth.models import User
from django.db.models import OuterRef, QuerySet, Subquery

from catalog.models import ValveType
from grading.listings import publishing
from grading.sealed import results
from stockroom.models import Entry, Listing, SamplingPlan, SealedDecision
from stockroom.sealed.pure.sampling import LotOutcome
from stockroom.site.chunks import chunked

Action = SealedDecision.Action


def why_not_accepted(plan: SamplingPlan, found: results.Results | None = None) -> str:
    """`found` are the plan's results, where they are known already."""
    last = plan.decisions.last()
    if last is None or last.action != Action.ACCEPT:
        return f"line {plan.line} is not accepted on its sample."
    decision = (found or results.results(plan)).decision
    if decision.outcome == LotOutcome.ACCEPT:
        return ""
    return f"the sample of {plan.line} no longer accepts it: {decision.reason}"


def accepted_plans(type: ValveType) -> QuerySet[SamplingPlan]:
    last = SealedDecision.objects.filter(plan=OuterRef("pk")).order_by("-at", "-pk")
    return (
        SamplingPlan.objects.current()
        .annotate(decided=Subquery(last.values("action")[:1]))
        .filter(line__type=type, decided=Action.ACCEPT)
        .select_related("line__lot__supplier", "line__type", "line__maker", "line__packing", "line__place")
        .order_by("made_at", "pk")
    )


def listings_of(plan: SamplingPlan) -> QuerySet[Listing]:
    """The live listings of unopened packs of the lot."""
    return Listing.objects.live().filter(listed__valve__pack__in=plan.packs.under_seal()).distinct()


def end_listings(plan: SamplingPlan, why: str, by: User | None) -> list[Listing]:
    ended = list(listings_of(plan))
    for one in ended:
        publishing.end(one, by, because=why)
        text = f"Line {plan.line.number}: {one.number} left the public list: {why}"
        Entry.write(by, "listing-ended", text, line=plan.line, lot=plan.line.lot)
    return ended


def recheck(valve_ids: Collection[int], by: User | None) -> None:
    """End the listings of accepted lots in whose samples these valves stand, where the sample accepts no more."""
    for keys in chunked(set(valve_ids)):
        mine = SamplingPlan.objects.filter(packs__opened=True, packs__valve__in=keys).values("pk")
        listed = SamplingPlan.objects.filter(pk__in=mine, packs__opened=False, packs__valve__listings__live=True)
        for plan in listed.select_related("line__lot").distinct():
            if why := why_not_accepted(plan):
                end_listings(plan, why, by)
