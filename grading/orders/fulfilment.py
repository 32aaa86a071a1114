"""Orders: find what was asked for, set it aside, take it off the shelf, send it, and take it back.

An order is open until every item it asks for is set aside, then reserved, pulled, despatched. It may leave in parcels:
then what is left of it goes on so. Sealed packs are chosen in `grading.sealed.orders`; from there they go the same way
as other valves, but leave only with their seal whole and while their lot stands accepted.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from grading.listings import publishing
from grading.models import Grade, MatchedSet, Member
from grading.orders import holds, wishes
from grading.orders.allocations import SET_ASIDE_OR_SENT, items_taken, let_go, missing, refresh_state
from grading.orders.pure.wishes import WishAnswer, overall
from grading.orders.signals import items_left_out, sealed_packs_leaving
from grading.sets import doubts, making
from grading.sets.plans import WIDEST_PERCENT, LeastLoss, least_loss
from grading.verdicts import judging, states
from grading.verdicts.grade_choice import good_or_better
from stockroom.models import Allocation, Counter, Despatch, Entry, Listing, Order, OrderLine, Pack, Return, Valve
from stockroom.models.orders import SEALED_WORDS, set_name
from stockroom.pure.refused import Refused
from stockroom.pure.written import fitted, plural
from stockroom.sealed import seals
from stockroom.signals import order_despatched, order_money_changed, valves_returned
from stockroom.site.locks import hold_valves
from stockroom.states import State

SALEABLE = (State.GRADED, State.MATCHED, State.LISTED)
GONE = (State.WRITTEN_OFF, State.DESPATCHED)
LOOKED_AT = 60  # sets: a page shows eight of them
SINGLES_LOOKED_AT = 200
PUT_BACK = "Return it to stock on the order’s page and set another aside, or send the order without it."


class CannotPull(Refused):
    """The order cannot move on as asked. The message says why."""


class SealNotSaid(CannotPull):
    """It is not said how the seal of a sealed pack came back, or what is said cannot be."""


class OrderOption(NamedTuple):
    """One way to fill one item of a line."""

    valves: tuple[Valve, ...]
    grades: tuple[Grade, ...]
    spread: float | None  # the worst quantity's; None for a single
    set: MatchedSet | None  # a set that stands already; None when it would be made
    why: str = ""  # why it comes where it does
    weighed: str = ""  # how that was reckoned, for who asks
    unsure: str = ""  # which of the line's wishes nobody can judge of it

    @property
    def places(self) -> str:
        """Where to fetch them, each place once."""
        return ", ".join(dict.fromkeys(str(valve.place or "–") for valve in self.valves))

    @property
    def key(self) -> str:
        return " ".join(valve.serial for valve in self.valves)

    @property
    def grade_names(self) -> str:
        return ", ".join(sorted({grade.name for grade in self.grades}))


def asked(line: OrderLine, names: Mapping[int, str] | None = None) -> str:
    """The line as a person would say it, its grades by name: "1 × matched pair EL84, Good or better, within 5 %".
    `names` are those of `grade_choices`, where somebody has looked them up for many lines."""
    if line.sealed or line.untested:
        return line.asked
    return line.asked.replace(line.grades_asked, good_or_better(line.best_grades, names), 1)


def options(line: OrderLine, limit: int = 8, without: Collection[int] = ()) -> list[OrderOption]:
    """What meets the line: singles by grade, the best first; sets, those first whose sale costs the shop least, in
    money, whether they stand already or would be made. Of those that cost as much the ones that stand come first.

    Of what is wished of the valves, nothing that is known to be otherwise; what nobody can judge comes last. None of
    the valves left out by key is among them.
    """
    if line.set_size == 1:
        return _singles(line, limit, without)
    ready = [one for one in _ready_sets(line) if not any(valve.pk in without for valve in one.valves)]
    found = least_loss(line, wishes.fitting(line, without) if line.wishes or without else None)
    every = ready if found is None else _by_loss(line, ready, found)
    return sorted(every, key=lambda option: bool(option.unsure))[:limit]


def _by_loss(line: OrderLine, ready: Sequence[OrderOption], found: LeastLoss) -> list[OrderOption]:
    """Sets that stand beside those that could be made. Sets made within more than is asked for stay last."""
    sure, unsure = [], []
    for option in ready:
        assert option.set is not None
        within = option.set.tolerance_percent
        if line.max_spread_percent is not None and within > line.max_spread_percent:
            unsure.append(option)
        elif within in found.made_already:
            loss = found.made_already[within]
            sure.append((loss.amount, option._replace(why=f"{option.why} {loss.told}".strip())))
        else:  # made a moment ago
            sure.append((0.0, option))
    new = [(loss.amount, option) for loss, option in zip(found.losses, _new_sets(found), strict=True)]
    return [option for _, option in sorted(sure + new, key=lambda pair: round(pair[0], 2))] + unsure


def _new_sets(found: LeastLoss) -> list[OrderOption]:
    """The set of free stock that costs the rest of the stock least, and the next best."""
    keys = [valve.pk for valves, _ in found.choices for valve in valves]
    grades = {grade.valve_id: grade for grade in Grade.objects.filter(current=True, valve__in=keys)}
    next_best = " ".join(
        ["The next best of those that were compared.", *(loss.told for loss in found.losses[1:])]
    ).strip()
    reasons = ((found.why, found.detail), (next_best, ""))
    return [
        OrderOption(valves, tuple(grades[valve.pk] for valve in valves), worst, None, *reason)
        for (valves, worst), reason in zip(found.choices, reasons, strict=False)
    ]


def _singles(line: OrderLine, limit: int, without: Collection[int]) -> list[OrderOption]:
    """The best grade first, of one grade the nearest to nominal."""
    free = (
        Grade.objects.filter(
            current=True,
            saleable=True,
            rank__lte=line.best_grades,
            valve__type=line.type,
            valve__state__in=[State.GRADED, State.LISTED],
        )
        .exclude(valve__allocations__live=True)
        .exclude(valve__memberships__live=True)
        .exclude(valve__in=Return.objects.undecided().values("valve"))
        .exclude(valve__in=without)
        .select_related("valve__place", "valve__type", "valve__maker")
        .order_by("rank", "valve__serial")
    )
    if not line.wishes:
        grades = sorted(free[: max(SINGLES_LOOKED_AT, limit)], key=_from_nominal)[:limit]
        return [OrderOption((grade.valve,), (grade,), None, None) for grade in grades]
    first = list(free.filter(valve__in=wishes.known_to_be(line))[:SINGLES_LOOKED_AT])
    rest = free.exclude(pk__in=[grade.pk for grade in first]).exclude(valve__in=wishes.known_to_differ(line))
    looked_at = [*first, *rest[:SINGLES_LOOKED_AT]]
    found = wishes.findings(line, looked_at)
    judged = [(overall(found[grade.valve_id]), grade) for grade in looked_at]
    meets = [(answer is WishAnswer.UNKNOWN, grade) for answer, grade in judged if answer is not WishAnswer.NO]
    meets.sort(key=lambda row: (row[0], *_from_nominal(row[1])))
    return [
        OrderOption(
            (grade.valve,), (grade,), None, None, unsure=wishes.in_short(found[grade.valve_id], WishAnswer.UNKNOWN)
        )
        for _, grade in meets[:limit]
    ]


def _from_nominal(grade: Grade) -> tuple[int, float, str]:
    """Its rank, and the furthest that one of its values lies from nominal."""
    away = [abs(row["value"] / row["nominal"] - 1) for row in grade.measured if row["nominal"]]
    return grade.rank, round(max(away, default=0.0), 4), grade.valve.serial


def _ready_sets(line: OrderLine) -> list[OrderOption]:
    """Free sets that meet the line, those first whose sale costs the shop least.

    A set made within less, or of a better grade, than is asked for would meet a stricter order as well, so it is kept.
    Sets that meet the line by their readings only, made within more than is asked for, come last: nobody has judged
    how sure they are to be within that.
    """
    found: list[OrderOption] = []
    rows = _sets_to_look_at(line)
    doubtful = doubts.doubtful(rows)
    for matched in rows:
        if matched.pk in doubtful:
            continue
        members = list(matched.members.all())
        worst = making.worst_spread(members)
        if any(member.grade.rank > line.best_grades for member in members):
            continue
        if line.max_spread_percent is not None and worst > line.max_spread_percent / 100:
            continue
        valves, grades = tuple(m.valve for m in members), tuple(m.grade for m in members)
        found.append(OrderOption(valves, grades, worst, matched))
    if line.wishes:
        found = _as_wished(line, found)
    found.sort(key=lambda option: (bool(option.unsure), *_cost_of_selling(line, option)))
    return [_reasoned(line, option, found[place + 1 :], first=not place) for place, option in enumerate(found)]


def _as_wished(line: OrderLine, sets: Sequence[OrderOption]) -> list[OrderOption]:
    """Those of which no valve is other than the line wishes, each with what nobody can judge of it."""
    found = wishes.findings(line, [grade for option in sets for grade in option.grades])
    kept = []
    for option in sets:
        judged = {valve.serial: found[valve.pk] for valve in option.valves}
        if all(overall(each) is not WishAnswer.NO for each in judged.values()):
            said = ((serial, wishes.in_short(each, WishAnswer.UNKNOWN)) for serial, each in judged.items())
            kept.append(option._replace(unsure="; ".join(f"{serial}: {words}" for serial, words in said if words)))
    return kept


def _sets_to_look_at(line: OrderLine) -> list[MatchedSet]:
    """Free sets good enough, LOOKED_AT at most of those made within what is asked for, the widest first, and of those
    made within more, the tightest first."""
    worse = Member.objects.filter(set=OuterRef("pk"), live=True, grade__rank__gt=line.best_grades)
    free = MatchedSet.objects.free().filter(~Exists(worse), type=line.type, size=line.set_size)
    if line.wishes:
        free = free.exclude(
            pk__in=Member.objects.filter(live=True, valve__in=wishes.known_to_differ(line)).values("set")
        )
    free = free.select_related("policy").prefetch_related("members__valve__place", "members__grade__valve__maker")
    asked = line.max_spread_percent
    if asked is None:
        return list(free.order_by("-tolerance_percent", "pk")[:LOOKED_AT])
    within = free.filter(tolerance_percent__lte=asked).order_by("-tolerance_percent", "pk")
    beyond = free.filter(tolerance_percent__gt=asked).order_by("tolerance_percent", "pk")
    return [*within[:LOOKED_AT], *beyond[:LOOKED_AT]]


def _cost_of_selling(line: OrderLine, option: OrderOption) -> tuple[bool, float, int, float, str]:
    """What is given up with a set, the least first."""
    assert option.set is not None
    within, asked = option.set.tolerance_percent, line.max_spread_percent
    too_wide = asked is not None and within > asked
    ranks = sum(grade.rank for grade in option.grades)
    return too_wide, within if too_wide else -within, -ranks, -(option.spread or 0.0), option.set.number


def _reasoned(line: OrderLine, option: OrderOption, later: Sequence[OrderOption], first: bool) -> OrderOption:
    assert option.set is not None
    within, asked = option.set.tolerance_percent, line.max_spread_percent
    why = f"Made within {within:g} %"
    if asked is not None and within > asked:
        why += f", yet it reads within {asked:g} %"
    elif first:
        why += ", the widest that meets the line" if asked is not None else ", the widest there is"
        alike = [other for other in later if other.set and other.set.tolerance_percent == within]
        ranks = sum(grade.rank for grade in option.grades)
        if any(sum(grade.rank for grade in other.grades) < ranks for other in alike):
            why += ", and of the lower grade"
    return option._replace(why=f"{why}.")


@transaction.atomic
def accept(line: OrderLine, valves: Sequence[Valve], by: User, *, although_unsure: bool = False) -> None:
    """Set these valves aside as the line's next item, making the set first where there is none.

    What nobody can judge of them is refused, unless somebody takes them all the same; then it is on record.

    Raises:
        CannotPull: the line is filled, or the valves are not what it asks for, or one has just been taken.
    """
    order = changeable(line)
    if line.sealed:
        raise CannotPull("The line asks for sealed packs: set those aside.")
    if len(valves) != line.set_size:
        raise CannotPull(f"The line asks for {set_name(line.set_size)}: {line.set_size} valves, not {len(valves)}.")
    valves = making.locked(valves)
    for valve in valves:
        if valve.type_id != line.type_id:
            raise CannotPull(f"{valve} is a {valve.type}; the line asks for {line.type}.")
        if not Grade.objects.filter(valve=valve, current=True, saleable=True, rank__lte=line.best_grades).exists():
            raise CannotPull(f"{valve} is not of the best {line.best_grades} grades.")
        if valve.state not in SALEABLE:  # what the page offered may have been broken or sold since
            raise CannotPull(f"{valve} is {valve.state}: only a graded valve can be set aside. Look again.")
    not_so, unsure = wishes.refusals(line, valves)
    if not_so:
        raise CannotPull(f"The line asks for {', '.join(line.wishes)}. {not_so}.")
    if unsure and not although_unsure:
        raise CannotPull(f"The line asks for {', '.join(line.wishes)}, and nobody can say whether it is so. {unsure}.")
    if line.set_size > 1:
        _be_a_set(line, valves, by)
    elif valves[0].memberships.filter(live=True).exists():
        raise CannotPull(f"{valves[0]} is in a matched set: break the set up before selling it alone.")

    allocate(order, line, valves, by, although=unsure)


def _refuse_what_has_gone(valves: Sequence[Valve], hint: str = "") -> None:
    """Tested or sealed, what is written off or despatched goes on no order. The valves are held."""
    for valve in valves:
        if valve.state in GONE:
            raise CannotPull(f"{valve} is {valve.state}: it is not here to be sent. {hint}".rstrip())


def changeable(line: OrderLine) -> Order:
    """The line's order, which nobody else changes until our transaction ends.

    What was set aside for others and has run out is free from now on.

    Raises:
        CannotPull: nothing more can be set aside for the line.
    """
    holds.release_expired(but=line.order)
    order = Order.objects.select_for_update(no_key=True).get(pk=line.order_id)
    if not order.is_changeable:
        raise CannotPull(f"{order} is {order.state}: nothing more can be set aside for it.")
    if missing(line) < 1:
        raise CannotPull("This line has all it asks for.")
    return order


def allocate(order: Order, line: OrderLine, valves: Sequence[Valve], by: User, *, although: str = "") -> None:
    """Set these valves aside as the line's next item.

    Raises:
        CannotPull: one has just been taken, or is not in the house any more.
    """
    _refuse_what_has_gone(hold_valves([valve.pk for valve in valves]), "Look again.")
    if back := Return.objects.undecided().filter(valve__in=valves).select_related("valve", "case").first():
        raise CannotPull(back.why_promised_to_nobody)
    used = items_taken(line)
    item = next(number for number in range(1, line.quantity + 1) if number not in used)
    try:
        with transaction.atomic():
            Allocation.objects.bulk_create(
                Allocation(order_line=line, item=item, valve=valve, made_by=by, although=fitted(although, 200))
                for valve in valves
            )
    except IntegrityError as clash:
        raise CannotPull("One of these valves has just been set aside for another order. Look again.") from clash
    for valve in valves:
        text = f"Set aside for {order}{f', although {although}' if although else ''}"
        Entry.write(by, "reserved", text, valve=valve, lot=valve.line.lot, order=order)
    holds.begin(order)
    refresh_state(order)


def _be_a_set(line: OrderLine, valves: Sequence[Valve], by: User) -> None:
    """The valves are exactly one live set within the line's tolerance; make it when none of them is in one."""
    sets_now = {m.set for valve in valves for m in valve.memberships.filter(live=True).select_related("set")}
    if not sets_now:
        try:
            making.make_set(valves, line.max_spread_percent or WIDEST_PERCENT, by)
        except making.CannotMatch as problem:
            raise CannotPull(str(problem)) from problem
        return
    matched = next(iter(sets_now))
    members = list(matched.members.select_related("grade"))
    if len(sets_now) > 1 or {member.valve_id for member in members} != {valve.pk for valve in valves}:
        raise CannotPull("These valves are not one whole set.")
    if why := doubts.why_doubtful(matched):
        raise CannotPull(f"{matched.number} no longer holds: {why}.")
    worst = making.worst_spread(members)
    if line.max_spread_percent is not None and worst > line.max_spread_percent / 100:
        raise CannotPull(f"{matched.number} differs by {100 * worst:.2f} %, more than {line.max_spread_percent:g} %.")


