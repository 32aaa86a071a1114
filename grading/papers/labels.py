"""Which valves get a label, and what stands on it."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import QuerySet

from grading.metrology.quantities import Quantity
from grading.models import Grade, MatchedSet
from grading.papers.pure.labels import Label, LabelSection
from grading.verdicts import judging
from grading.verdicts.judging import Evidence
from grading.verdicts.values import Bench, values_of
from stockroom.models import Line, Lot, Shop, Valve
from stockroom.pure.refused import Refused
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.site.chunks import CHUNK, chunked

PRINTED = ("type", "line__lot", "place")
RANGE = re.compile(r"(\d{8})\s*[-–]\s*(\d{8})")


class NothingToLabel(Refused):
    """No valve is named by this. The message says what is wrong with it."""


def of_line(text: str) -> list[Valve]:
    """The valves of a line written as on its page, "L0001/2"."""
    lot, _, number = text.strip().partition("/")
    line = Line.objects.filter(lot__number__iexact=lot, number=int(number)).first() if number.isdecimal() else None
    if line is None:
        raise NothingToLabel(f"There is no line “{text}”. Write lot and line, such as L0001/2.")
    return _with_serials(line.valves.all(), f"Line {line}")


def of_lot(text: str) -> list[Valve]:
    lot = Lot.objects.filter(number__iexact=text.strip()).first()
    if lot is None:
        raise NothingToLabel(f"There is no lot “{text}”.")
    return _with_serials(Valve.objects.filter(line__lot=lot), f"Lot {lot}")


def _with_serials(valves: QuerySet[Valve], what: str) -> list[Valve]:
    found = list(valves.select_related(*PRINTED).order_by("serial"))
    if not found:
        raise NothingToLabel(f"{what} has no valves with serials yet: its pieces are in bulk. Give them serials first.")
    return found


def of_set(text: str) -> list[Valve]:
    """The members of a set, in their order."""
    matched = MatchedSet.objects.filter(number__iexact=text.strip()).first()
    if matched is None:
        raise NothingToLabel(f"There is no set “{text}”.")
    members = matched.members.select_related("valve__type", "valve__line__lot", "valve__place")
    return [member.valve for member in members.order_by("position")]


def of_serials(text: str) -> list[Valve]:
    """Serials apart by spaces, commas or line ends, in the order given; "10000012-10005003" is a range of them."""
    valves: list[Valve] = []
    for first, last in RANGE.findall(text):
        valves += _of_range(first, last)
    singles = [_serial(one) for one in re.split(r"[\s,;]+", RANGE.sub(" ", text)) if one]
    found = {
        valve.serial: valve
        for start in range(0, len(singles), CHUNK)
        for valve in Valve.objects.filter(serial__in=singles[start : start + CHUNK]).select_related(*PRINTED)
    }
    for serial in singles:
        if serial not in found:
            raise NothingToLabel(f"No valve has the serial {serial}.")
        valves.append(found[serial])
    return valves


def _of_range(first: str, last: str) -> list[Valve]:
    low, high = _serial(first), _serial(last)
    if low > high:
        raise NothingToLabel(f"The range {low}-{high} runs backwards: write the smaller serial first.")
    found = list(Valve.objects.filter(serial__gte=low, serial__lte=high).select_related(*PRINTED).order_by("serial"))
    if not found:
        raise NothingToLabel(f"No valve has a serial from {low} to {high}.")
    return found


def _serial(text: str) -> str:
    try:
        return read_serial(text)
    except BadSerial as problem:
        raise NothingToLabel(str(problem)) from problem


def labels_for(valves: Sequence[Valve], shop: Shop) -> list[Label]:
    """A graded valve shows its grade and the readings the grade rests on; another what has been read, if anything."""
    graded = {
        grade.valve_id: grade
        for keys in chunked([valve.pk for valve in valves])
        for grade in Grade.objects.filter(valve__in=keys, current=True)
    }
    bench = Bench()
    read = judging.evidence_for([valve for valve in valves if valve.pk not in graded], bench)
    address = shop.web_address.rstrip("/")
    labels = []
    for valve in valves:
        grade = graded.get(valve.pk)
        labels.append(
            Label(
                serial=valve.serial,
                type=valve.called,
                grade=grade.name if grade else "",
                sections=_shown(grade.measured if grade else _read(read[valve.pk], bench)),
                square_text=address + valve.get_absolute_url() if address else valve.serial,
                line=str(valve.line),
                place=valve.place.code if valve.place else "",
            )
        )
    return labels


def _shown(measured: Iterable[dict[str, Any]]) -> tuple[LabelSection, ...]:
    """Stored rows of `grading.verdicts.values.Value`."""
    values: dict[int, dict[Quantity, float]] = defaultdict(dict)
    for row in measured:
        values[row["section"]][Quantity(row["quantity"])] = row["value"]
    return tuple(LabelSection(section, of_section) for section, of_section in sorted(values.items()))


def _read(evidence: Evidence, bench: Bench) -> list[dict[str, Any]]:
    """What has been read of a valve that is not graded yet."""
    return [value.stored() for repeats in evidence.repeats.values() for value in values_of(repeats, bench)]
