"""What the papers of sealed stock say, gathered from the records."""

from __future__ import annotations

from datetime import date

from django.utils import timezone

from grading.drawing.letter import letterhead
from grading.sealed import results
from grading.sealed.pure.carton_labels import PLACES
from grading.sealed.pure.sealed_pdf import DrawListData, DrawRow, StatementData
from stockroom.models import Allocation, Packing, SamplingPlan, SealedDecision, Shop, Valve
from stockroom.pure.refused import Refused
from stockroom.pure.written import day
from stockroom.sealed import pack_dates, plans
from stockroom.sealed.pure import sampling

CURVE_POINTS = 7


class NoStatement(Refused):
    """Nothing can be said of the unopened packs. The message says why."""


Facts = tuple[tuple[tuple[str, str], ...], ...]


def _facts(plan: SamplingPlan) -> Facts:
    line = plan.line
    packing: Packing = line.packing
    return (
        (
            ("Type", line.called_and_type),
            ("Marked maker", f"{line.maker or ''}"),
            ("Condition claimed", line.get_condition_display()),
            ("Line", f"{line}"),
        ),
        (
            ("Packs", f"{packing}"),
            ("Contract marks", packing.contract_marks),
            ("Pack date", pack_dates.in_words(packing)),
            ("Lot", f"{plan.lot_size} pieces"),
        ),
    )


def draw_list_data(plan: SamplingPlan, on: date) -> DrawListData:
    found = results.results(plan)
    rows = tuple(
        DrawRow(row.where, row.number, row.order, row.valve.serial if row.valve else "", row.verdict.value)
        for row in found.drawn
    )
    repeat = (
        f"{plan.basis}. Open {plan.sample_size} of {plan.lot_size}, accept with up to {plan.allowed}, "
        f"refuse at {plan.rejection_number}. Planned on {day(timezone.localdate(plan.made_at))}. The packs "
        f"are numbered from 1, carton by carton; each is ranked by the SHA-256 digest of “{plan.seed}:number”, and the "
        f"first {plan.sample_size} are drawn. Anyone can repeat the draw. {PLACES} {plans.earlier_draws(plan)}"
    ).rstrip()
    title = f"Packs to open of {plan.line.called_and_type}"
    return DrawListData(
        head=letterhead(Shop.own(), f"{plan.line}", "Draw list", title, "Sealed packs drawn for a sample", on),
        facts=_facts(plan),
        repeat=repeat,
        rows=rows,
        cautions=tuple(plan.line.type.caution_sentences),
    )


def statement_data(plan: SamplingPlan, on: date, listing: str = "", order: str = "") -> StatementData:
    """For all the unopened packs, or for those of a listing or an order.

    Raises:
        NoStatement: the lot is not accepted, its results no longer accept it, or there is no such pack of it.
    """
    last = plan.decisions.last()
    if last is None or last.action != SealedDecision.Action.ACCEPT:
        raise NoStatement("the lot is not accepted on its sample.")
    found = results.results(plan)
    if found.decision.outcome != sampling.LotOutcome.ACCEPT:
        raise NoStatement(f"the results no longer accept the lot: {found.decision.reason}")
    serials: tuple[str, ...] = ()
    if listing:
        sold = Valve.objects.filter(pack__plan=plan, pack__opened=False, listings__listing__number=listing)
        serials = tuple(sold.order_by("serial").values_list("serial", flat=True))
        if not serials:
            raise NoStatement(f"listing {listing} has no pack of this lot.")
    if order:
        allocated = Allocation.objects.filter(order_line__order__number=order, order_line__sealed=True, live=True)
        sold = Valve.objects.filter(pack__plan=plan, pack__opened=False, pk__in=allocated.values("valve"))
        serials = tuple(sold.order_by("serial").values_list("serial", flat=True))
        if not serials:
            raise NoStatement(f"order {order} has no pack of this lot.")
    curve = sampling.operating_characteristic(plan.plan, CURVE_POINTS)
    bad = sampling.limiting_quality(plan.plan)
    plan_words = (
        f"{plan.basis[0].upper()}{plan.basis[1:]}. Of {plan.lot_size} pieces {plan.sample_size} were drawn at random "
        f"from the seed “{plan.seed}” and opened; the lot is accepted with up to {plan.allowed}. "
        f"Its limiting quality is {100 * bad.share:.1f} %: a lot with {bad.defective} bad pieces is accepted with "
        f"{100 * bad.probability:.1f} %. {plans.earlier_draws(plan)}"
    ).rstrip()
    return StatementData(
        head=letterhead(
            Shop.own(),
            listing or order or f"{plan.line}",
            "Sealed and sample-tested, not tested",
            f"{plan.line.called_and_type} in sealed packs",
            "Sampling plan and result of a sealed lot",
            on,
        ),
        facts=_facts(plan),
        sentence=found.sentence,
        plan=plan_words.replace(" %", "\N{NO-BREAK SPACE}%"),
        result=f"{found.failed} of {found.tested} opened packs failed; accepted on {day(timezone.localdate(last.at))}.",
        rule=f"A piece is usable when it is {plan.usable_rule}.",
        by_grade=tuple(found.by_grade),
        curve=tuple((point.defective, point.share, point.probability) for point in curve),
        serials=serials,
        cautions=tuple(plan.line.type.caution_sentences),
    )