@transaction.atomic
def release(line: OrderLine, item: int, by: User) -> None:
    """Put one item back in stock, off its shelf or not. The order waits for another in its stead.

    Raises:
        CannotPull: the item, or all of the order, has left.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=line.order_id)
    if not order.is_here:
        raise CannotPull(f"{order} is {order.state}: take the valves back.")
    if sent := line.allocations.sent().filter(item=item).select_related("despatch").first():
        raise CannotPull(f"Item {item} has left with {sent.despatch}: take the valves back.")
    _release(order, line.allocations.here().filter(item=item), by)
    refresh_state(order)


@transaction.atomic
def drop_line(line: OrderLine, by: User) -> None:
    """The customer does not want this line after all. Only a line with nothing ever set aside is forgotten."""
    order = Order.objects.select_for_update(no_key=True).get(pk=line.order_id)
    if not order.is_changeable:
        raise CannotPull(f"{order} is {order.state}: its lines stay as they are.")
    if line.allocations.exists():
        raise CannotPull("Valves have been set aside for this line: it stays on record. Leave out what is missing.")
    Entry.write(by, "order-line", f"{order}: removed {asked(line)}", order=order)
    line.delete()
    refresh_state(order)


@transaction.atomic
def leave_out(line: OrderLine, by: User) -> int:
    """The customer goes without what is not set aside for the line. Returns how many items that are.

    Raises:
        CannotPull: nothing is missing, or nothing would be left of the order.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=line.order_id)
    line = order.lines.get(pk=line.pk)
    short = missing(line)
    if not order.is_changeable or not short:
        raise CannotPull(f"{order} is {order.state}, and nothing is missing on this line.")
    if not Allocation.objects.filter(order_line__order=order).filter(SET_ASIDE_OR_SENT).exists():
        raise CannotPull(f"Nothing is set aside for {order}, so nothing would be left of it. Cancel it instead.")
    text = f"{order}: sent without {short} of {asked(line)}"
    Entry.write(by, "order-line", text, order=order)
    items_left_out.send(OrderLine, line=line, items=short)
    line.quantity -= short
    line.save(update_fields=["quantity"])
    refresh_state(order)
    order_money_changed.send(Order, order=order, text=text, by=by)
    return short


