"""What came of a lot that was bought, beside what was forecast of it."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Count, Max, Min, Sum

from grading.models import LotOffer, OfferForecast, Reading
from grading.valves.supplier_record import records_of
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import Lot, Posting, Valve
from stockroom.models.ledger import from_thousandths
from stockroom.pure.money import shown
from stockroom.pure.written import day, figures, percent, plural
from stockroom.states import State
from stockroom.tally import tally_lots

DAYS_A_MONTH = 30.4375


class Beside(NamedTuple):
    """One thing that was forecast, what came, and how the two stand to one another."""

    what: str
    forecast: str
    came: str
    verdict: str


class OutcomeSoFar(NamedTuple):
    rows: list[Beside]
    over: bool  # nothing of the lot is left to be sold, or the months are past
    sentence: str


def forecast_it_was_bought_on(offer: LotOffer) -> OfferForecast | None:
    """The last before the decision."""
    made = offer.forecasts.all()
    return (made.filter(made_at__lte=offer.decided_at) if offer.decided_at else made).first()


def brought(lot: Lot, until: date) -> Decimal:
    """What the valves of the lot brought by that day, less what was credited, by the books."""
    rows = Posting.objects.filter(lot=lot, account__in=[Account.SALES.value, Account.REFUNDS.value])
    return -from_thousandths(rows.filter(entry__on__lte=until).aggregate(units=Sum("thousandths"))["units"])


def horizon_of(lot: Lot, months: int) -> date:
    return lot.received_on + timedelta(days=round(months * DAYS_A_MONTH))


def outcome_of(offer: LotOffer, today: date) -> OutcomeSoFar | None:
    """None where it was not bought, or on no forecast."""
    lot, kept = offer.lot, forecast_it_was_bought_on(offer)
    if lot is None or kept is None or kept.most is None:
        return None
    end = horizon_of(lot, kept.content["terms"]["months"])
    tally = tally_lots([lot.pk])[lot.pk]
    gone = sum(tally.counts.get(state, 0) for state in (State.DESPATCHED, State.WRITTEN_OFF))
    unsaleable = _not_saleable(lot)
    left = tally.pieces - gone - unsaleable
    over = (tally.pieces > 0 and left <= 0) or today > end
    rows = [
        _proceeds(kept, brought(lot, end), over),
        _usable(lot, kept),
        _hours(lot, kept),
    ]
    sold = tally.counts.get(State.DESPATCHED, 0)
    so_far = "All that can be sold is sold" if left <= 0 else f"{plural(left, 'piece')} may still be sold"
    sentence = f"{plural(sold, 'valve')} of {plural(tally.pieces, 'piece')} sold since {day(lot.received_on)}. {so_far}"
    if today > end:
        sentence += f"; what is sold after {day(end)} does not count"
    return OutcomeSoFar([row for row in rows if row is not None], over, f"{sentence}.")


def _not_saleable(lot: Lot) -> int:
    """Graded so that it may not be sold, and still here."""
    here = Valve.objects.in_house().filter(line__lot=lot)
    return here.filter(grades__current=True, grades__saleable=False).count()


def _verdict(low: float, high: float, came: float, over: bool, unit: str = "") -> str:
    if came > high:
        return "above the interval"
    if came < low:
        return "below the interval" if over else "not there yet"
    return "within the interval" if over else "within it so far"


def _proceeds(kept: OfferForecast, came: Decimal, over: bool) -> Beside:
    assert kept.proceeds is not None and kept.proceeds_low is not None and kept.proceeds_high is not None
    low, high = kept.proceeds_low, kept.proceeds_high
    said = f"{shown(kept.proceeds, kept.currency)} (80 %: {shown(low, kept.currency)} to {shown(high, kept.currency)})"
    verdict = _verdict(float(low), float(high), float(came), over)
    return Beside("Proceeds", said, shown(came, kept.currency), verdict)


def _usable(lot: Lot, kept: OfferForecast) -> Beside | None:
    """Of the whole lot, so far as its pieces are known. The interval is of the whole, by the lines' own."""
    lines = [line for line in kept.content["lines"] if "usable" in line]
    records = [record for _, record in records_of(list(lot.lines.all()))]
    known = sum(record.known for record in records)
    if not lines or not known:
        return None
    pieces = sum(line["pieces"] for line in lines)
    middle, low, high = (sum(line["usable"][end] * line["pieces"] for line in lines) / pieces for end in range(3))
    came = sum(record.usable for record in records) / known
    all_known = sum(record.not_tested for record in records) == 0
    said = f"{percent(middle, places=0)} (lines: {percent(low, places=0)} to {percent(high, places=0)})"
    return Beside(
        "Usable share",
        said,
        f"{percent(came, places=0)} of {plural(known, 'known valve')}",
        _verdict(low, high, came, all_known) if all_known else "not all known yet",
    )


def _hours(lot: Lot, kept: OfferForecast) -> Beside | None:
    """From the first to the last reading of this lot in each shift."""
    if kept.content["hours"] is None:
        return None
    rows = Reading.objects.filter(valve__line__lot=lot).order_by().values_list("shift")
    spans = rows.annotate(first=Min("taken_at"), last=Max("taken_at"), valves=Count("valve", distinct=True))
    hours, read = 0.0, 0
    for _, first, last, valves in spans:
        read += valves
        # So many valves have one gap fewer between them.
        hours += (last - first).total_seconds() / 3600 * (valves / (valves - 1) if valves > 1 else 0)
    if not read:
        return None
    middle, low, high = kept.content["hours"]
    pieces = sum(line["pieces"] for line in kept.content["lines"])
    said = f"{figures(middle)} h (80 %: {figures(low)} to {figures(high)} h) for {plural(pieces, 'piece')}"
    came = f"{figures(hours)} h for {plural(read, 'valve')} read"
    return Beside("Bench", said, came, _verdict(low, high, hours, read >= pieces))
