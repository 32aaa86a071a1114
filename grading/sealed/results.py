"""What the bench found of a sealed lot's sample, and what follows from it.

The counts are those of ISO 2859-1's single sampling: an item of the sample conforms, being usable by the plan's
rule, or it does not. A piece that was written off unread (broken, or an empty pack) does not.

The sample is what was drawn at random and nothing else: its probabilities are those of the random draw, so what is
found in any other piece, good or bad, never enters the counts. (The standard asks for simple random sampling, as quoted
at sofeast.com/glossary/sample; the standard itself was not seen.) Such a piece stands on its own grade, like any other
valve, and is shown as `Outside`. What is said of the packs still shut follows it all the same: bad ones found are taken
off the limit, and more of them than the limit refute it, and the acceptance with it. Pieces that were written off as
broken without ever having a serial are such bad ones.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from django.db.models import Min, Q, Sum

from grading.models import Grade
from grading.plots import charts
from stockroom.models import Fault, Line, Pack, Packing, Return, SamplingPlan, SealedDecision, Valve
from stockroom.models.claims import FaultKind
from stockroom.pure.written import percent, plural
from stockroom.sealed import plans
from stockroom.sealed.pure import sampling
from stockroom.sealed.pure.sampling import LotDecision, Unopened
from stockroom.site.chunks import chunked
from stockroom.states import State

Action = SealedDecision.Action


class PieceVerdict(StrEnum):
    SHUT = "still shut"
    WAITING = "not judged yet"
    USABLE = "usable"
    FAILED = "failed"


class Drawn(NamedTuple):
    """A pack of the draw list and how far it has come."""

    order: int
    number: int
    where: str
    valve: Valve | None
    verdict: PieceVerdict
    grade: str
    why: str


class Outside(NamedTuple):
    """A piece of the lot that was opened without being drawn. It is not counted with the sample."""

    valve: Valve
    verdict: PieceVerdict
    grade: str
    why: str


class Rest(NamedTuple):
    """The pieces of the lot that were not drawn, once they are tested too."""

    tested: int
    failed: int
    waiting: int
    in_bulk: int


@dataclass(frozen=True)
class Results:
    drawn: Sequence[Drawn]
    tested: int
    failed: int
    decision: LotDecision
    unopened: Unopened
    rest: Rest | None  # while every piece is being tested
    still_sealed: int
    loosened: int  # unopened pieces of cartons that were opened
    outside: Sequence[Outside]  # opened past the draw, while the rest should stay sealed
    lot_now: int  # pieces that the count says were there to draw from
    broken: int  # written off out of the bulk since the draw, without a serial
    by_grade: Sequence[tuple[str, int]]

    @property
    def sentence(self) -> str:
        """What is said of the packs left sealed."""
        return self.unopened.sentence()

    @property
    def grades_in_words(self) -> str:
        return ", ".join(f"{count} {name}" for name, count in self.by_grade) or "none"

    @property
    def outside_in_words(self) -> str:
        opened = plural(len(self.outside), "piece was", "pieces were")
        found = f"{self.outside_judged} judged, {self.outside_failed} failed"
        return f"{opened} opened or given a serial without being drawn; {found}"

    @property
    def outside_failed(self) -> int:
        return sum(one.verdict == PieceVerdict.FAILED for one in self.outside)

    @property
    def outside_judged(self) -> int:
        return sum(one.verdict in (PieceVerdict.USABLE, PieceVerdict.FAILED) for one in self.outside)

    @property
    def shut(self) -> int:
        return sum(drawn.verdict == PieceVerdict.SHUT for drawn in self.drawn)

    @property
    def waiting(self) -> int:
        return sum(drawn.verdict == PieceVerdict.WAITING for drawn in self.drawn)


def verdict(
    plan: SamplingPlan, valve: Valve, grade: Grade | None, returned: Collection[int] = ()
) -> tuple[PieceVerdict, str]:
    """Whether this piece is usable by the plan's rule, and why where the grade does not say it.

    `returned` are the positions of the pieces that went back to the supplier.
    """
    if grade is None:
        if valve.position in returned:
            return PieceVerdict.WAITING, "went back to the supplier unjudged"
        return (
            (PieceVerdict.FAILED, f"written off: {valve.written_off}")
            if valve.written_off
            else (PieceVerdict.WAITING, "")
        )
    if not plan.worst_grade:
        return (PieceVerdict.USABLE if grade.saleable else PieceVerdict.FAILED), ""
    names = grade.policy.parsed.names
    if plan.worst_grade not in names:
        return PieceVerdict.WAITING, f"{grade.policy} has no grade “{plan.worst_grade}” to compare with"
    good = grade.saleable and grade.name in names[: names.index(plan.worst_grade) + 1]
    return (PieceVerdict.USABLE if good else PieceVerdict.FAILED), ""


def results(plan: SamplingPlan) -> Results:
    """How the sample stands now."""
    line = Line.objects.get(pk=plan.line_id)
    packs = {pack.number: pack for pack in plan.packs.select_related("valve", "broken_seal")}
    last = plan.decisions.last()
    test_all = last is not None and last.action == Action.TEST_ALL
    end = plan.first_position + plan.lot_size
    of_lot = Valve.objects.filter(line=plan.line_id, position__gte=plan.first_position, position__lt=end)
    drawn_numbers = list(plan.drawn.order_by("order").values_list("order", "number"))
    sample = [packs[number].valve for _, number in drawn_numbers if number in packs and packs[number].opened]
    not_drawn = of_lot.exclude(pk__in=plan.packs.filter(opened=True).values("valve"))
    shut = plan.packs.under_seal().values("valve")
    others = list((not_drawn if test_all else not_drawn.exclude(pk__in=shut)).order_by("serial"))
    grades = grades_on_arrival([*sample, *others])

    def said_of(valve: Valve) -> tuple[PieceVerdict, str]:
        return verdict(plan, valve, grades.get(valve.pk), line.returned_positions)

    rows = [_drawn(plan, order, number, packs.get(number), grades, said_of) for order, number in drawn_numbers]
    tested = sum(row.verdict in (PieceVerdict.USABLE, PieceVerdict.FAILED) for row in rows)
    failed = sum(row.verdict == PieceVerdict.FAILED for row in rows)
    broken = _broken_since(plan)
    rest = None
    if test_all:
        said = [said_of(valve)[0] for valve in others]
        known = sum(one in (PieceVerdict.USABLE, PieceVerdict.FAILED) for one in said)
        in_bulk = max(0, plan.lot_size - len(drawn_numbers) - len(others) - broken)
        rest = Rest(known + broken, said.count(PieceVerdict.FAILED) + broken, len(others) - known, in_bulk)
    found: dict[tuple[int, str], int] = {}
    for row in rows:
        if row.valve and row.valve.pk in grades:
            key = (grades[row.valve.pk].rank, row.grade)
            found[key] = found.get(key, 0) + 1
    outside = [] if test_all else [_outside(valve, grades.get(valve.pk), said_of) for valve in others]
    lot_now = _counted_now(plan, line, last) + broken
    left = sampling.unopened(plan.lot_size, tested, failed).as_found(
        len(outside), sum(one.verdict == PieceVerdict.FAILED for one in outside), lot_now, broken
    )
    decision = sampling.decide(plan.plan, tested, failed, plan.is_returnable)
    still, loosened = _seals(plan, [number for _, number in drawn_numbers], packs, line.pieces - line.valves.count())
    return Results(
        drawn=rows,
        tested=tested,
        failed=failed,
        decision=sampling.if_not_refuted(decision, left, plan.is_returnable),
        unopened=left,
        rest=rest,
        still_sealed=still,
        loosened=loosened,
        outside=outside,
        lot_now=lot_now,
        broken=broken,
        by_grade=[(name, count) for (_, name), count in sorted(found.items())],
    )


def _counted_now(plan: SamplingPlan, line: Line, last: SealedDecision | None) -> int:
    """How many packs there were to draw from, by what is counted and known of the line now."""
    gone_before = 0 if last is not None and last.action == Action.RETURN else line.sent_back
    return line.received - line.taken_out - gone_before - plan.first_position


def _broken_since(plan: SamplingPlan) -> int:
    """Pieces of the lot drawn from that were written off out of the bulk: whoever drew later never counted them."""
    gone = Fault.objects.filter(line=plan.line_id, kind=FaultKind.BROKEN, written_off_at__gte=plan.made_at)
    return gone.aggregate(pieces=Sum("pieces"))["pieces"] or 0


SaidOf = Callable[[Valve], tuple[PieceVerdict, str]]


def _drawn(
    plan: SamplingPlan, order: int, number: int, pack: Pack | None, grades: Mapping[int, Grade], said_of: SaidOf
) -> Drawn:
    where = plans.where_in_words(plan, number)
    if pack is None:
        return Drawn(order, number, where, None, PieceVerdict.SHUT, "", "")
    grade = grades.get(pack.valve_id)
    said, why = said_of(pack.valve)
    return Drawn(order, number, where, pack.valve, said, grade.name if grade else "", why)


def _outside(valve: Valve, grade: Grade | None, said_of: SaidOf) -> Outside:
    return Outside(valve, said_of(valve)[0], grade.name if grade else "", said_of(valve)[1])


def _seals(plan: SamplingPlan, drawn: Sequence[int], packs: Mapping[int, Pack], in_bulk: int) -> tuple[int, int]:
    """Pieces in the house under a whole seal, and unopened ones whose carton was opened."""
    opened = {number for number in drawn if number in packs}
    opened |= {number for number, pack in packs.items() if hasattr(pack, "broken_seal")}
    shut = {number: pack for number, pack in packs.items() if number not in opened}
    away = {number for number, pack in shut.items() if pack.valve.state in (State.DESPATCHED, State.WRITTEN_OFF)}
    size = plan.carton_size if plan.seal == Packing.Seal.CARTON else 1
    broken = {sampling.carton_and_place(number, size)[0] for number in opened}
    unopened = in_bulk + len(shut) - len(away)
    loosened = sum(
        sampling.carton_and_place(number, size)[0] in broken and number not in opened | away
        for number in range(1, plan.lot_size + 1)
    )
    return unopened - min(loosened, unopened), min(loosened, unopened)


def grades_on_arrival(valves: Sequence[Valve]) -> dict[int, Grade]:
    """The grade that speaks for each valve as the supplier sent it.

    That is the current one; of a valve that came back from a customer, the last from before it came back. One that
    came back with its seal intact is still as the supplier sent it.
    """
    grades: dict[int, Grade] = {}
    for keys in chunked([valve.pk for valve in valves]):
        came_back = dict(
            Return.objects.filter(valve__in=keys)
            .exclude(seal=Return.Seal.INTACT)
            .order_by()
            .values_list("valve")
            .annotate(first=Min("at"))
        )
        rows = Grade.objects.filter(Q(current=True) | Q(valve__in=list(came_back)), valve__in=keys)
        for grade in rows.select_related("policy").order_by("given_at", "pk"):
            first = came_back.get(grade.valve_id)
            if first is None or grade.given_at < first:
                grades[grade.valve_id] = grade
    return grades


# The curve


def oc_plot(plan: sampling.AttributesPlan) -> charts.Plot:
    """Probability of acceptance over the share of bad pieces, with the lots accepted with 95 % and 10 %."""
    curve = sampling.operating_characteristic(plan)
    bad = sampling.limiting_quality(plan)
    good = [point for point in curve if point.probability >= 0.95][-1]
    x = charts.Scale(0, max(100 * curve[-1].share, 1e-9), charts.LEFT, charts.WIDTH - charts.RIGHT)
    y = charts.Scale(0, 100, charts.HEIGHT - charts.BOTTOM, charts.TOP)
    bad_of_good = plural(good.defective, "bad piece")
    description = (
        f"Across, the share of bad pieces in the lot; upwards, how often such a lot is accepted, both in %. "
        f"Open {plan.sample_size} of {plan.lot_size} and accept up to {_failures(plan.acceptance_number)}. "
        f"A lot with {bad_of_good} ({percent(good.share)}) is accepted with "
        f"{percent(good.probability)}; one with {bad.defective} ({percent(bad.share)}) with "
        f"{percent(bad.probability)}, which is the plan's limiting quality."
    )
    return charts.Plot(
        "oc",
        "How often a lot is accepted",
        description,
        tuple(charts.Tick(x(step), f"{step:g} %") for step in charts.nice_steps(0, 100 * curve[-1].share)),
        tuple(charts.Tick(y(step), f"{step} %") for step in (0, 25, 50, 75, 100)),
        rules=(charts.PlotLine(y(95), "95 %", "zone"), charts.PlotLine(y(10), "10 %", "limit")),
        paths=(charts.Path(" ".join(f"{x(100 * p.share)},{y(100 * p.probability)}" for p in curve), "trace"),),
        marks=(
            charts.PlotMark(
                x(100 * good.share),
                y(100 * good.probability),
                "circle",
                f"{good.defective} bad: accepted with {percent(good.probability)}",
            ),
            charts.PlotMark(
                x(100 * bad.share),
                y(100 * bad.probability),
                "square",
                f"{bad.defective} bad: accepted with {percent(bad.probability)}",
            ),
        ),
    )


def _failures(count: int) -> str:
    return plural(count, "failure")
