"""Deciding on a sealed lot: accept, test all or return, and all that follows at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction

from grading.sealed import acceptance, results
from stockroom.models import Entry, Listing, SamplingPlan, SealedDecision, Valve
from stockroom.places import write_offs
from stockroom.pure.written import plural
from stockroom.receiving import booking
from stockroom.sealed import plans

Action = SealedDecision.Action
WENT_BACK = "sent back to the supplier with its lot"


class Done(NamedTuple):
    decision: SealedDecision
    ended: Sequence[Listing]  # listings that left the public list
    went_back: Sequence[Valve]  # pieces with serials that went back with the bulk


@transaction.atomic
def decide(
    plan: SamplingPlan, action: SealedDecision.Action, note: str, by: User | None, keep_opened: bool = False
) -> Done:
    """Record the decision with the sample's result as it stands now.

    A lot that is not accepted any more leaves the public list. When the rest goes back, so do the pieces that have
    serials already: the packs that stayed shut and, unless they are kept, the pieces that were opened, drawn or not.

    Raises:
        sealed.SealedError: it does not go with the result, with what was decided before or with an order.
        receiving.ReceivingError, write_offs.CannotWriteOff: the pieces cannot go.
    """
    booking.locked(plan.line.lot_id)
    now = results.results(plan)
    ended: list[Listing] = []
    if action != Action.ACCEPT:
        why = f"the lot's acceptance was overturned: {action.label}"
        ended = acceptance.end_listings(plan, why, by)
    statement = now.sentence if action == Action.ACCEPT else ""
    decided = plans.Decided(action, now.decision, now.tested, now.failed, statement, note)
    row = plans.record_decision(plan, decided, by)
    went_back = _send_back(plan, note or now.decision.reason, by, keep_opened) if action == Action.RETURN else []
    return Done(row, ended, went_back)


def _send_back(plan: SamplingPlan, why: str, by: User | None, keep_opened: bool) -> list[Valve]:
    """Of the pieces with serials, those of this lot that are in the house."""
    end = plan.first_position + plan.lot_size
    here = Valve.objects.in_house().filter(line=plan.line_id, position__gte=plan.first_position, position__lt=end)
    if keep_opened:
        shut = here.filter(pack__in=plan.packs.under_seal())
        saved = here.count() - shut.count()
        text = f"Line {plan.line.number}: {plural(saved, 'opened piece is', 'opened pieces are')} kept."
        Entry.write(by, "opened-kept", text, lot=plan.line.lot, line=plan.line)
        here = shut
    going = list(here.order_by("serial"))
    for valve in going:
        write_offs.write_off(valve, WENT_BACK, by)
    booking.send_back_serials(plan.line, [valve.position for valve in going], why, by)
    return going
