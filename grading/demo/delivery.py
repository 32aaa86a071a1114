"""The demonstration's delivery with discrepancies: short, over, of the wrong type and broken; the claim, the answer and
the credit that lowers its cost (fixtures/demo_delivery.toml).
"""

from __future__ import annotations

import tomllib
from datetime import date
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.contrib.auth.models import User
from django.core.files.uploadedfile import SimpleUploadedFile

from catalog.models import ValveType
from grading.demo import drawings, goods
from grading.demo.clock import at, moment
from stockroom.claims import claiming
from stockroom.models import Claim, ClaimStep, Credit, Fault, Lot
from stockroom.models.photographs import Subject
from stockroom.photographs import storing


def deliver(people: dict[str, User], day: date) -> Lot:
    """Received, counted, claimed, answered in part, credited."""
    plan = tomllib.loads((settings.BASE_DIR / "fixtures" / "demo_delivery.toml").read_text())
    by = people["receiving"]
    lot = goods.receive(plan["lot"], people, day)
    lines = {line.number: line for line in lot.lines.all()}
    with at(moment(day, plan["lot"]["received"] - 1, 10, 5)):
        for row in plan["fault"]:
            found = row.get("found_type")
            fault = Fault(
                kind=row["kind"],
                pieces=row["pieces"],
                note=row["note"],
                found_type=ValveType.objects.get(designation=found) if found else None,
            )
            claiming.note_fault(lines[row["line"]], fault, by)
        for row in plan["photograph"]:
            drawn = drawings.jpeg(row["row"], row["words"], row.get("broken", []))
            photograph(lines.get(row["line"], lot), row["name"], drawn, by)
    _claim(lot, plan["claim"], lot.charges.get(kind="goods").rate, by, day)
    return lot


def photograph(subject: Subject, name: str, jpeg: bytes, by: User) -> None:
    storing.receive([SimpleUploadedFile(name, jpeg, "image/jpeg")], subject, by)
    storing.process_waiting()


def _claim(lot: Lot, plan: dict[str, Any], rate: Decimal, by: User, day: date) -> None:
    with at(moment(day, plan["made"], 15, 20)):
        claim = claiming.make_claim(lot, plan["reference"], plan["text"], by)
    refused = sum((row.amount for row in claim.rows.filter(kind=plan["refused"])), Decimal(0))
    agreed = claim.amount - refused
    steps = ClaimStep.Kind
    for step, ago in (
        (ClaimStep(kind=steps.SENT), plan["sent"]),
        (ClaimStep(kind=steps.AGREED, amount=agreed, note=plan["answer"]), plan["answered"]),
    ):
        when = moment(day, ago, 16)
        step.on = when.date()
        with at(when):
            claiming.take_step(claim, step, by)
    when = moment(day, plan["credited"], 11, 30)
    credit = Credit(amount=agreed, currency=claim.currency, rate=rate, on=when.date(), note=plan["credit"])
    with at(when):
        claiming.enter_credit(Claim.objects.get(pk=claim.pk), credit, by)
