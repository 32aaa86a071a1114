"""Sealed stock: what the packs are, how many to open and which, what was decided, and what is sold unopened.

What the bench finds is counted in grading (`grading.sealed.results`); here it comes in as numbers.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from stockroom.models import (
    Allocation,
    DrawnPack,
    Entry,
    Line,
    Pack,
    Packing,
    Return,
    SamplingPlan,
    SealedDecision,
    Supplier,
    SupplyNote,
)
from stockroom.pure.refused import Refused
from stockroom.pure.written import day, fitted, plural
from stockroom.receiving import booking
from stockroom.sealed import pack_dates
from stockroom.sealed.pure import sampling, switching
from stockroom.sealed.pure.sampling import InspectionLevel, LotDecision, Severity
from stockroom.sealed.pure.switching import LotResult, SwitchingState
from stockroom.site.changes import differences, told
from stockroom.site.people import Role, may
from stockroom.states import State

Action = SealedDecision.Action


class SealedError(Refused):
    """Cannot be done; the message says why and what to do instead."""


class NotSealed(SealedError):
    """The line is not one of sealed packs, or nobody has said how it is packed."""


class AlreadyOpened(SealedError):
    """The plan stands: packs have been opened under it, or it has been decided on."""


class NotLabelled(SealedError):
    """The packs have no numbers yet, so none of them can be drawn."""


class OwnersDraw(SealedError):
    """Who has seen which packs are drawn does not draw again."""


class AlreadyDecided(SealedError):
    """What is asked for does not go with what was decided."""


class NotForSale(SealedError):
    """So many packs cannot be sold sealed."""


class NothingToSay(SealedError):
    """The supplier's state is not one that the note speaks of."""


# The packs


def describe(line: Line, packing: Packing, by: User | None) -> Packing:
    """Store how the line is packed. Once a plan stands, the packs it was drawn from do not change.

    Raises:
        NotSealed, AlreadyOpened.
    """
    with transaction.atomic():
        lot = booking.locked(line.lot_id)
        if line.condition != Line.Condition.SEALED:
            raise NotSealed(f"Line {line.number} is {line.get_condition_display()}, so it has no sealed packs.")
        before = Packing.objects.filter(line=line).first()
        packing.line, packing.pk = line, before.pk if before else None
        same = before and (before.seal, before.carton_size) == (packing.seal, packing.carton_size)
        packing.labelled_pieces = before.labelled_pieces if before and same else None
        if not same and line.sampling_plans.exists():
            raise AlreadyOpened(
                "A plan has been drawn from these packs, so the seal and the carton size stay as they are. "
                "Marks and date may change."
            )
        packing.save()
        if before is None:
            marks = ", ".join(filter(None, [packing.contract_marks, packing.pack_date]))
            text = f"Line {line.number}: {packing}{f', marked {marks}' if marks else ''}."
            Entry.write(by, "packs-described", text, lot=lot, line=line)
        else:
            if pack_dates.as_printed(before) != pack_dates.as_printed(packing):
                packing.date_readings.filter(current=True).update(current=False)
            changed = differences(before, packing, ("seal", "carton_size", "contract_marks", "pack_date"))
            if changed:
                Entry.write(by, "packs-changed", told(f"Line {line.number}, packs: ", changed), lot=lot, line=line)
    return packing


def label_packs(line: Line, by: User | None) -> Packing:
    """The labels that number the packs are printed, for what is in bulk now: from then on it can be drawn.

    Raises:
        NotSealed: nobody has said how the line is packed.
    """
    with transaction.atomic():
        lot = booking.locked(line.lot_id)
        line = Line.objects.get(pk=line.pk)
        packing = Packing.objects.filter(line=line).first()
        if packing is None:
            raise NotSealed("First say on the line that it is sealed, and how it is packed.")
        packing.labelled_pieces = line.pieces - line.valves.count()
        packing.save(update_fields=["labelled_pieces"])
        text = f"Line {line.number}: labels printed that number its {plural(packing.labelled_pieces, 'pack')}."
        Entry.write(by, "packs-labelled", text, lot=lot, line=line)
    return packing


