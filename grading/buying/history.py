"""What the shop's own records say to the forecast: what earlier lots turned out to be, prices, demand, pace.

A fixed number of questions. Of old records only the newest count, so that no answer grows with the shop: what a
supplier sent ten years ago says little of an offer of today.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import date, timedelta
from typing import Any, NamedTuple

from django.db.models import Count, Exists, F, Max, Min, OuterRef, Q, Subquery, Sum
from django.utils import timezone

from catalog.reference.scripts import normal
from grading.buying.pure.bench import ShiftPace, learn_pace
from grading.buying.pure.demand import TypeSold, learn_demand
from grading.buying.pure.forecast import Learned
from grading.buying.pure.prices import PriceSeen, Quoted, learn_prices
from grading.buying.pure.yields import PastLine, learn_yields
from grading.models import Grade, LotOffer, LotOfferLine, Policy, Reading, Shift
from grading.prices.book import current_book
from grading.prices.pure.book import How, PieceFacts, ToPrice
from grading.valves.supplier_record import records_of
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import Line, Posting, Valve
from stockroom.models.goods import pieces_of_line
from stockroom.models.ledger import from_thousandths
from stockroom.states import State

OF_THE_SUPPLIER, PAST_LINES = 100, 200
SALES_LOOKED_BACK, YEARS_LOOKED_BACK = 4000, 3
SHIFTS, FEWEST_VALVES = 60, 5
DAYS_A_YEAR = 365.25


class Rests(NamedTuple):
    """What a forecast rests on, in counts. A type goes by its key as text, as JSON keeps it."""

    lots: int
    lines: int
    known: int  # pieces
    lots_of_supplier: int
    known_of_supplier: int
    lots_of_condition: Mapping[str, int]
    lots_of_type: Mapping[str, int]
    sold: int
    sold_of_type: Mapping[str, int]
    shifts: int
    minutes_each: float | None


def grade_names() -> list[str]:
    """Those that may be sold by the policy in force, the best first."""
    return [level.name for level in Policy.current().parsed.levels if level.saleable]


def learned_for(offer: LotOffer, lines: Sequence[LotOfferLine]) -> tuple[Learned, Rests]:
    names = grade_names()
    types = {line.type_id for line in lines}
    past = past_lines(offer.supplier_id, names)
    seen, orders, last_sold = _sales(names)
    stock = _stock(types, past)
    sold = _types_sold(orders, last_sold)
    pace = learn_pace(_shifts())
    learned = Learned(
        len(names),
        learn_yields(past, len(names)) if past else None,
        learn_prices(seen),
        learn_demand(sold),
        pace,
        stock,
    )
    of_type = Counter(one.type for one in seen)
    theirs = [one for one in past if one.supplier == offer.supplier_id]
    rests = Rests(
        lots=len({one.lot for one in past}),
        lines=len(past),
        known=sum(one.known for one in past),
        lots_of_supplier=len({one.lot for one in theirs}),
        known_of_supplier=sum(one.known for one in theirs),
        lots_of_condition={
            line.condition: len({one.lot for one in past if one.condition == line.condition}) for line in lines
        },
        lots_of_type={str(pk): len({one.lot for one in past if one.type == pk}) for pk in types},
        sold=len(seen),
        sold_of_type={str(pk): of_type[pk] for pk in types},
        shifts=pace.shifts if pace else 0,
        minutes_each=pace.minutes_each if pace else None,
    )
    return learned, rests


def past_lines(supplier: int, names: Sequence[str]) -> list[PastLine]:
    """The newest lines of which something is known, those of this supplier before others.

    A grade that may be sold but is not of the policy in force counts as its last.
    """
    graded = Grade.objects.filter(valve__line=OuterRef("pk"), current=True)
    lost = Valve.objects.filter(line=OuterRef("pk"), state=State.WRITTEN_OFF)
    known = Line.objects.filter(Exists(graded) | Exists(lost)).select_related("lot")
    newest = known.order_by("-lot__received_on", "-pk")
    theirs = list(newest.filter(lot__supplier=supplier)[:OF_THE_SUPPLIER])
    lines = theirs + list(newest.exclude(lot__supplier=supplier)[: PAST_LINES - len(theirs)])
    found = []
    for line, record in records_of(lines):
        if not record.known:
            continue
        counts = Counter[str]()
        for (_, name, saleable), count in record.grades.items():
            if saleable:
                counts[name if name in names else names[-1]] += count
        by_grade = tuple(counts[name] for name in names)
        found.append(
            PastLine(line.lot.supplier_id, line.condition, line.type_id, line.lot_id, line.pk, record.known, by_grade)
        )
    return found


def _since() -> date:
    return timezone.localdate() - timedelta(days=round(YEARS_LOOKED_BACK * DAYS_A_YEAR))


def _sales(names: Sequence[str]) -> tuple[list[PriceSeen], dict[int, list[int]], dict[int, date]]:
    """What each valve brought by the books, tax and discount apart; the pieces of each order; the last day, by type.

    A price counts where the valve had a grade that may be sold; as an order counts whatever was sent.
    """
    grade = Grade.objects.filter(valve=OuterRef("valve"), current=True, saleable=True).values("name")[:1]
    rows = (
        Posting.objects.filter(account=Account.SALES.value, valve__isnull=False, entry__on__gte=_since())
        .order_by()
        .values("valve", "valve__type", "order")
        .annotate(units=Sum("thousandths"), on=Max("entry__on"), grade=Subquery(grade))
        .order_by("-on", "-valve")[:SALES_LOOKED_BACK]
    )
    seen: list[PriceSeen] = []
    orders: defaultdict[int, Counter[int]] = defaultdict(Counter)
    last: dict[int, date] = {}
    for row in rows:
        type_, price = row["valve__type"], -from_thousandths(row["units"])
        orders[type_][row["order"]] += 1
        last[type_] = max(last.get(type_, row["on"]), row["on"])
        if row["grade"] and price > 0:
            name = row["grade"] if row["grade"] in names else names[-1]
            seen.append(PriceSeen(type_, names.index(name), float(price)))
    return seen, {type_: list(counted.values()) for type_, counted in orders.items()}, last


def _types_sold(orders: Mapping[int, Sequence[int]], last_sold: Mapping[int, date]) -> list[TypeSold]:
    """Every type that came in, with the years in which it could be had: from its first lot to today, or to its last
    sale where none of it is here."""
    today = timezone.localdate()
    first = Line.objects.order_by().values_list("type").annotate(first=Min("lot__received_on"))
    here = set(Valve.objects.in_house().order_by().values_list("type", flat=True).distinct())
    found = []
    for type_, since in first:
        until = today if type_ in here else last_sold.get(type_)
        if until is not None:
            days = (until - max(since, _since())).days
            found.append(TypeSold(type_, tuple(orders.get(type_, ())), max(days, 30) / DAYS_A_YEAR))
    return found


def _stock(types: Collection[int], past: Sequence[PastLine]) -> dict[Any, float]:
    """Pieces of these types that are here to be sold first: those graded so that they may be, and of the others as
    many as the shop's lots gave altogether."""
    here = Valve.objects.in_house().filter(type__in=types).order_by()
    good = Count("pk", filter=Q(grades__current=True, grades__saleable=True))
    judged = Count("pk", filter=Q(grades__current=True))
    counted = {row[0]: row[1:] for row in here.values_list("type").annotate(good=good, judged=judged)}
    valves = dict(here.values_list("type").annotate(n=Count("pk", distinct=True)))
    bulk = dict(Line.objects.filter(type__in=types).order_by().values_list("type").annotate(n=Sum(pieces_of_line())))
    with_serial = dict(
        Valve.objects.filter(line__type__in=types).order_by().values_list("line__type").annotate(n=Count("pk"))
    )
    share = sum(one.usable for one in past) / max(sum(one.known for one in past), 1)
    found: dict[Any, float] = {}
    for type_ in types:
        good_ones, judged_ones = counted.get(type_, (0, 0))
        unread = valves.get(type_, 0) - judged_ones + max((bulk.get(type_) or 0) - with_serial.get(type_, 0), 0)
        found[type_] = good_ones + share * unread
    return found


