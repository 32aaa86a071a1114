"""Claims: what is wrong with a delivery, what is asked of the supplier, and what came back.

Short, over and sent back follow from the line's own numbers, so that they cannot contradict the count. An amount
is the piece's part of the goods charge, shared over the pieces that were expected
(`stockroom.receiving.pure.costing`): what was charged for them. Pieces over were not charged for, so they carry none.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from decimal import Decimal
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import QuerySet, Sum
from django.utils import timezone

from stockroom.claims.untrue import why_untrue
from stockroom.models import Claim, ClaimRow, ClaimStep, Counter, Credit, Entry, Fault, Line, Lot, Shop
from stockroom.models.claims import FaultKind
from stockroom.pure.money import minor_places, shown
from stockroom.pure.refused import Refused
from stockroom.pure.written import plural
from stockroom.receiving import booking
from stockroom.receiving.pure import costing


class ClaimError(Refused):
    """Cannot be done; the message says why and what to do instead."""


class TooMany(ClaimError):
    """More pieces than the line has."""


class NoGoodsCharge(ClaimError):
    """Nobody has said what the goods cost, so no amount can be worked out."""


class NothingToClaim(ClaimError):
    """There is nothing that has not been claimed."""


class NotNow(ClaimError):
    """The claim or the row has come too far, or not far enough."""


class Asked(NamedTuple):
    """A row of a claim before it is made."""

    line: Line
    kind: FaultKind
    pieces: int
    amount: Decimal
    note: str
    fault: Fault | None


def note_fault(line: Line, fault: Fault, by: User | None) -> Fault:
    """Write down pieces that came as another type, or broken. They are among the pieces counted.

    Raises:
        TooMany: there are not so many pieces.
    """
    with transaction.atomic():
        lot = booking.locked(line.lot_id)
        line = Line.objects.get(pk=line.pk)
        noted = line.faults.filter(withdrawn_at=None).aggregate(pieces=Sum("pieces"))["pieces"] or 0
        if noted + fault.pieces > line.received:
            raise TooMany(
                f"Line {line.number} has {plural(line.received, 'piece')}, of which {noted} are noted already. Count "
                "broken and wrong ones with the others."
            )
        fault.line, fault.by = line, by
        fault.save()
        text = f"Line {line.number}: {fault}{f': {fault.note}' if fault.note else ''}."
        Entry.write(by, "fault-noted", text, lot=lot, line=line)
    return fault


def withdraw_fault(fault: Fault, why: str, by: User | None) -> None:
    """It was a slip.

    Raises:
        NotNow: it is withdrawn, or a claim stands on it.
    """
    with transaction.atomic():
        lot = booking.locked(fault.line.lot_id)
        fault = Fault.objects.select_related("line").get(pk=fault.pk)
        if fault.withdrawn_at:
            raise NotNow("This is withdrawn already.")
        if fault.is_out_of_its_line:
            raise NotNow("The pieces are booked in as what they are, or written off: what was noted stays.")
        if _live(ClaimRow.objects.filter(fault=fault)).exists():
            raise NotNow("A claim stands on this. Withdraw the claim first.")
        fault.withdrawn_at, fault.withdrawn_because = timezone.now(), why
        fault.save(update_fields=["withdrawn_at", "withdrawn_because"])
        text = f"Line {fault.line.number}: {fault} withdrawn: {why}."
        Entry.write(by, "fault-withdrawn", text, lot=lot, line=fault.line)


def to_claim(lot: Lot) -> list[Asked]:
    """What is wrong and in no live claim yet, line by line; a fixed number of queries.

    Raises:
        NoGoodsCharge: there is something to claim, and no goods charge to work its amount out from.
    """
    lines = list(lot.lines.filter(found_in=None).select_related("type", "maker").order_by("number"))
    claimed: dict[tuple[int, str], int] = {
        (line, kind): pieces
        for line, kind, pieces in _live(ClaimRow.objects.filter(claim__lot=lot, fault=None))
        .order_by()
        .values_list("line", "kind")
        .annotate(pieces=Sum("pieces"))
    }
    in_claims = _live(ClaimRow.objects.filter(claim__lot=lot, fault__isnull=False)).values("fault")
    faults: dict[int, list[Fault]] = defaultdict(list)
    for fault in (
        Fault.objects.filter(line__lot=lot, withdrawn_at=None).exclude(pk__in=in_claims).select_related("found_type")
    ):
        faults[fault.line_id].append(fault)
    found = [(line, list(_of_line(line, claimed, faults[line.pk]))) for line in lines]
    if not any(rows for _, rows in found):
        return []
    goods, shares = _goods_shares(lot, lines)
    places = minor_places(goods.currency)
    in_live = _live(ClaimRow.objects.filter(claim__lot=lot)).order_by()
    before = {
        line: (amount, pieces)
        for line, amount, pieces in in_live.exclude(kind=FaultKind.OVER)
        .values_list("line")
        .annotate(amount=Sum("amount"), pieces=Sum("pieces"))
    }
    asked: list[Asked] = []
    for (line, rows), share in zip(found, shares, strict=True):
        already, taken = before.get(line.pk, (Decimal(0), 0))
        amounts = _within(_amounts(share, line.expected, taken, rows, places), share - already, places)
        asked += [
            Asked(line, kind, n, amount, note, fault)
            for (kind, n, note, fault), amount in zip(rows, amounts, strict=True)
        ]
    return asked


Row = tuple[FaultKind, int, str, Fault | None]


def _of_line(line: Line, claimed: dict[tuple[int, str], int], faults: Sequence[Fault]) -> list[Row]:
    difference = line.discrepancy or 0
    rows: list[Row] = []
    for kind, pieces in (
        (FaultKind.SHORT, -difference),
        (FaultKind.OVER, difference),
        (FaultKind.SENT_BACK, line.gone_back),
    ):
        new = pieces - claimed.get((line.pk, kind.value), 0)
        if new > 0:
            rows.append((kind, new, "not charged for" if kind == FaultKind.OVER else "", None))
    for fault in faults:
        note = "; ".join(filter(None, [f"came as {fault.found_type}" if fault.found_type else "", fault.note]))
        rows.append((FaultKind(fault.kind), fault.pieces, note, fault))
    return rows


def _goods_shares(lot: Lot, lines: Sequence[Line]) -> tuple[booking.GoodsCost, list[Decimal]]:
    """What the goods cost, and every line's part of it by weight times the pieces it was for."""
    goods = booking.goods_cost(lot.charges.all())
    if goods is None:
        raise NoGoodsCharge("Enter what the goods cost first: the amounts of a claim are worked out from it.")
    weights = [line.weight * line.expected for line in lines]
    try:
        return goods, costing.share(goods.amount, weights, minor_places(goods.currency))
    except costing.NothingToShareAmong:
        raise NoGoodsCharge("No line has a weight above 0, so none carries what the goods cost.") from None


