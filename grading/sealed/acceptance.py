"""Whether a lot is still accepted on its sample, and what follows where it is not.

A lot stops being accepted when somebody decides otherwise, and when a correction of its sample's results says so.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from django.contrib.auth.models import User
from django.db.models import OuterRef, QuerySet, Subquery

from catalog.models import ValveType
from grading.listings import publishing
from grading.sealed import results
from stockroom.models import Entry, Line, Listing, SamplingPlan, SealedDecision
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


def end_listings(plan: SamplingPlan, why: str, by: User | None, only: QuerySet[Listing] | None = None) -> list[Listing]:
    ended = list(listings_of(plan) if only is None else only)
    for one in ended:
        publishing.end(one, by, because=why)
        text = f"Line {plan.line.number}: {one.number} left the public list: {why}"
        Entry.write(by, "listing-ended", text, line=plan.line, lot=plan.line.lot)
    return ended


def recheck(valve_ids: Collection[int], by: User | None) -> None:
    """The same for the lots that these valves came in, drawn or not."""
    for keys in chunked(set(valve_ids)):
        recheck_lines(Line.objects.filter(valves__in=keys).values("pk"), by)


def recheck_lines(lines: Collection[int] | QuerySet[Line, Any], by: User | None) -> None:
    """End the listings of these lines' packs where the lot is accepted no more, and those whose text says of the sample
    what is no longer so."""
    listed = SamplingPlan.objects.filter(
        line__in=lines, packs__opened=False, packs__valve__listings__live=True
    ).select_related("line__lot")
    for plan in listed.distinct():
        found = results.results(plan)
        if why := why_not_accepted(plan, found):
            end_listings(plan, why, by)
            continue
        said = plan.decisions.last()
        if said is not None and said.statement and said.statement != found.sentence:
            stale = listings_of(plan).filter(text__contains=said.statement)
            end_listings(plan, "its text says of the sample what is no longer so", by, stale)