def _release(order: Order, allocations: QuerySet[Allocation], by: User) -> None:
    hold_valves(list(allocations.values_list("valve", flat=True)))
    let_go(order, allocations, by)


@transaction.atomic
def pull(order: Order, valve: Valve, by: User) -> int:
    """This valve is off its shelf, and what shares its sealed carton with it. Returns how many are still to be pulled;
    at none an order that lacks nothing is pulled. What is set aside of an open one may be pulled for a first parcel.

    Raises:
        CannotPull: the order is not here, its time is over, the valve is not one of its own, or it may not leave as
            sealed.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    if not order.is_changeable:
        raise CannotPull(f"{order} is {order.state}: nothing of it is to be pulled.")
    if holds.has_run_out(order):
        raise CannotPull(f"{order} was set aside {holds.in_words(order)}. Say on its page for how long it is from now.")
    live = Allocation.objects.here().filter(order_line__order=order)
    allocation = live.filter(valve=valve).select_related("order_line", "valve").first()
    if allocation is None:
        raise CannotPull(f"{valve} is not on {order}. Put it back on {valve.place or 'its shelf'}.")
    if allocation.pulled_at:
        raise CannotPull(f"{valve} has been pulled already.")
    _refuse_what_has_gone(hold_valves([valve.pk]), PUT_BACK)
    same = [valve.pk]
    if allocation.order_line.sealed:
        pack = _whole([allocation])[0]
        same += seals.together(pack).values_list("valve", flat=True)
    live.filter(valve__in=same, pulled_at=None).update(pulled_at=timezone.now())
    left = live.filter(pulled_at=None).count()
    if not left:
        refresh_state(order)
        whole = "All of" if order.state == Order.State.PULLED else "All that is set aside for"
        Entry.write(by, "pulled", f"{whole} {order} is off the shelves", order=order)
    return left


def _whole(allocations: Sequence[Allocation]) -> list[Pack]:
    """The packs of these, each under its seal; whoever knows their lots may object.

    Raises:
        CannotPull: one may not leave as sealed.
    """
    packs = {
        pack.valve_id: pack
        for pack in Pack.objects.under_seal()
        .filter(valve__in=[allocation.valve_id for allocation in allocations])
        .select_related("plan__line__lot")
    }
    for allocation in allocations:
        if allocation.valve_id not in packs:
            raise CannotPull(f"The seal of {allocation.valve} is broken: it cannot leave as sealed. {PUT_BACK}")
    sealed_packs_leaving.send(Order, packs=list(packs.values()))
    return [packs[allocation.valve_id] for allocation in allocations]


Items = Collection[tuple[int, int]]  # by the key of their line, and their number on it


@transaction.atomic
def despatch(
    order: Order, carrier: str, tracking: str, by: User, items: Items | None = None, unchecked: str = ""
) -> Despatch:
    """A parcel has left: with these items, or with all that is still here of an order that lacks nothing. Listings of
    what is in it end. `grading.orders.packing` looks first whether every valve was scanned into it.

    Raises:
        CannotPull: something of it is not off its shelf, is not here, or may not be sold as it was.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    if items is None and order.state != Order.State.PULLED:
        raise CannotPull(f"{order} is {order.state}: scan every valve off its shelf before sending it.")
    going = Allocation.objects.filter(pk__in=_in_parcel(order, items))
    _refuse_what_has_gone(hold_valves(list(going.values_list("valve", flat=True))), PUT_BACK)
    _whole(list(going.filter(order_line__sealed=True).select_related("valve")))
    _still_sound(going)
    number = f"D{Counter.take('despatch')[0]:04d}"
    sent = Despatch.objects.create(
        number=number, order=order, by=by, carrier=carrier, tracking=tracking, unchecked=unchecked
    )
    valves = list(Valve.objects.filter(pk__in=going.values("valve")).select_related("line__lot"))
    going.update(despatch=sent)
    refresh_state(order)
    for one in Listing.objects.live().filter(listed__valve__in=valves, listed__live=True).distinct():
        publishing.end(one, by, because=f"sold with {order}")
    sealed = set(Pack.objects.under_seal().filter(valve__in=valves).values_list("valve", flat=True))
    for valve in valves:
        text = f"Sent to {order.customer} with {order}{f', {SEALED_WORDS}' if valve.pk in sealed else ''}"
        Entry.write(by, "despatched", text, valve=valve, lot=valve.line.lot, order=order)
    why = f" Not checked by scan: {unchecked}" if unchecked else ""
    Entry.write(by, "parcel", f"{order}: {sent} with {plural(len(valves), 'valve')}{sent.how}.{why}", order=order)
    states.refresh([valve.pk for valve in valves])
    order_despatched.send(Order, order=order, valves=valves, by=by)
    return sent


