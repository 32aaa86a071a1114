"""Orders for sealed packs: which packs can fill a line, setting them aside, and what is said of them.

A pack on an order is a valve set aside like any other: the database refuses it a second order, and its price and
its share of the cost go the same way. What is different is that nobody has tested it, and that every page says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple
from urllib.parse import urlencode

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Count

from grading.orders import fulfilment
from grading.orders.fulfilment import CannotPull
from grading.sealed import acceptance
from grading.sealed import results as sealed_results
from stockroom.models import Allocation, Listing, Order, OrderLine, Pack, Packing, SamplingPlan, Valve
from stockroom.models.orders import SEALED_WORDS
from stockroom.pure.written import plural
from stockroom.receiving import booking
from stockroom.sealed import plans, seals
from stockroom.sealed.pure.sampling import LotOutcome


class SealedOption(NamedTuple):
    """One way to fill one item of a line."""

    plan: SamplingPlan
    results: sealed_results.Results
    listing: Listing | None  # what is listed already; None for packs that are not
    numbers: Sequence[int]
    serials: Sequence[str]  # those of the packs that have them

    @property
    def key(self) -> str:
        return f"listing {self.listing.number}" if self.listing else f"plan {self.plan.pk}"

    @property
    def where(self) -> list[str]:
        return [plans.where_in_words(self.plan, number) for number in self.numbers]

    @property
    def where_in_short(self) -> str:
        """The first few and the last."""
        first, rest = self.where[:3], self.where[3:]
        return "; ".join([*first, f"… {rest[-1]}"] if rest else first)


def options(line: OrderLine, limit: int = 8) -> list[SealedOption]:
    found: list[SealedOption] = []
    for plan in acceptance.accepted_plans(line.type):
        listed = _listings(plan, line.set_size)
        numbers = plans.that_make(plans.units_for_sale(plan), line.set_size)
        if not listed and not numbers:
            continue
        results = sealed_results.results(plan)
        if results.decision.outcome != LotOutcome.ACCEPT:
            continue
        for one in listed:
            packs = list(plan.packs.filter(valve__listings__listing=one).select_related("valve").order_by("number"))
            found.append(
                SealedOption(plan, results, one, [pack.number for pack in packs], [pack.valve.serial for pack in packs])
            )
        if numbers:
            known = plan.packs.filter(number__in=numbers).order_by("number")
            found.append(
                SealedOption(plan, results, None, numbers, list(known.values_list("valve__serial", flat=True)))
            )
        if len(found) >= limit:
            break
    return sorted(found, key=lambda option: option.listing is None)[:limit]


def _listings(plan: SamplingPlan, pieces: int) -> list[Listing]:
    """Of so many packs of the lot, none of them set aside."""
    counted = acceptance.listings_of(plan).annotate(pieces=Count("listed", distinct=True)).filter(pieces=pieces)
    return list(counted.exclude(listed__valve__allocations__live=True).order_by("listed_at", "pk"))


@transaction.atomic
def set_aside(line: OrderLine, key: str, by: User) -> list[Valve]:
    """Raises CannotPull: the line is filled, or what was chosen is not for sale any more."""
    order = fulfilment.changeable(line)
    if not line.sealed:
        raise CannotPull("The line asks for tested valves, not for sealed packs.")
    kind, _, which = key.partition(" ")
    if kind == "listing":
        valves = _of_listing(line, which)
    else:
        plan = (
            SamplingPlan.objects.select_related("line__lot").filter(pk=int(which) if which.isdecimal() else 0).first()
        )
        if plan is None or plan.line.type_id != line.type_id:
            raise CannotPull("Choose one of the sealed lots shown.")
        valves = _of_bulk(plan, line.set_size, by)
    fulfilment.allocate(order, line, valves, by)
    return valves


def _of_listing(line: OrderLine, number: str) -> list[Valve]:
    found = Listing.objects.for_public_display().filter(number=number).first()
    pack = Pack.objects.filter(valve__listings__listing=found).select_related("plan__line__lot").first()
    if found is None or pack is None:
        raise CannotPull(f"{number} is not for sale any more. Look again.")
    booking.locked(pack.plan.line.lot_id)
    _check_accepted(pack.plan)
    valves = list(Valve.objects.filter(listings__listing=found).select_related("line__lot").order_by("serial"))
    if len(valves) != line.set_size or any(valve.type_id != line.type_id for valve in valves):
        raise CannotPull(f"{number} is not what the line asks for: {line.asked}.")
    if any(not seals.lies_sealed(valve) for valve in valves):
        raise CannotPull(f"A pack of {number} has been opened: it is not sold as sealed any more. End the listing.")
    return valves


def _of_bulk(plan: SamplingPlan, pieces: int, by: User) -> list[Valve]:
    _check_accepted(plan)
    try:
        packs = plans.take_pieces(plan, pieces, by)
    except (plans.SealedError, booking.ReceivingError) as problem:
        raise CannotPull(str(problem)) from problem
    keys = [pack.valve_id for pack in packs]
    return list(Valve.objects.filter(pk__in=keys).select_related("line__lot").order_by("serial"))


def _check_accepted(plan: SamplingPlan) -> None:
    if why := acceptance.why_not_accepted(plan):
        raise CannotPull(f"Packs of {plan.line} are not sold as sealed: {why}")


def pack_in_words(allocation: Allocation) -> str:
    """Which pack is set aside: "sealed: carton 3, place 4 of L0001/2"; nothing for what is not sold sealed."""
    pack = getattr(allocation.valve, "pack", None)
    if not allocation.order_line.sealed or pack is None:
        return ""
    return f"sealed: {plans.where_in_words(pack.plan, pack.number)} of {pack.plan.line}"


class SealedStatement(NamedTuple):
    """What is said of an order's packs of one lot."""

    plan: SamplingPlan
    serials: Sequence[str]
    result: str
    why_not: str  # why they may not leave as sealed; nothing while they may

    @property
    def labels_query(self) -> str:
        """These packs, as the page of labels is asked for them."""
        return urlencode({"serial": self.serials}, doseq=True)

    @property
    def sentence(self) -> str:
        count = len(self.serials)
        packs = plural(count, "sealed pack")
        if self.plan.seal == Packing.Seal.CARTON:
            packs = f"{count} pieces in sealed cartons"
        return f"{packs} of {self.plan.line}, {SEALED_WORDS}: {self.plan.basis}, {self.plan}; {self.result}"


