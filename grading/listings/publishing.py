"""Listing: put a valve or a matched set before the public at a price, and take it off again."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from decimal import Decimal

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from grading.listings.untested import UNGRADED, never_graded
from grading.models import Grade, MatchedSet
from grading.sets import doubts, making
from grading.verdicts import states
from stockroom.marks.called import called_together
from stockroom.marks.pure.construction import in_public
from stockroom.models import Condition, Counter, Entry, ListedValve, Listing, Pack, Repricing, Return, Valve
from stockroom.models.orders import set_name
from stockroom.pure.money import shown
from stockroom.pure.refused import Refused
from stockroom.site.locks import hold_valves
from stockroom.states import State
from stockroom.tally import chunked


class CannotList(Refused):
    """The item cannot be listed. The message says why."""


def title(valves: Sequence[Valve]) -> str:
    what = called_together(valves)
    if len(valves) > 1:
        what += f" {set_name(len(valves))}"
    makers = {str(valve.maker) for valve in valves if valve.maker}
    return f"{what}, marked {makers.pop()}" if len(makers) == 1 else what


UNTESTED = "Sold untested, as received: nobody has graded it."


def is_untested(valves: Sequence[Valve]) -> bool:
    """One valve that may be sold as it was received."""
    keys = [valve.pk for valve in valves]
    return len(keys) == 1 and never_graded().filter(pk__in=keys, state__in=UNGRADED).exists()


def describe(valves: Sequence[Valve]) -> str:
    """What the records support and no more: condition as claimed by the line and as found, grade as judged, marks."""
    grades = Grade.objects.filter(valve__in=valves, current=True).select_related("policy")
    claims = sorted({valve.line.get_condition_display() for valve in valves})
    sentences = [f"Bought in as: {', '.join(claims)}."]
    for name in sorted({grade.name for grade in grades}):
        count = sum(grade.name == name for grade in grades)
        sentences.append(
            f"Graded {name}{f' ({count} of {len(valves)})' if count < len(valves) else ''} on our own bench."
        )
    sentences += sold_before(valves)
    marks = sorted({valve.date_code for valve in valves if valve.date_code})
    if marks:
        sentences.append(f"Stamped {', '.join(marks)}.")
    conditions = [condition.words for condition in Condition.objects.filter(valve__in=valves)]
    sentences += in_public(conditions, len(valves))
    if is_untested(valves):
        return " ".join([UNTESTED, *sentences])
    sentences.append("Every reading is shown below with the conditions it was taken at.")
    return " ".join(sentences)


def sold_before(valves: Collection[Valve]) -> list[str]:
    """Of each that was sold and came back, when and with what kind of complaint: a sentence a return."""
    came_back = Return.objects.filter(valve__in=valves).select_related("valve").order_by("valve__serial", "at")
    return [f"{one.valve}: {one.to_the_public}." for one in came_back]


@transaction.atomic
def publish(valves: Sequence[Valve], title: str, text: str, price: Decimal, currency: str, by: User) -> Listing:
    """One valve that nobody has graded is listed as untested, and its text says so.

    Raises:
        CannotList: a valve is of no grade that may be sold, is set aside, or is listed already.
    """
    valves = making.locked(valves)
    untested = is_untested(valves)
    if untested and UNTESTED not in text:
        text = f"{UNTESTED} {text}"
    memberships = {m.set_id for valve in valves for m in valve.memberships.filter(live=True)}
    whole = len(valves) == 1 if not memberships else len(memberships) == 1 and len(valves) > 1
    for valve in valves:
        if not untested and valve.state not in (State.GRADED, State.MATCHED):
            raise CannotList(f"{valve} is {valve.state}: only graded or matched valves can be listed.")
        if not untested and not valve.grades.filter(current=True, saleable=True).exists():
            raise CannotList(f"{valve} has no grade that may be sold.")
        if valve.allocations.filter(live=True).exists():
            raise CannotList(f"{valve} is set aside for an order.")
    if not whole:
        raise CannotList("A listing is one valve that is in no set, or one whole set.")
    for matched in MatchedSet.objects.filter(pk__in=memberships):
        if why := doubts.why_doubtful(matched):
            raise CannotList(f"{matched.number} no longer holds: {why}.")
    return create_listing(
        valves,
        Listing(title=title, text=text, price=price, currency=currency, listed_by=by, untested=untested),
        "Listed",
    )


def create_listing(valves: Sequence[Valve], listing: Listing, how: str) -> Listing:
    """Number the listing and put these valves on it; `how` begins the daybook's entry.

    Raises:
        CannotList: one of them is on another live listing, or is not in the house any more.
    """
    for valve in hold_valves([valve.pk for valve in valves]):
        if valve.state in (State.WRITTEN_OFF, State.DESPATCHED):
            raise CannotList(f"{valve} is {valve.state}: it is not here to be sold.")
    if back := Return.objects.undecided().filter(valve__in=valves).select_related("valve", "case").first():
        raise CannotList(back.why_promised_to_nobody)
    listing.number = f"A{Counter.take('listing')[0]:05d}"
    listing.save()
    try:
        with transaction.atomic():
            ListedValve.objects.bulk_create(ListedValve(listing=listing, valve=valve) for valve in valves)
    except IntegrityError as clash:
        raise CannotList("One of these valves is on another listing.") from clash
    for valve in valves:
        Entry.write(listing.listed_by, "listed", f"{how} as {listing.number}", valve=valve, lot=valve.line.lot)
    states.refresh([valve.pk for valve in valves])
    return listing


@transaction.atomic
def reprice(listing: Listing, price: Decimal, by: User | None, because: str = "") -> None:
    """Another price from now on; the old one is kept (`Repricing`), and stands in the daybook of what is listed.

    Raises:
        CannotList: the listing has ended.
    """
    listing = Listing.objects.select_for_update(no_key=True).get(pk=listing.pk)
    if listing.ended_at:
        raise CannotList(f"{listing.number} has ended: list it again at another price.")
    text = f"{listing.number}: {shown(listing.price, listing.currency)} → {shown(price, listing.currency)}"
    if because:
        text += f", {because}"
    if price != listing.price:
        Repricing.objects.create(
            listing=listing, before=listing.price, after=price, because=because, by=by if by and by.pk else None
        )
    listing.price = price
    listing.save(update_fields=["price"])
    for row in listing.listed.select_related("valve__line__lot"):
        Entry.write(by, "repriced", text, valve=row.valve, lot=row.valve.line.lot)


@transaction.atomic
def end(listing: Listing, by: User | None, because: str = "") -> None:
    """Take it off again; `because` says why where somebody did not simply want to."""
    hold_valves(list(listing.listed.values_list("valve", flat=True)))
    listing = Listing.objects.select_for_update(no_key=True).get(pk=listing.pk)
    if listing.ended_at:
        raise CannotList(f"{listing.number} has ended already.")
    listing.ended_at, listing.ended_because = timezone.now(), because[:200]
    listing.save(update_fields=["ended_at", "ended_because"])
    valves = list(Valve.objects.filter(listings__listing=listing, listings__live=True).select_related("line__lot"))
    listing.listed.update(live=False)
    text = f"No longer listed as {listing.number}{f': {because}' if because else ''}"
    for valve in valves:
        Entry.write(by, "listing-ended", text, valve=valve, lot=valve.line.lot)
    states.refresh([valve.pk for valve in valves])


def recheck(valve_ids: Collection[int], by: User | None) -> None:
    """Sets that no longer hold, and valves without a grade that may be sold, leave the public list at once."""
    for keys in chunked(set(valve_ids)):
        found = doubts.sets_of(keys)
        why = doubts.doubtful(found)
        for matched in found:
            if matched.pk in why:
                because = f"{matched.number} no longer holds: {why[matched.pk]}"
                _end_all(Valve.objects.filter(memberships__set=matched, memberships__live=True), because, by)
        unsaleable = Valve.objects.filter(
            ~Exists(Grade.objects.filter(valve=OuterRef("pk"), current=True, saleable=True)),
            ~Exists(Pack.objects.under_seal().filter(valve=OuterRef("pk"))),
            pk__in=keys,
            listings__live=True,
        ).exclude(listings__live=True, listings__listing__untested=True)
        for valve in Valve.objects.filter(
            pk__in=keys, grades__current=True, listings__live=True, listings__listing__untested=True
        ).distinct():
            _end_all(Valve.objects.filter(pk=valve.pk), f"{valve} has been graded, so it is not sold as untested", by)
        for valve in unsaleable:
            _end_all(Valve.objects.filter(pk=valve.pk), f"{valve} has no grade now that may be sold", by)


def _end_all(valves: QuerySet[Valve], because: str, by: User | None) -> None:
    for one in Listing.objects.live().filter(listed__valve__in=valves, listed__live=True).distinct():
        end(one, by, because)
