"""The demonstration's open offer: what may be paid for it, with as little history as a young shop has."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from django.contrib.auth.models import User

from catalog.models import ValveType
from grading.buying import forecasting, offering
from grading.demo.clock import at, moment
from grading.models import LotOffer, LotOfferLine
from stockroom.models import Line, Supplier

PRICES = {"6DJ8": "24.00", "ECL82": "14.00"}  # what the owner says that they bring; none were sold yet


def offer(people: dict[str, User], day: date) -> LotOffer:
    by = people["owner"]
    made = LotOffer(
        supplier=Supplier.objects.get(name="Restposten Quellmark"),
        offered_on=day - timedelta(days=2),
        price=Decimal("240.00"),
        currency="EUR",
        rate=Decimal("0.86"),
        charges=Decimal("35.00"),
        hour_cost=Decimal("14.00"),
        pack_cost=Decimal("1.00"),
        months=36,
        note="cartons from a telephone exchange; the seller would let us open a few packs",
    )
    rows = (
        ("6DJ8", Line.Condition.SEALED, 60),
        ("ECL82", Line.Condition.BOXED, 30),
        ("12AX7", Line.Condition.USED, 20),
    )
    lines = [
        LotOfferLine(
            type=ValveType.objects.named(name).get(),
            condition=condition,
            pieces=pieces,
            price_each=Decimal(PRICES[name]) if name in PRICES else None,
        )
        for name, condition, pieces in rows
    ]
    with at(moment(day, 2, 16, 20)):
        added = offering.add_offer(made, by)
        offering.add_lines(added, lines, by)
        forecasting.make_forecast(added, by)
    return added