def statements(order: Order) -> list[SealedStatement]:
    allocated = Allocation.objects.filter(order_line__order=order, order_line__sealed=True, live=True)
    packs = (
        Pack.objects.filter(valve__in=allocated.values("valve"), opened=False)
        .select_related("plan__line__lot", "plan__line__type", "valve")
        .order_by("valve__serial")
    )
    by_plan: dict[int, list[Pack]] = {}
    for pack in packs:
        by_plan.setdefault(pack.plan_id, []).append(pack)
    return [_statement(same[0].plan, [pack.valve.serial for pack in same]) for same in by_plan.values()]


def _statement(plan: SamplingPlan, serials: Sequence[str]) -> SealedStatement:
    found = sealed_results.results(plan)
    result = f"{found.failed} of {found.tested} opened packs failed."
    return SealedStatement(plan, serials, result, acceptance.why_not_accepted(plan, found))


class SealedPacks:
    """The way in which a line of sealed packs is filled (`grading.orders.ways`)."""

    done = "Set aside, sealed. Label the packs before they are pulled, without opening them."
    options_template = "sealed/_order_options.html"
    none_template = "sealed/_order_none.html"
    statements_template = "sealed/_order_statements.html"

    def serves(self, line: OrderLine) -> bool:
        return line.sealed

    def options(self, line: OrderLine) -> Sequence[SealedOption]:
        return options(line)

    def key(self, option: SealedOption) -> str:
        return option.key

    def set_aside(self, line: OrderLine, chosen: str, by: User) -> list[Valve]:
        return set_aside(line, chosen, by)

    def statements(self, order: Order) -> Sequence[SealedStatement]:
        return statements(order)

    def where(self, allocation: Allocation) -> str:
        return pack_in_words(allocation)