def _amounts(share: Decimal, expected: int, before: int, rows: Sequence[Row], places: int) -> list[Decimal]:
    """Each row's part of the line's share; with what was claimed before and the sound pieces they make it up."""
    charged = [0 if kind == FaultKind.OVER else pieces for kind, pieces, _, _ in rows]
    sound = max(0, expected - before - sum(charged))
    weights = [*charged, before, sound]
    return costing.share(share, weights, places)[: len(rows)] if any(weights) else [Decimal(0) for _ in rows]


def _within(amounts: list[Decimal], left: Decimal, places: int) -> list[Decimal]:
    """No more together than is left of the line's share: a piece may be claimed as broken and again as sent back."""
    if sum(amounts, Decimal(0)) <= left:
        return amounts
    return costing.share(max(left, Decimal(0)), amounts, places)


def make_claim(lot: Lot, reference: str, words: str, by: User | None) -> Claim:
    """Number a claim of everything that is wrong and not claimed yet.

    Raises:
        NothingToClaim, NoGoodsCharge.
        NotNow: an earlier claim is true no more and not withdrawn.
    """
    with transaction.atomic():
        lot = booking.locked(lot.pk)
        for earlier, said in why_untrue(list(lot.claims.all())).items():
            number = lot.claims.get(pk=earlier).number
            raise NotNow(f"Claim {number} is true no more: {'; '.join(said)}. Withdraw it first.")
        asked = to_claim(lot)
        if not asked:
            raise NothingToClaim(f"Lot {lot}: the counts agree with what was expected, or everything is claimed.")
        goods, _ = _goods_shares(lot, list(lot.lines.filter(found_in=None).order_by("number")))
        claim = Claim.objects.create(
            number=f"C{Counter.take('claim')[0]:04}",
            lot=lot,
            reference=reference,
            text=words,
            currency=goods.currency,
            made_by=by,
        )
        ClaimRow.objects.bulk_create(
            [
                ClaimRow(
                    claim=claim,
                    line=row.line,
                    kind=row.kind,
                    pieces=row.pieces,
                    amount=row.amount,
                    note=row.note,
                    fault=row.fault,
                )
                for row in asked
            ],
            batch_size=500,
        )
        pieces = sum(row.pieces for row in asked)
        counted = plural(pieces, "piece")
        text = f"Claim {claim} made: {counted}, {shown(claim.amount, claim.currency)}."
        Entry.write(by, "claim-made", text, lot=lot)
    return claim


