"""The demonstration's price book: a dozen rules, written by the functions that the pages call."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import User

from catalog.models import ValveType
from grading.demo.clock import at, moment, once
from grading.models import PriceDraft
from grading.prices import book, changing

# What it does, its number, and for which goods.
RULES: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("price", {"amount": "24.00"}, {"type": "12AX7"}),
    ("price", {"amount": "34.00"}, {"type": "EL84"}),
    ("price", {"amount": "27.50"}, {"type": "6SN7GT"}),
    ("price", {"amount": "6.00"}, {"type": "12AX7", "how": "untested"}),
    ("times-cost", {"factor": "3"}, {}),
    ("factor", {"factor": "1.15", "heading": "Grade"}, {"grade": "Excellent"}),
    ("factor", {"factor": "0.7", "heading": "Grade"}, {"grade": "Usable"}),
    ("factor", {"factor": "1.1", "heading": "Set"}, {"set_size": 2}),
    ("factor", {"factor": "1.2", "heading": "Set"}, {"set_size": 4}),
    ("factor", {"factor": "1.3", "heading": "Set"}, {"set_size": 4, "within_percent": 3.0}),
    ("floor", {"factor": "1.25"}, {}),
    ("rounding", {"step": "0.50"}, {}),
]


def price(people: dict[str, User], day: date) -> None:
    when = moment(day, 18, 9, 30)
    with at(when), once(when):
        for effect, does, asks in RULES:
            numbers = {name: value if name == "heading" else Decimal(value) for name, value in does.items()}
            of_type = {"type": ValveType.objects.get(designation=asks["type"])} if "type" in asks else {}
            draft = PriceDraft.objects.create(
                **{**numbers, **asks, **of_type},
                effect=effect,
                reason="the first price book",
                made_by=people["owner"],
                book=book.version(),
            )
            changing.put_in_force(draft, people["owner"])
