"""What the demonstration shop knows of its makers, and what it has read on some valves (fixtures/demo_marks.toml)."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import date
from typing import Any

from django.conf import settings
from django.contrib.auth.models import User

from catalog.models import ValveType
from grading.demo import drawings
from grading.demo.clock import at, moment
from grading.demo.delivery import photograph
from stockroom.marks import identity
from stockroom.marks.identity import MarksSeen
from stockroom.marks.pure.identification import YearsKnown
from stockroom.marks.register import Register
from stockroom.models import Line, Listing, Lot, Maker, MarkWarning, Valve
from stockroom.photographs.storing import set_public
from stockroom.states import State

WRITTEN_DOWN, READ = (25, 9, 30), (6, 13, 10)  # working days ago, hour, minute


def identify(people: dict[str, User], day: date) -> None:
    plan = tomllib.loads((settings.BASE_DIR / "fixtures" / "demo_marks.toml").read_text())
    with at(moment(day, *WRITTEN_DOWN)):
        _register(plan, people["receiving"])
    with at(moment(day, *READ)):
        free = {number: _free(number) for number in {row["line"] for row in plan["valve"]}}
        for row in plan["valve"]:
            _read(next(free[row["line"]]), row, people["receiving"])
        MarkWarning.objects.exclude(dismissed_at=None).update(dismissed_at=moment(day, *READ))
        _show_to_the_public(people["sales"])


def _register(plan: dict[str, Any], by: User) -> None:
    for row in plan["maker"]:
        maker = Maker.objects.get(name=row["name"])
        maker.first_year, maker.last_year = row.get("first_year"), row.get("last_year")
        maker.save()
        for name, kind in (("source_codes", "number"), ("letters", "letters"), ("plants", "plant")):
            identity.set_source_codes(maker, row.get(name, []), by, kind)
    for row in plan["construction"]:
        maker = Maker.objects.get(name=row["maker"])
        type_ = ValveType.objects.get(designation=row["type"]) if "type" in row else None
        for feature, words in row["features"].items():
            for word in words:
                identity.learn(maker, type_, feature, word, row.get("note", ""), by, YearsKnown(*row.get("years", [])))


def _free(number: int) -> Iterator[Valve]:
    """Graded valves of this line of the first lot that are in no set and on no order or listing."""
    line = Line.objects.get(lot=Lot.objects.earliest("pk"), number=number)
    graded = line.valves.filter(state=State.GRADED, memberships=None, allocations=None, listings=None)
    return iter(graded.select_related("type", "maker", "line__lot").order_by("serial"))


def _read(valve: Valve, row: dict[str, Any], by: User) -> None:
    received = valve.line.lot.received_on
    others = identity.others_of_line(valve.line, [valve.pk])
    ranked = identity.rank_code(row["code"], valve.type, received, others, Register())
    chosen = [one.reading.key for one in ranked if one.reading.words == row.get("reading")]
    seen = MarksSeen(
        type=valve.type,
        maker=valve.maker,
        code=row["code"],
        chosen=chosen[0] if "reading" in row else "",
        features=row.get("features", {}),
        condition=row.get("condition", {}),
        note=row.get("note", ""),
    )
    identity.record(valve, seen, by)
    if "photograph" in row:
        photograph(valve, row["photograph"]["name"], drawings.jpeg(1, row["photograph"]["words"]), by)
    if "dismissed" in row:
        for warning in valve.warnings.open():
            identity.dismiss(warning, row["dismissed"], by)
    if "cleaned" in row:
        identity.clean(valve, row["cleaned"]["how"], row["cleaned"]["note"], by)


def _show_to_the_public(by: User) -> None:
    """A picture for a single valve that is for sale."""
    listing = next(one for one in Listing.objects.for_public_display().order_by("number") if one.listed.count() == 1)
    valve = Valve.objects.select_related("type", "line").get(listings__listing=listing)
    photograph(valve, f"{valve}.jpg", drawings.jpeg(1, f"{valve.type}"), by)
    key = valve.photographs.get().pk
    set_public(valve, [key], [key], by)