def _in_parcel(order: Order, items: Items | None) -> list[int]:
    """The allocations of these items, by key, all of them off their shelves."""
    here = Allocation.objects.here().filter(order_line__order=order).select_related("valve").order_by("pk")
    going = [one for one in here if items is None or (one.order_line_id, one.item) in items]
    if not going:
        raise CannotPull(f"Nothing of {order} would be in the parcel.")
    for one in going:
        if one.pulled_at is None:
            raise CannotPull(f"{one.valve} is not off its shelf yet: scan it there before it is sent.")
    return [one.pk for one in going]


def _set_aside_for(order: Order) -> list[int]:
    return list(Allocation.objects.filter(order_line__order=order, live=True).values_list("valve", flat=True))


def _still_sound(sold: QuerySet[Allocation]) -> None:
    """What was set aside may have been read again since. Raises CannotPull."""
    tested = sold.filter(order_line__sealed=False, order_line__untested=False)
    untested = sold.filter(order_line__sealed=False, order_line__untested=True)
    for graded in Grade.objects.filter(valve__in=untested.values("valve"), current=True).select_related("valve"):
        raise CannotPull(f"{graded.valve} has been graded since, so it is not sent as untested. {PUT_BACK}")
    valves = Valve.objects.filter(pk__in=tested.values("valve"))
    for valve in valves.exclude(pk__in=Grade.objects.filter(current=True, saleable=True).values("valve")):
        raise CannotPull(f"{valve} has no grade now that may be sold. {PUT_BACK}")
    inside = MatchedSet.objects.live().filter(members__valve__in=valves, members__live=True)
    found = list(doubts.read_again(inside).select_related("policy").distinct())
    for matched in found:
        if why := doubts.why_doubtful(matched):
            raise CannotPull(f"{matched.number} no longer holds: {why}. {PUT_BACK}")