# The plan


@dataclass(frozen=True)
class Iso:
    """A plan from the tables of ISO 2859-1. Without a severity it is the one the supplier's state proposes."""

    level: InspectionLevel
    aql: Decimal
    severity: Severity | None = None
    override_reason: str = ""
    offered_again: bool = False


@dataclass(frozen=True)
class Exact:
    """A plan for given qualities and risks, all in per cent."""

    acceptable_percent: Decimal
    rejectable_percent: Decimal
    producers_risk_percent: Decimal
    consumers_risk_percent: Decimal


@dataclass(frozen=True)
class Terms:
    """What goes with a plan: what is usable, until when the lot may go back, and why an earlier plan is replaced."""

    worst_grade: str = ""
    returnable_until: date | None = None
    replaced_because: str = ""


def work_out(lot_size: int, wish: Iso | Exact, state: SwitchingState | None = None) -> sampling.AttributesPlan:
    """The plan that the wish gives for a lot.

    Raises:
        sampling.SamplingError: there is none, or sampling of the supplier is discontinued.
    """
    if isinstance(wish, Exact):
        shares = (wish.acceptable_percent, wish.rejectable_percent)
        risks = (wish.producers_risk_percent, wish.consumers_risk_percent)
        return sampling.exact_plan(lot_size, *(Fraction(percent) / 100 for percent in (*shares, *risks)))
    state = state or SwitchingState()
    if state.discontinued:
        raise switching.InspectionDiscontinued(
            f"Sampling of this supplier's lots at AQL {wish.aql.normalize():f} is discontinued: {state.reason}. "
            "Send the lot back or test every piece, until the owner records that the supplier has put things right."
        )
    severity = wish.severity or state.severity
    if severity != state.severity and not wish.override_reason:
        raise sampling.SamplingError(
            f"The switching rules propose {state.severity} inspection ({state.reason}). "
            "Say why another severity is taken."
        )
    return sampling.single_plan(lot_size, wish.level, wish.aql, severity)


class Opening(NamedTuple):
    """What a plan costs in seals. `still_sealed` is what can be expected before the draw, and certain after it."""

    opened: int
    cartons_opened: float
    cartons: int
    still_sealed: float
    certain: bool
    seal: str

    @property
    def in_words(self) -> str:
        """How many pieces are opened, out of how many cartons, and how many stay under a whole seal."""
        by_carton = self.seal == Packing.Seal.CARTON
        words = f"{plural(self.opened, 'piece')} to open"
        if self.cartons > 1:
            about = "" if self.certain else "about "
            cartons = "sealed cartons" if by_carton else "cartons"
            words += f", out of {about}{self.cartons_opened:.0f} of {self.cartons} {cartons}"
        about = "about " if by_carton and not self.certain else ""
        return f"{words}; {about}{self.still_sealed:.0f} pieces stay under a whole seal"


def opening(plan: sampling.AttributesPlan, seal: str, carton_size: int, drawn: Sequence[int] = ()) -> Opening:
    """What the plan opens: with the numbers drawn exactly, before the draw on average.

    A carton stays shut with the probability that none of its pieces is drawn, which is hypergeometric.
    """
    sizes = [len(_carton(carton, carton_size, plan.lot_size)) for carton in range(1, _cartons(plan, carton_size) + 1)]
    if drawn:
        broken = {sampling.carton_and_place(number, carton_size)[0] for number in drawn}
        shut = [Fraction(carton not in broken) for carton in range(1, len(sizes) + 1)]
    else:
        by_size = {size: sampling.hypergeometric_cdf(0, plan.lot_size, size, plan.sample_size) for size in set(sizes)}
        shut = [by_size[size] for size in sizes]
    still = (
        sum((size * chance for size, chance in zip(sizes, shut, strict=True)), Fraction(0))
        if seal == Packing.Seal.CARTON
        else Fraction(plan.lot_size - plan.sample_size)
    )
    return Opening(plan.sample_size, float(len(sizes) - sum(shut)), len(sizes), float(still), bool(drawn), seal)


