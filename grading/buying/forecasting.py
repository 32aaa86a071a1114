"""Work out what an offer would bring, and keep it with the history that it rested on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from math import isfinite
from typing import Any

from django.contrib.auth.models import User
from django.db import transaction

from grading.buying import history
from grading.buying.offering import OfferRefused, held
from grading.buying.pure.forecast import (
    COVERAGE,
    DRAWS,
    Forecast,
    Interval80,
    Learned,
    LineForecast,
    OfferedLine,
    OfferTerms,
    forecast,
    has_price,
    why_nothing_can_be_said,
)
from grading.buying.pure.prices import Quoted
from grading.models import LotOffer, LotOfferLine, OfferForecast
from stockroom.models import Entry, SamplingPlan, Shop
from stockroom.pure.money import shown, to_minor
from stockroom.sealed.pure.sampling import InspectionLevel, SamplingError, single_plan

USUAL_AQL = Decimal("4.0")  # of sealed goods where no plan of this supplier's says another: common practice, no source


def make_forecast(offer: LotOffer, by: User | None) -> OfferForecast:
    """Of the offer as it stands, from the records as they stand. Some seconds' work for a long offer.

    Raises:
        OfferRefused: it is decided, or has no lines.
    """
    lines = list(offer.lines.select_related("type", "maker").order_by("number"))
    if not lines:
        raise OfferRefused(f"Offer {offer} has no lines yet. Type them in, or import the list.")
    learned, rests = history.learned_for(offer, lines)
    quoted = history.quoted(lines, learned, history.grade_names())
    asked_of = _asked_lines(offer, lines, quoted)
    why = why_nothing_can_be_said(learned, asked_of)
    found = None if why else forecast(learned, terms_of(offer), asked_of, seed=_seed(offer))
    content = {
        "why_not": why,
        "terms": _kept_terms(offer),
        "draws": DRAWS,
        "coverage": COVERAGE,
        "grades": history.grade_names(),
        "history": rests._asdict(),
        "lines": [
            _kept_line(line, one, learned, quoted, found.lines[place] if found else None)
            for place, (line, one) in enumerate(zip(lines, asked_of, strict=True))
        ],
        **(_kept_whole(found) if found else {}),
    }
    with transaction.atomic():
        held(offer)
        kept = OfferForecast.objects.create(
            offer=offer, made_by=by, currency=Shop.own().currency, seed=_seed(offer), content=content, **_amounts(found)
        )
        Entry.write(by, "offer-forecast", f"Offer {offer}: {_in_words(kept)}.")
    return kept


def _in_words(kept: OfferForecast) -> str:
    if kept.most is None:
        return f"no forecast, for {'; '.join(kept.content['why_not'])}"
    proceeds = shown(kept.proceeds or Decimal(0), kept.currency)
    return f"forecast to bring {proceeds}; most to pay {shown(kept.most, kept.currency)}"


def terms_of(offer: LotOffer) -> OfferTerms:
    asked = offer.asked_at_home
    return OfferTerms(
        supplier=offer.supplier_id,
        asked=None if asked is None else float(asked),
        charges=float(offer.charges),
        return_a_year=float(offer.return_percent) / 100,
        selling_share=float(offer.selling_percent) / 100,
        hour_cost=float(offer.hour_cost),
        pack_cost=float(offer.pack_cost),
        months=offer.months,
    )


def _kept_terms(offer: LotOffer) -> dict[str, Any]:
    asked = offer.asked_at_home
    return {
        "asked": None if asked is None else str(to_minor(asked, Shop.own().currency)),
        "charges": str(offer.charges),
        "return_percent": str(offer.return_percent),
        "selling_percent": str(offer.selling_percent),
        "hour_cost": str(offer.hour_cost),
        "pack_cost": str(offer.pack_cost),
        "months": offer.months,
    }


def _asked_lines(offer: LotOffer, lines: Sequence[LotOfferLine], quoted: Mapping[int, Quoted]) -> list[OfferedLine]:
    return [
        OfferedLine(
            line.condition,
            line.type_id,
            line.pieces,
            line.pack_size if line.is_sealed else 0,
            quoted.get(line.pk),
            _by_plan(offer, line),
        )
        for line in lines
    ]


def _by_plan(offer: LotOffer, line: LotOfferLine) -> tuple[int, ...]:
    """How many packs ISO 2859-1 would open: at the level and AQL of the supplier's last plan, else the usual ones."""
    packs = -(-line.pieces // line.pack_size)
    if not line.is_sealed or packs < 2:
        return ()
    last = (
        SamplingPlan.objects.filter(line__lot__supplier=offer.supplier_id, method=SamplingPlan.Method.ISO)
        .order_by("-made_at")
        .values_list("level", "aql")
        .first()
    )
    level, aql = (InspectionLevel(last[0]), last[1]) if last and last[1] else (InspectionLevel.II, USUAL_AQL)
    try:
        return (single_plan(packs, level, aql.normalize() if aql >= 10 else aql.quantize(Decimal("0.1"))).sample_size,)
    except SamplingError:
        return ()


def _amounts(found: Forecast | None) -> dict[str, Any]:
    """In the home currency's minor unit."""
    if found is None:
        return {}
    currency = Shop.own().currency

    def money(value: float) -> Decimal:
        return to_minor(Decimal(repr(value)), currency)

    return {
        "proceeds": money(found.proceeds.middle),
        "proceeds_low": money(found.proceeds.low),
        "proceeds_high": money(found.proceeds.high),
        "most": money(found.most.middle),
        "most_low": money(found.most.low),
        "most_high": money(found.most.high),
        "most_surely": money(found.most_surely),
        "chance": found.chance,
    }


def _kept(interval: Interval80 | None) -> list[float | None] | None:
    """Middle, low and high; an end beyond the horizon is None, for JSON has no infinity."""
    return None if interval is None else [value if isfinite(value) else None for value in interval]


def _kept_whole(found: Forecast) -> dict[str, Any]:
    return {"months": _kept(found.months), "unsold": found.unsold, "hours": _kept(found.hours)}


def _kept_line(
    line: LotOfferLine, one: OfferedLine, learned: Learned, quoted: Mapping[int, Quoted], found: LineForecast | None
) -> dict[str, Any]:
    price_from = "sales"
    if one.quoted is not None:
        price_from = "owner" if line.price_each is not None else "book"
    elif not has_price(learned, one):
        price_from = "nobody"
    kept: dict[str, Any] = {
        "number": line.number,
        "called": line.type_and_mark,
        "type": line.type_id,
        "condition": line.condition,
        "pieces": line.pieces,
        "pack_size": line.pack_size if line.is_sealed else 0,
        "price_from": price_from,
    }
    kept["stock"] = round(learned.stock.get(line.type_id, 0.0))
    kept["pieces_a_year"] = learned.demand.pieces_a_year(line.type_id) if learned.demand else None
    if one.quoted is not None:
        kept["quoted"] = list(one.quoted.by_grade)
    if found is not None:
        kept |= {
            "usable": _kept(found.usable),
            "beta": list(found.share),
            "proceeds": _kept(found.proceeds),
            "looks": [look._asdict() for look in found.looks],
            "by_plan": list(one.also),
        }
    return kept


def _seed(offer: LotOffer) -> int:
    """Of its number, which is given without gaps; a key in the database is not."""
    return int(offer.number[1:])