@transaction.atomic
def cancel(order: Order, by: User) -> None:
    """Nothing goes out; everything set aside is free again."""
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    if order.state in (Order.State.DESPATCHED, Order.State.CANCELLED):
        raise CannotPull(f"{order} is {order.state} already.")
    if order.despatches.not_undone().exists():
        raise CannotPull(f"A part of {order} has been sent. Send it without what is missing instead.")
    _release(order, Allocation.objects.filter(order_line__order=order, live=True), by)
    order.state = Order.State.CANCELLED
    order.save(update_fields=["state"])
    Entry.write(by, "order-cancelled", f"Cancelled {order}", order=order)


@transaction.atomic
def take_back(order: Order, valve: Valve, reason: str, by: User, seal: str = "", complaint: str = "") -> Return:
    """A valve came back. Its grade and readings no longer speak for it, and its set is no more.

    What was sold sealed comes back with its `seal` intact, a carton whole, and can be sold sealed again; or with its
    seal broken, and then it is a received valve that waits for its test, like any other. `complaint` is of
    `Return.Complaint`, and later buyers are told it.

    Raises:
        CannotPull: the valve did not go out with this order, or it is not said how its seal came back.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    hold_valves(_set_aside_for(order))
    allocation = (
        Allocation.objects.sent().filter(order_line__order=order, valve=valve, live=True).select_related("order_line")
    ).first()
    if allocation is None:
        raise CannotPull(f"{valve} did not go out with {order}.")
    if allocation.order_line.sealed:
        return _take_back_sealed(order, valve, reason, by, seal, complaint)
    allocation.live = False
    allocation.save(update_fields=["live"])
    came_back = Return.objects.create(valve=valve, order=order, complaint=complaint, reason=reason, by=by)
    touched = {valve.pk}
    for membership in valve.memberships.filter(live=True).select_related("set"):
        matched = membership.set
        touched |= set(matched.members.values_list("valve", flat=True))
        matched.members.update(live=False)
        matched.broken_at, matched.broken_by = came_back.at, by
        matched.broken_because = f"{valve} came back from {order}"
        matched.save(update_fields=["broken_at", "broken_by", "broken_because"])
    judging.withdraw(valve, by)
    Entry.write(by, "returned", f"Came back from {order}: {reason}", valve=valve, lot=valve.line.lot, order=order)
    states.refresh(touched)
    valves_returned.send(Order, order=order, valves=[valve], by=by)
    return came_back


def _take_back_sealed(order: Order, valve: Valve, reason: str, by: User, seal: str, complaint: str) -> Return:
    pack = seals.shut_pack(valve)
    if seal not in Return.Seal.values:
        raise SealNotSaid(f"{valve} went out in a sealed pack: say whether its seal is intact or broken.")
    if seal == Return.Seal.INTACT and pack is None:
        raise SealNotSaid(f"The seal over {valve} was broken already: it cannot have come back intact.")
    gone = Allocation.objects.sent().filter(order_line__order=order, live=True)
    back = gone.filter(valve=valve)
    if seal == Return.Seal.INTACT and pack is not None:
        same = seals.together(pack).values("valve")
        back = gone.filter(valve__in=same)
    valves = list(Valve.objects.filter(pk__in=back.values("valve")).select_related("line__lot").order_by("serial"))
    back.update(live=False)
    if seal == Return.Seal.BROKEN and pack is not None:
        seals.break_seal(pack, f"came back so from {order}", by)
    came_back = {
        one.pk: Return.objects.create(valve=one, order=order, complaint=complaint, reason=reason, seal=seal, by=by)
        for one in valves
    }
    for one in valves:
        text = f"Came back from {order}, {Return.Seal(seal).label}: {reason}"
        Entry.write(by, "returned", text, valve=one, lot=one.line.lot, order=order)
    states.refresh(list(came_back))
    valves_returned.send(Order, order=order, valves=valves, by=by)
    return came_back[valve.pk]
