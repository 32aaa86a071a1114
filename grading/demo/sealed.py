"""The demonstration's sealed lot: described, planned by ISO 2859-1, drawn, the sample tested, accepted; some packs
listed, and one set aside for an order (fixtures/demo_sealed.toml).
"""

from __future__ import annotations

import tomllib
from datetime import date, timedelta
from decimal import Decimal
from random import Random
from typing import Any

from django.conf import settings
from django.contrib.auth.models import User

from catalog.models import ValveType
from grading.demo import shifts, trade
from grading.demo.clock import at, moment, once
from grading.models import Tester
from grading.sealed import deciding, listing, orders
from stockroom.models import (
    Charge,
    Customer,
    Line,
    Lot,
    Maker,
    PackDateReading,
    Packing,
    Place,
    SamplingPlan,
    SealedDecision,
    Shop,
    Supplier,
)
from stockroom.receiving import booking
from stockroom.sealed import pack_dates, plans
from stockroom.sealed.plans import Iso, Terms
from stockroom.sealed.pure.sampling import InspectionLevel


def deal(people: dict[str, User], day: date, plan: dict[str, Any], seed: int) -> Lot:
    mine = tomllib.loads((settings.BASE_DIR / "fixtures" / "demo_sealed.toml").read_text())
    line = _receive(mine, people["receiving"], day)
    drawn = _plan(mine["plan"], line, people["receiving"], day)
    _test(mine["bench"], drawn, people, day, plan, seed)
    decided = moment(day, mine["decision"]["ago"], 10, 30)
    with at(decided), once(decided):
        deciding.decide(drawn, SealedDecision.Action.ACCEPT, "", people["receiving"])
    _sell(mine, drawn, people["sales"], day)
    return line.lot


def _receive(mine: dict[str, Any], by: User, day: date) -> Line:
    lot_row, row = mine["lot"], mine["line"]
    arrived = moment(day, lot_row["received"], 9, 50)
    with at(arrived):
        lot = Lot(
            supplier=Supplier.objects.get(name=lot_row["supplier"]), received_on=arrived.date(), note=lot_row["note"]
        )
        charges = [
            Charge(**{**charge, "amount": Decimal(charge["amount"]), "rate": Decimal(charge["rate"])})
            for charge in lot_row["charges"]
        ]
        booking.book_in(lot, charges, by)
        line = Line(
            type=ValveType.objects.get(designation=row["type"]),
            maker=Maker.objects.get(name=row["maker"]),
            condition=Line.Condition.SEALED,
            expected=row["pieces"],
            place=Place.objects.get(code=row["place"]),
        )
        (line,) = booking.add_lines(lot, [line], by)
    counted = moment(day, lot_row["received"], 15)
    with at(counted):
        booking.count_lines(lot, {line.pk: row["pieces"]}, by)
        packing = Packing(
            seal=Packing.Seal.PACK,
            carton_size=row["carton_size"],
            contract_marks=row["contract_marks"],
            pack_date=row["pack_date"],
        )
        packing = plans.describe(line, packing, by)
        plans.label_packs(line, by)
        likeliest, *_ = pack_dates.readings_of(packing)
        pack_dates.choose(packing, likeliest.reading.key, by)
    PackDateReading.objects.filter(packing=packing).update(at=counted)
    return line


def _plan(row: dict[str, Any], line: Line, by: User, day: date) -> SamplingPlan:
    when = moment(day, row["made"], 11, 15)
    terms = Terms(returnable_until=day + timedelta(days=row["returnable_days"]))
    with at(when), once(when):
        drawn = plans.make_plan(
            line, Iso(InspectionLevel(row["level"]), Decimal(row["aql"])), terms, by, seed=row["seed"]
        )
        plans.open_packs(drawn, drawn.sample_size, by)
    return drawn


def _test(
    row: dict[str, Any], drawn: SamplingPlan, people: dict[str, User], day: date, plan: dict[str, Any], seed: int
) -> None:
    """The sample at the bench: an afternoon's short shift."""
    weak = row["weak"]
    fault = {"line": 1, "position": weak["place"], "section": weak["section"], "weak": weak["gives"]}
    known = shifts.valves_of(drawn.line.lot, {"line": [row], "fault": [fault]}, Random(f"{seed} sealed"))[1]
    tester = Tester.objects.get(name=row["tester"])
    shifts.one_more(tester, known, row["begins"], plan, row["ago"], day, people, seed)


def _sell(mine: dict[str, Any], drawn: SamplingPlan, by: User, day: date) -> None:
    row, currency = mine["listing"], Shop.own().currency
    with at(moment(day, row["ago"], 12, 20)):
        title, text = listing.title(drawn, row["packs"]), listing.describe(drawn)
        listing.publish(drawn, row["packs"], title, text, Decimal(row["price"]), currency, by)
    row = mine["order"]
    with at(moment(day, row["ago"], 11, 35)):
        order = trade.take_order(Customer.objects.get(name=row["customer"]), by, row["note"])
        line = trade.ask(order, by, drawn.line.type.designation, 1, row["packs"], price=row["price"], sealed=True)
        for _ in range(row["packs"]):
            fresh = [option for option in orders.options(line) if option.listing is None]
            orders.set_aside(line, fresh[0].key, by)
