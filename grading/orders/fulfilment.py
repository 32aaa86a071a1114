"""Orders: find what was asked for, set it aside, take it off the shelf, send it, and take it back.

An order is open until every item it asks for is set aside, then reserved, pulled, despatched. It may leave in parcels:
then what is left of it goes on so. Sealed packs are chosen in `grading.sealed.orders`; from there they go the same way
as other valves, but leave only with their seal whole and while their lot stands accepted.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.utils import timezone

from grading.listings import publishing
from grading.models import Grade, MatchedSet
from grading.orders import holds, wishes
from grading.orders.allocations import SET_ASIDE_OR_SENT, items_taken, let_go, missing, refresh_state
from grading.orders.signals import items_left_out, sealed_packs_leaving
from grading.sets import doubts, making
from grading.sets.plans import WIDEST_PERCENT
from grading.verdicts import judging, states
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
PUT_BACK = "Return it to stock on the order’s page and set another aside, or send the order without it."


class CannotPull(Refused):
    """The order cannot move on as asked. The message says why."""


class SealNotSaid(CannotPull):
    """It is not said how the seal of a sealed pack came back, or what is said cannot be."""


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
    Entry.write(by, "order-line", f"{order}: removed {wishes.asked(line)}", order=order)
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
    text = f"{order}: sent without {short} of {wishes.asked(line)}"
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
