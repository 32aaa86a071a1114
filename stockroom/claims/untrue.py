"""Claims whose reason has gone: a recount, a correction of what was expected or charged says otherwise now.

A claim's rows are written once, so it cannot follow. It says that it is true no more, is neither printed as one that
stands nor sent, and nothing more is claimed of its lot until it is withdrawn.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from decimal import Decimal

from stockroom.models import Charge, Claim, ClaimRow, ClaimStep, Line
from stockroom.models.claims import FaultKind
from stockroom.pure.money import shown
from stockroom.receiving.booking import GoodsCost, goods_cost


def why_untrue(claims: Collection[Claim]) -> dict[int, list[str]]:
    """By claim, what it says that is no longer so; those that hold are left out. A fixed number of queries."""
    lots = {claim.lot_id for claim in claims}
    rows = (
        ClaimRow.objects.filter(claim__lot__in=lots)
        .exclude(claim__steps__kind=ClaimStep.Kind.WITHDRAWN)
        .select_related("line", "claim")
    )
    of_lot: dict[int, list[ClaimRow]] = defaultdict(list)
    for row in rows:
        of_lot[row.claim.lot_id].append(row)
    bills: dict[int, list[Charge]] = defaultdict(list)
    for charge in Charge.objects.filter(lot__in=lots, kind=Charge.Kind.GOODS):
        bills[charge.lot_id].append(charge)
    goods = {key: goods_cost(charges) for key, charges in bills.items()}
    found: dict[int, list[str]] = {}
    for claim in claims:
        live = of_lot[claim.lot_id]
        own = [row for row in live if row.claim_id == claim.pk]
        if own and (said := [*_of_pieces(own, live), *_of_money(claim, live, goods.get(claim.lot_id))]):
            found[claim.pk] = said
    return found


def _of_pieces(own: Sequence[ClaimRow], live: Sequence[ClaimRow]) -> Iterator[str]:
    """Each line of which more pieces are claimed, in all live claims together, than there are."""
    for line, kind in dict.fromkeys((row.line, _claimed_as(row)) for row in own):
        claimed = sum(row.pieces for row in live if row.line_id == line.pk and _claimed_as(row) == kind)
        now = _now(line, kind)
        if claimed > now:
            yield f"line {line.number}: {claimed} {kind} {'is' if claimed == 1 else 'are'} claimed, and {now} are now"


def _claimed_as(row: ClaimRow) -> str:
    """Wrong and broken pieces are counted together: both are among those that came."""
    return "wrong or broken" if row.fault_id else FaultKind(row.kind).label


def _now(line: Line, kind: str) -> int:
    difference = line.discrepancy or 0
    return {
        FaultKind.SHORT.label: max(0, -difference),
        FaultKind.OVER.label: max(0, difference),
        FaultKind.SENT_BACK.label: line.gone_back,
    }.get(kind, line.received)


def _of_money(claim: Claim, live: Sequence[ClaimRow], goods: GoodsCost | None) -> Iterator[str]:
    if goods is None:
        yield "nothing is charged for the goods now"
        return
    if goods.currency != claim.currency:
        yield f"the goods are charged in {goods.currency} now, and {claim.currency} is claimed"
        return
    together = sum((row.amount for row in live), Decimal(0))
    if together > goods.amount:
        yield (
            f"the claims of this lot come to {shown(together, goods.currency)}, and the goods cost "
            f"{shown(goods.amount, goods.currency)} now"
        )