def take_step(claim: Claim, step: ClaimStep, by: User | None) -> ClaimStep:
    """Write down what became of the claim.

    Raises:
        NotNow: it is withdrawn; credits stand on what would be withdrawn; what would be sent is true no more; or agreed
            without an amount.
    """
    with transaction.atomic():
        lot = booking.locked(claim.lot_id)
        _check_live(claim)
        if step.kind == ClaimStep.Kind.WITHDRAWN and claim.credits.filter(struck_at=None).exists():
            raise NotNow("Credits stand on this claim, so it cannot be withdrawn. Strike them out first.")
        if step.kind == ClaimStep.Kind.SENT and (said := why_untrue([claim]).get(claim.pk)):
            raise NotNow(f"The claim is true no more: {'; '.join(said)}. Withdraw it and make another.")
        if step.kind == ClaimStep.Kind.AGREED and step.amount is None:
            raise NotNow("Say which amount was agreed.")
        if step.kind != ClaimStep.Kind.AGREED:
            step.amount = None
        step.claim, step.by = claim, by
        step.save()
        amount = f" on {shown(step.amount, claim.currency)}" if step.amount is not None else ""
        text = f"Claim {claim}: {step.get_kind_display()}{amount}{f': {step.note}' if step.note else ''}."
        Entry.write(by, f"claim-{step.kind}", text, lot=lot)
    return step


def enter_credit(claim: Claim, credit: Credit, by: User | None) -> Credit:
    """Money that came back. The lot's cost goes down by it and is shared anew, which the daybook shows.

    Raises:
        NotNow: the claim is withdrawn.
        receiving.ReceivingError: it is more than the lot cost, or no piece would carry what is left.
    """
    with transaction.atomic():
        lot = booking.locked(claim.lot_id)
        _check_live(claim)
        credit.claim, credit.lot, credit.by = claim, lot, by
        credit.save()
        home = Shop.own().currency
        at_home = "" if credit.currency == home else f", {shown(booking.in_home(credit, home), home)} at home"
        text = f"Claim {claim}: credit of {shown(credit.amount, credit.currency)}{at_home}"
        Entry.write(by, "credit-entered", f"{text}{f': {credit.note}' if credit.note else ''}.", lot=lot)
        booking.bring_up_to_date(lot, by)
    return credit


def strike_out(credit: Credit, why: str, by: User | None) -> None:
    """The credit was a mistake: it no longer lowers the lot's cost.

    Raises:
        NotNow: it is struck out already.
    """
    with transaction.atomic():
        lot = booking.locked(credit.lot_id)
        credit = Credit.objects.select_related("claim").get(pk=credit.pk)
        if not credit.stands:
            raise NotNow("This credit is struck out already.")
        credit.struck_at, credit.struck_because = timezone.now(), why
        credit.save(update_fields=["struck_at", "struck_because"])
        text = f"Claim {credit.claim}: credit of {shown(credit.amount, credit.currency)} struck out: {why}."
        Entry.write(by, "credit-struck-out", text, lot=lot)
        booking.bring_up_to_date(lot, by)


def _check_live(claim: Claim) -> None:
    if claim.steps.filter(kind=ClaimStep.Kind.WITHDRAWN).exists():
        raise NotNow(f"Claim {claim} was withdrawn. Make another if there is still something to claim.")


def _live(rows: QuerySet[ClaimRow]) -> QuerySet[ClaimRow]:
    """The rows of claims that are not withdrawn."""
    return rows.exclude(claim__steps__kind=ClaimStep.Kind.WITHDRAWN)