def _cartons(plan: sampling.AttributesPlan, carton_size: int) -> int:
    return -(-plan.lot_size // carton_size)


def _carton(carton: int, carton_size: int, lot_size: int) -> range:
    """The numbers of the packs in a carton; the last one may hold fewer."""
    return range((carton - 1) * carton_size + 1, min(carton * carton_size, lot_size) + 1)


def make_plan(line: Line, wish: Iso | Exact, terms: Terms, by: User | None, seed: str | None = None) -> SamplingPlan:
    """Record the plan for what the line still has in bulk, and draw the packs from a fresh seed.

    Raises:
        NotSealed, NotLabelled, AlreadyOpened, OwnersDraw, SealedError, sampling.SamplingError.
    """
    with transaction.atomic():
        lot = booking.locked(line.lot_id)
        line = Line.objects.select_related("type").get(pk=line.pk)
        packing = Packing.objects.filter(line=line).first()
        if line.condition != Line.Condition.SEALED or packing is None:
            raise NotSealed("First say on the line that it is sealed, and how it is packed.")
        earlier = current_plan(line)
        if earlier is not None:
            if earlier.packs.exists() or earlier.decisions.exists():
                raise AlreadyOpened("Packs have been opened under the plan there is, so it stands.")
            if by is None or not may(by, Role.OWNER):
                raise OwnersDraw(
                    "The packs are drawn and the list can be seen: only the owner may have them drawn anew."
                )
            if not terms.replaced_because:
                raise SealedError("There is a plan for this line already. Say why it is replaced.")
        serialised = line.valves.count()
        lot_size = line.pieces - serialised
        if packing.labelled_pieces != lot_size:
            raise NotLabelled(
                f"Print the labels that number the {lot_size} packs, and stick them on, before any is drawn: "
                "who numbers packs with the list in hand can choose."
            )
        state = state_of(lot.supplier, wish.aql) if isinstance(wish, Iso) else None
        plan = work_out(lot_size, wish, state)
        row = SamplingPlan(
            line=line,
            replaces=earlier,
            replaced_because=terms.replaced_because if earlier else "",
            lot_size=plan.lot_size,
            first_position=serialised,
            sample_size=plan.sample_size,
            acceptance_number=plan.acceptance_number,
            basis=plan.basis,
            seal=packing.seal,
            carton_size=packing.carton_size,
            worst_grade=terms.worst_grade,
            returnable_until=terms.returnable_until,
            seed=seed or secrets.token_hex(8),
            made_by=by,
            **_as_asked(wish, state),
        )
        row.save()
        DrawnPack.objects.bulk_create(
            [
                DrawnPack(plan=row, order=order, number=number)
                for order, number in enumerate(sampling.draw(plan.lot_size, plan.sample_size, row.seed), 1)
            ],
            batch_size=500,
        )
        why = f" It replaces an earlier plan: {terms.replaced_because}." if earlier else ""
        if row.override_reason:
            why += f" Not on {row.severity_proposed} inspection, as proposed: {row.override_reason}."
        text = f"Line {line.number}: plan to {row} ({row.basis}); drawn from the seed {row.seed}.{why}"
        Entry.write(by, "sampling-planned", text, lot=lot, line=line)
    return row


def _as_asked(wish: Iso | Exact, state: SwitchingState | None) -> dict[str, object]:
    if isinstance(wish, Exact):
        return {
            "method": SamplingPlan.Method.EXACT,
            "acceptable_percent": wish.acceptable_percent,
            "rejectable_percent": wish.rejectable_percent,
            "producers_risk_percent": wish.producers_risk_percent,
            "consumers_risk_percent": wish.consumers_risk_percent,
        }
    assert state is not None
    severity = wish.severity or state.severity
    return {
        "method": SamplingPlan.Method.ISO,
        "level": wish.level.value,
        "aql": wish.aql,
        "severity": severity.value,
        "severity_proposed": state.severity.value,
        "severity_because": state.reason,
        "override_reason": wish.override_reason if severity != state.severity else "",
        "offered_again": wish.offered_again,
    }


def earlier_draws(plan: SamplingPlan) -> str:
    """How often the packs of the lot were drawn before, and why not left at that; nothing where they were not."""
    said, now = [], plan
    while now.replaces is not None:
        said.append(f"on {day(timezone.localdate(now.made_at))}, “{now.replaced_because}”")
        now = now.replaces
    if not said:
        return ""
    times = plural(len(said), "earlier draw was", "earlier draws were")
    return f"{times} replaced before any pack was opened: {'; '.join(reversed(said))}."


def current_plan(line: Line) -> SamplingPlan | None:
    return line.sampling_plans.current().first()


# The packs that are opened


def open_packs(plan: SamplingPlan, count: int, by: User | None) -> list[Pack]:
    """Give serials to the next `count` drawn packs that are still shut, by carton and place.

    The order of opening changes nothing: the whole sample is opened, or the lot is refused before, which no
    order can undo.

    Raises:
        AlreadyDecided: the lot was sent back, or another plan stands in place of this one.
        SealedError: fewer drawn packs are shut.
        receiving.NotInBulk: the line has not so many pieces left.
    """
    with transaction.atomic():
        lot = booking.locked(plan.line.lot_id)
        _check_stands(plan)
        shut = plan.drawn.exclude(number__in=plan.packs.values("number")).order_by("number")
        numbers = list(shut.values_list("number", flat=True))
        if not 1 <= count <= len(numbers):
            raise SealedError(f"{len(numbers)} of the drawn packs are still shut; give a number from 1 to that.")
        packs = _with_serials(plan, numbers[:count], opened=True, by=by)
        many = plural(count, "drawn pack")
        text = f"Line {plan.line.number}: {many} opened for the sample; {len(numbers) - count} are still shut."
        Entry.write(by, "packs-opened", text, lot=lot, line=plan.line)
        Entry.objects.bulk_create(
            [
                Entry(
                    by=by,
                    action="pack-opened",
                    valve=pack.valve,
                    text=f"Opened for the sample of line {plan.line}: {where_in_words(plan, pack.number)}.",
                )
                for pack in packs
            ]
        )
    return packs


def _with_serials(plan: SamplingPlan, numbers: Sequence[int], opened: bool, by: User | None) -> list[Pack]:
    valves = booking.allot_serials(plan.line, len(numbers), by)
    return Pack.objects.bulk_create(
        [
            Pack(plan=plan, number=number, valve=valve, opened=opened, by=by)
            for number, valve in zip(numbers, valves, strict=True)
        ],
        batch_size=500,
    )


def where_in_words(plan: SamplingPlan, number: int) -> str:
    """ "carton 3, place 4"; "pack 17" where packs stand in no cartons."""
    if plan.carton_size == 1:
        return f"pack {number}"
    carton, place = sampling.carton_and_place(number, plan.carton_size)
    return f"carton {carton}, place {place}"


def _check_stands(plan: SamplingPlan) -> None:
    if SamplingPlan.objects.filter(replaces=plan).exists():
        raise AlreadyDecided("This plan was replaced by another. Work by that one.")
    last = plan.decisions.last()
    if last is not None and last.action == Action.RETURN:
        raise AlreadyDecided("The rest of this lot was sent back.")


# The decision


class Decided(NamedTuple):
    """What is decided, what the plan proposes, and the sample's result as the bench has it."""

    action: SealedDecision.Action
    proposal: LotDecision
    tested: int
    failed: int
    statement: str
    note: str = ""


PROPOSED_ACTION = {
    sampling.LotOutcome.ACCEPT: Action.ACCEPT,
    sampling.LotOutcome.ALL_TESTED: Action.ACCEPT,
    sampling.LotOutcome.TEST_ALL: Action.TEST_ALL,
    sampling.LotOutcome.RETURN: Action.RETURN,
}


def record_decision(plan: SamplingPlan, decided: Decided, by: User | None) -> SealedDecision:
    """Write down what the shop does with the lot. The caller holds the lot and has counted the results.

    Raises:
        AlreadyDecided: it does not go with what was decided before, with the result, or with an order.
        SealedError: it is not what the plan proposes, and no reason is given.
    """
    with transaction.atomic():
        lot = booking.locked(plan.line.lot_id)
        _check_stands(plan)
        before = plan.decisions.last()
        action = decided.action
        whole, failed_few = decided.tested >= plan.sample_size, decided.failed <= plan.acceptance_number
        if action == Action.ACCEPT and not (whole and failed_few):
            raise AlreadyDecided(f"The sample does not accept this lot: {decided.proposal.reason}")
        if before is not None and action in (Action.ACCEPT, before.action):
            raise AlreadyDecided(
                f"It was decided already on {day(timezone.localtime(before.at))}: {before.get_action_display()}."
            )
        if action != PROPOSED_ACTION.get(decided.proposal.outcome) and not decided.note:
            raise SealedError("This is not what the plan proposes. Say why.")
        if action != Action.ACCEPT and (orders := promised_to(plan)):
            raise AlreadyDecided(
                f"Packs of this lot are set aside as sealed for {', '.join(orders)}: put them back there first."
            )
        row = SealedDecision.objects.create(
            plan=plan,
            action=action,
            proposed=decided.proposal.outcome.value,
            because=fitted(decided.proposal.reason, 300),
            tested=decided.tested,
            failed=decided.failed,
            statement=decided.statement,
            note=decided.note,
            by=by,
        )
        note = f" {decided.note}" if decided.note else ""
        text = f"Line {plan.line.number}, sealed: {row.get_action_display()}. {decided.proposal.reason}{note}"
        Entry.write(by, "sealed-decided", text, lot=lot, line=plan.line)
        in_bulk = Line.objects.get(pk=plan.line_id).pieces - plan.line.valves.count()
        if action == Action.RETURN and in_bulk:
            booking.send_back(plan.line, in_bulk, decided.note or decided.proposal.reason, by)
    return row


def promised_to(plan: SamplingPlan) -> list[str]:
    """The orders still in the house that hold unopened packs of the lot."""
    here = Allocation.objects.here().filter(valve__pack__in=plan.packs.under_seal())
    return sorted(set(here.values_list("order_line__order__number", flat=True)))


# What is sold unopened


def units_for_sale(plan: SamplingPlan) -> list[list[int]]:
    """The numbers of the packs that go together, for each unit that may be sold with its seal whole; those that have
    their serials first.

    A sealed carton is sold whole; one of which a piece was drawn has lost its seal. A piece is out whose valve
    has left, is listed or promised, or has been opened or read since. There are no more than the bulk gives: a piece
    that was taken up outside the draw came out of one of them.
    """
    drawn = set(plan.drawn.values_list("number", flat=True))
    with_serials = set(plan.packs.values_list("number", flat=True))
    gone = set(
        plan.packs.filter(
            Q(opened=True)
            | Q(broken_seal__isnull=False)
            | Q(valve__listings__live=True)
            | Q(valve__allocations__live=True)
            | ~Q(valve__state=State.RECEIVED)
            | Q(valve__in=Return.objects.undecided().values("valve"))
        ).values_list("number", flat=True)
    )
    size = plan.carton_size if plan.seal == Packing.Seal.CARTON else 1
    units = (list(_carton(unit, size, plan.lot_size)) for unit in range(1, _cartons(plan.plan, size) + 1))
    out = drawn | gone
    whole = [unit for unit in units if out.isdisjoint(unit)]
    whole.sort(key=lambda unit: (unit[0] not in with_serials, unit))
    line = Line.objects.get(pk=plan.line_id)
    in_bulk = line.pieces - line.valves.count() - len(drawn - with_serials)
    there = []
    for unit in whole:
        in_bulk -= len(set(unit) - with_serials)
        if in_bulk >= 0 or with_serials.issuperset(unit):
            there.append(unit)
    return there


def that_make(units: Sequence[Sequence[int]], pieces: int) -> list[int]:
    """The packs of the first whole units that come to so many pieces exactly; none where no such do.

    >>> that_make([[1, 2], [3, 4], [5]], 3)
    [1, 2, 5]
    """
    chosen: list[int] = []
    for unit in units:
        if len(chosen) + len(unit) <= pieces:
            chosen += unit
    return chosen if len(chosen) == pieces else []


def take_for_sale(plan: SamplingPlan, count: int, by: User | None) -> list[Pack]:
    """Serials for `count` packs or sealed cartons of an accepted lot; those that have theirs already come first.

    Raises:
        AlreadyDecided: the lot is not accepted.
        NotForSale: so many are not there.
    """
    with transaction.atomic():
        units = _accepted_units(plan)
        what = f"sealed cartons of {plan.carton_size}" if plan.seal == Packing.Seal.CARTON else "sealed packs"
        if not 1 <= count <= len(units):
            raise NotForSale(f"There are {len(units)} {what} to sell; give a number from 1 to that.")
        return _taken(plan, [number for unit in units[:count] for number in unit], by)


def take_pieces(plan: SamplingPlan, pieces: int, by: User | None) -> list[Pack]:
    """The same for packs or whole cartons that come to so many pieces.

    Raises:
        AlreadyDecided: the lot is not accepted.
        NotForSale: no whole units come to that.
    """
    with transaction.atomic():
        numbers = that_make(_accepted_units(plan), pieces)
        if not numbers:
            raise NotForSale(f"No whole packs of {plan.line} come to {pieces} pieces any more. Look again.")
        return _taken(plan, numbers, by)


def _accepted_units(plan: SamplingPlan) -> list[list[int]]:
    """What may be sold, while nobody else changes the lot."""
    booking.locked(plan.line.lot_id)
    last = plan.decisions.last()
    if last is None or last.action != Action.ACCEPT:
        raise AlreadyDecided("Only a lot that was accepted on its sample is sold sealed.")
    return units_for_sale(plan)


def _taken(plan: SamplingPlan, numbers: Sequence[int], by: User | None) -> list[Pack]:
    with_serials = {pack.number: pack for pack in plan.packs.select_related("valve")}
    fresh = [number for number in numbers if number not in with_serials]
    try:
        new = _with_serials(plan, fresh, opened=False, by=by) if fresh else []
    except booking.NotInBulk as problem:
        raise NotForSale(f"{problem} Were pieces taken up outside the draw?") from problem
    with_serials |= {pack.number: pack for pack in new}
    return [with_serials[number] for number in numbers]


# The supplier's state


class Step(NamedTuple):
    """One result or note in a series, and the state after it. `counted` is false for what the rules pass over."""

    at: datetime
    what: str
    state: SwitchingState
    counted: bool
    plan: SamplingPlan | None


@dataclass
class LotSeries:
    """A supplier at one AQL."""

    aql: Decimal
    state: SwitchingState = field(default_factory=SwitchingState)
    steps: list[Step] = field(default_factory=list)
    steady: bool = False
    reduced_wanted: bool = False

    @property
    def aql_as_tabulated(self) -> str:
        """As the tables print it: 4.0, not 4 or 4.000."""
        return next((f"{value}" for value in sampling.AQLS_FOR_ITEMS if value == self.aql), f"{self.aql.normalize():f}")


def series_of(supplier: Supplier, aqls: Iterable[Decimal] = ()) -> list[LotSeries]:
    """Every AQL at which lots of the supplier have been decided on, and `aqls`; two queries.

    A lot counts once, when its sample first had its verdict, and only on original inspection and at the severity
    then in force: a lot inspected otherwise is outside the scheme.
    """
    results = list(_results(supplier))
    notes = list(supplier.supply_notes.select_related("by"))
    wanted = {*aqls, *(row.plan.aql for row in results if row.plan.aql), *(note.aql for note in notes if note.aql)}
    events: list[SealedDecision | SupplyNote] = [*results, *notes]
    events.sort(key=lambda event: (event.at, isinstance(event, SealedDecision), event.pk))
    return [_run(LotSeries(aql), events) for aql in sorted(wanted)]


def state_of(supplier: Supplier, aql: Decimal) -> SwitchingState:
    return next(series.state for series in series_of(supplier, [aql]) if series.aql == aql)


def _results(supplier: Supplier) -> Iterator[SealedDecision]:
    """The first decision of each ISO plan at which its sample had its verdict."""
    seen: set[int] = set()
    rows = SealedDecision.objects.filter(plan__line__lot__supplier=supplier, plan__method=SamplingPlan.Method.ISO)
    for row in rows.select_related("plan__line__lot").order_by("at", "pk"):
        if row.is_final and row.plan_id not in seen:
            seen.add(row.plan_id)
            yield row


def _run(series: LotSeries, events: Sequence[SealedDecision | SupplyNote]) -> LotSeries:
    for event in events:
        if isinstance(event, SupplyNote):
            _take_note(series, event)
        elif event.plan.aql == series.aql:
            _take_result(series, event)
    return series


def _take_note(series: LotSeries, note: SupplyNote) -> None:
    now = series.state
    if note.kind == SupplyNote.Kind.TERMS:
        series.steady, series.reduced_wanted = note.steady, note.reduced_wanted
        supply, wanted = "" if note.steady else "not ", "" if note.reduced_wanted else "not "
        what = f"supply {supply}steady, reduced inspection {wanted}wanted"
        if now.severity == Severity.REDUCED and not (note.steady and note.reduced_wanted):
            now = switching.return_to_normal(now, what)
    elif note.aql != series.aql:
        return
    elif note.kind == SupplyNote.Kind.RESUMED:
        what, now = "the supplier has put things right", switching.resume(now) if now.discontinued else now
    else:
        what = "reduced inspection ended by the shop"
        now = switching.return_to_normal(now, note.reason) if now.severity == Severity.REDUCED else now
    series.steps.append(Step(note.at, f"{what}: {note.reason}", now, True, None))
    series.state = now


def _take_result(series: LotSeries, row: SealedDecision) -> None:
    plan, now = row.plan, series.state
    verdict = "accepted" if row.sample_accepted else "not accepted"
    result = f"{row.failed} of {row.tested} failed, Ac {plan.acceptance_number}"
    what = f"{plan.line}: {result}: {verdict} on {plan.severity} inspection"
    passed_over = ""
    if plan.offered_again:
        passed_over = "offered again after a refusal"
    elif now.discontinued:
        passed_over = "sampling was discontinued"
    elif plan.severity != now.severity:
        passed_over = f"the rules asked for {now.severity} inspection"
    if passed_over:
        series.steps.append(Step(row.at, f"{what}; does not count, {passed_over}", now, False, plan))
        return
    assert plan.aql is not None
    letter = sampling.code_letter(plan.lot_size, InspectionLevel(plan.level))
    shown = LotResult(
        row.sample_accepted,
        plan.acceptance_number,
        switching.accepted_one_step_tighter(letter, plan.aql, plan.sample_size, row.failed),
    )
    series.state = switching.after(now, shown, steady=series.steady, reduced_wanted=series.reduced_wanted)
    series.steps.append(Step(row.at, what, series.state, True, plan))


def say_of(supplier: Supplier, note: SupplyNote, by: User | None) -> SupplyNote:
    """Record what the shop says of the supplier, and what that leads to.

    Raises:
        NothingToSay: there is no such series, or its state does not ask for it.
    """
    with transaction.atomic():
        supplier = Supplier.objects.select_for_update(no_key=True).get(pk=supplier.pk)
        note.supplier, note.by = supplier, by
        if note.kind != SupplyNote.Kind.TERMS:
            assert note.aql is not None
            now = state_of(supplier, note.aql)
            if note.kind == SupplyNote.Kind.RESUMED and not now.discontinued:
                raise NothingToSay("Sampling of this supplier's lots is not discontinued at this AQL.")
            if note.kind == SupplyNote.Kind.TO_NORMAL and now.severity != Severity.REDUCED:
                raise NothingToSay(f"At this AQL the supplier is on {now.severity} inspection, not on reduced.")
        note.save()
        text = f"Supplier {supplier}: {note.get_kind_display()}: {note.reason}"
        Entry.write(by, "supply-noted", text)
    return note
