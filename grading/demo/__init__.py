"""An invented shop with a past, made from fixtures/demo.toml and a fixed seed.

Everything is done by the functions that the pages call, so the records are what the shop's work leaves
behind; only the readings are simulated (grading/demo/readings.py). The same day gives the same shop.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal
from functools import cache
from random import Random
from typing import Any

from django.conf import settings
from django.contrib.auth.models import User
from django.db import models, transaction

from grading.demo import delivery, goods, marks, offers, sealed, shifts, testers
from grading.demo.prices import price
from grading.demo.trade import trade
from grading.models import Reading
from stockroom.models import Customer, Lot, Order, Shop, Supplier
from stockroom.site.people import Role

NOTICE = "Demonstration: everything here is invented."
PASSWORD = "warm-cathode-1950"  # for a demonstration only, and printed by the command
SEED = 1950


def is_demo() -> bool:
    return Shop.objects.filter(notice=NOTICE).exists()


def is_empty() -> bool:
    """Nobody has begun to work in this shop."""
    begun: tuple[type[models.Model], ...] = (User, Supplier, Lot, Customer, Order, Reading)
    return not any(model._default_manager.exists() for model in begun)


@cache
def _plan() -> dict[str, Any]:
    return tomllib.loads((settings.BASE_DIR / "fixtures" / "demo.toml").read_text())


@transaction.atomic
def make(day: date) -> None:
    """Fill an empty shop. The valve types and a policy must be loaded."""
    plan, rng = _plan(), Random(SEED)
    people = goods.settle_in(plan, NOTICE, PASSWORD)
    testers.write_down(plan, people, day)
    lots = [(row, shifts.valves_of(goods.receive(row, people, day), row, rng)) for row in plan["lot"]]
    # Studies first, as they were: they say how well every later reading is known.
    for row in plan["study"]:
        _, valves = lots[0]
        shifts.study(row, plan, valves[row["line"]], people, day, SEED)
    waiting: shifts.Sessions = {}
    for row, valves in lots:
        waiting |= shifts.sessions(valves, row)
    shifts.work(plan, waiting, people, day, SEED)
    price(people, day)
    trade(people, day)
    delivery.deliver(people, day)
    marks.identify(people, day)
    sealed.deal(people, day, plan, SEED)
    offers.offer(people, day)


@transaction.atomic
def add_valves(count: int, day: date) -> Lot:
    """A lot of `count` valves, all tested and graded. Needs the shop that `make` made."""
    plan = _plan()["large_lot"]
    lines = [{**line, "pieces": pieces} for line, pieces in _parted(plan["line"], count) if pieces]
    a_shift = 4 * shifts.A_SHIFT
    days = -(-count // a_shift)
    people = {role.value: User.objects.filter(groups__name=role)[0] for role in (Role.RECEIVING, Role.BENCH)}
    cost = {"kind": "goods", "amount": Decimal(plan["price_each"]) * count, "currency": plan["currency"]}
    lot_plan = {
        "supplier": plan["supplier"],
        "received": days + 4,
        "note": plan["note"],
        "charges": [{**cost, "rate": plan["rate"]}],
        "begun": {plan["tester"]: days + 2},
        "line": [
            {
                **line,
                "expected": line["pieces"],
                "counted": line["pieces"],
                "serials": line["pieces"],
                "tested": {plan["tester"]: line["pieces"]},
                "place": plan["place"],
            }
            for line in lines
        ],
    }
    lot = goods.receive(lot_plan, people, day)
    valves = shifts.valves_of(lot, lot_plan, Random(f"{SEED} {lot}"))
    waiting = shifts.sessions(valves, lot_plan, a_shift)
    shifts.work(_plan(), waiting, people, day, SEED, checked=False)
    return lot


def _parted(lines: Sequence[dict[str, Any]], count: int) -> Iterator[tuple[dict[str, Any], int]]:
    """The count over the lines by their parts; the last takes what is left over."""
    whole = sum(line["part"] for line in lines)
    left = count
    for line in lines[:-1]:
        pieces = count * line["part"] // whole
        left -= pieces
        yield line, pieces
    yield lines[-1], left


def set_password(password: str) -> None:
    """Of every login of the demonstration."""
    for user in User.objects.filter(username__in=[role.value for role in Role]):
        user.set_password(password)
        user.save(update_fields=["password"])