def _shifts() -> list[ShiftPace]:
    """The newest shifts with enough valves read one after the other; from the first reading to the last."""
    read = Reading.objects.filter(shift=OuterRef("pk")).order_by().values("shift")
    rows = (
        Shift.objects.annotate(
            valves=Subquery(read.annotate(n=Count("valve", distinct=True)).values("n")),
            first=Subquery(read.annotate(t=Min("taken_at")).values("t")),
            last=Subquery(read.annotate(t=Max("taken_at")).values("t")),
        )
        .filter(valves__gte=FEWEST_VALVES, last__gt=F("first"))
        .order_by("-started_at")
        .values_list("valves", "first", "last")[:SHIFTS]
    )
    # So many valves have one gap fewer between them.
    return [ShiftPace(valves - 1, (last - first).total_seconds() / 60) for valves, first, last in rows]


def quoted(lines: Sequence[LotOfferLine], learned: Learned, names: Sequence[str]) -> dict[int, Quoted]:
    """Prices that do not come from sales, by line: the owner's; the price book's where the shop never sold the type."""
    book = current_book()
    found: dict[int, Quoted] = {}
    for line in lines:
        if line.price_each is not None:
            found[line.pk] = Quoted((float(line.price_each),) * len(names))
        elif not learned.prices.knows(line.type_id) and line.type.is_identified:
            asked = [book.price([ToPrice(_as_graded(line, name))]).amount for name in names]
            if all(asked):
                found[line.pk] = Quoted(tuple(float(amount) for amount in asked if amount))
    return found


def _as_graded(line: LotOfferLine, grade: str) -> PieceFacts:
    """A piece of the line, once it is tested and of this grade."""
    return PieceFacts(line.type_id, normal(line.called), line.maker_id, grade, condition=line.condition, how=How.TESTED)
