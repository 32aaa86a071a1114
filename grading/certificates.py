"""What a set's certificate says, gathered from the records.

- `certificate_data(matched, issued_on)`: the readings are those its members' grades rested on when it was made,
  so what was claimed then is what prints, whatever has been read since; later corrections are noted.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import date

from django.utils import timezone

from catalog.models import TestPoint
from grading import sets
from grading.models import MatchedSet, Member, Reading
from grading.paper import certificate as paper
from grading.paper.page import day, number
from grading.paper.plot import NUMBER_IN_SET, Chart, Point
from stockroom.models import Shop

MOST_SIBLINGS = 1000


class CannotCertify(Exception):
    """The set's readings do not make a certificate. The message says why."""


def certificate_data(matched: MatchedSet, issued_on: date) -> paper.CertificateData:
    """Everything that stands on the certificate of `matched`.

    Raises:
        CannotCertify: it has no valves, or a section was read at different test points.
    """
    members = list(
        matched.members.select_related("valve", "grade__policy").prefetch_related(
            "grade__readings__test_point__source", "grade__readings__shift__tester",
            "grade__readings__shift__operator", "grade__readings__superseded_by",
        )
    )  # fmt: skip
    if not members:
        raise CannotCertify(f"{matched.number} has no valves.")
    readings = {member.pk: sorted(member.grade.readings.all(), key=lambda r: r.section) for member in members}
    everything = [reading for of_one in readings.values() for reading in of_one]
    points = _test_points(everything)
    shop = Shop.own()
    charts, siblings = _charts(matched, members, readings, points)
    policies = sorted({member.grade.policy for member in members}, key=lambda policy: policy.version)
    return paper.CertificateData(
        shop=shop.name,
        shop_lines=tuple(filter(None, [*shop.address.splitlines(), shop.email, shop.web_address])),
        notice=shop.notice,
        number=matched.number,
        name=matched.name,
        type=matched.type.designation,
        kind=matched.type.kind,
        made_on=timezone.localdate(matched.made_at),
        issued_on=issued_on,
        tolerance_percent=matched.tolerance_percent,
        policy="; ".join(str(policy) for policy in policies),
        members=tuple(
            paper.Member(
                member.valve.serial, member.grade.name,
                tuple(paper.Result(r.section, r.anode_current_ma, r.gm_ma_per_v) for r in readings[member.pk]),
            )
            for member in members
        ),
        nominals=tuple(
            paper.Nominal(section, point.conditions, point.anode_current_ma, point.gm_ma_per_v, point.cited)
            for section, point in points.items()
        ),
        spreads=_spreads(members, points),
        measured=_measured(everything),
        charts=charts,
        siblings=siblings,
        notes=tuple(_notes(members, readings)),
        cautions=tuple(matched.type.caution_sentences),
        void=_void(matched),
    )  # fmt: skip


def _test_points(readings: Sequence[Reading]) -> dict[int, TestPoint]:
    """The one test point of each section; values read at different ones cannot be set side by side."""
    points: dict[int, TestPoint] = {}
    for reading in readings:
        known = points.setdefault(reading.section, reading.test_point)
        if known.pk != reading.test_point_id:
            raise CannotCertify(
                f"Section {reading.section} was read at {known.conditions} on one valve and at "
                f"{reading.test_point.conditions} on another: those readings cannot be compared."
            )
    return dict(sorted(points.items()))


def _spreads(members: Sequence[Member], points: dict[int, TestPoint]) -> tuple[paper.Spread, ...]:
    figures = sets.figures([member.grade for member in members])
    rows = []
    for column, (quantity, spread) in enumerate(sets.spread_of(members)):
        values = [row[column] for row in figures.rows.values()]
        point = points[quantity.section]
        nominal = point.anode_current_ma if quantity.label == "Ia" else point.gm_ma_per_v
        rows.append(
            paper.Spread(quantity.label, quantity.unit, quantity.section, min(values), max(values), nominal, spread)
        )
    return tuple(rows)


def _measured(readings: Sequence[Reading]) -> tuple[paper.Measured, ...]:
    days: dict[tuple[str, str], list[date]] = defaultdict(list)
    for reading in readings:
        who = (reading.shift.tester.name, reading.shift.operator.get_username())
        days[who].append(timezone.localdate(reading.taken_at))
    return tuple(paper.Measured(*who, min(on), max(on)) for who, on in sorted(days.items()))


def _notes(members: Sequence[Member], readings: dict[int, list[Reading]]) -> Iterator[str]:
    """Readings that corrected earlier ones, and readings that have been corrected since."""
    for member in members:
        for reading in readings[member.pk]:
            where = f"{member.valve.serial}, section {reading.section}"
            if reading.supersedes_id:
                yield f"{where}: corrected on {day(timezone.localdate(reading.taken_at))}: {reading.reason}"
            later = getattr(reading, "superseded_by", None)
            if later:
                yield (
                    f"{where}: since this set was made the reading has been corrected, on "
                    f"{day(timezone.localdate(later.taken_at))}, to Ia {number(later.anode_current_ma)} mA, "
                    f"gm {number(later.gm_ma_per_v)} mA/V: {later.reason}"
                )


def _void(matched: MatchedSet) -> str:
    if not matched.broken_at:
        return ""
    on = day(timezone.localdate(matched.broken_at))
    return f"This set was broken up on {on}: {matched.broken_because}. This certificate no longer stands."


def _charts(
    matched: MatchedSet, members: Sequence[Member], readings: dict[int, list[Reading]], points: dict[int, TestPoint]
) -> tuple[tuple[Chart, ...], str]:
    """A chart a section, and words for the siblings on them: the type's other graded valves."""
    others = (
        Reading.objects.filter(grades__standing=True, grades__valve__type=matched.type)
        .exclude(valve__in=[member.valve_id for member in members])
        .filter(test_point__in=points.values())
        .order_by("valve__serial")
        .values_list("valve", "section", "gm_ma_per_v", "anode_current_ma")
    )
    found: dict[int, list[tuple[int, float | None, float]]] = defaultdict(list)
    for valve, section, gm, ia in others:
        if ia is not None:
            found[valve].append((section, gm, ia))
    valves = list(found)
    shown = valves[:: -(-len(valves) // MOST_SIBLINGS) or 1]

    charts = []
    for section, point in points.items():
        own = [reading for of_one in readings.values() for reading in of_one if reading.section == section]
        if any(reading.anode_current_ma is None for reading in own):
            continue
        by_gm = all(reading.gm_ma_per_v is not None for reading in own)
        charts.append(
            Chart(
                title=f"Section {section}" if len(points) > 1 else matched.type.designation,
                x_name="gm, mA/V" if by_gm else NUMBER_IN_SET,
                y_name="Ia, mA",
                members=tuple(
                    Point(reading.gm_ma_per_v if by_gm else place, reading.anode_current_ma or 0.0)
                    for place, reading in enumerate(own, start=1)
                ),
                nominal=Point(point.gm_ma_per_v if by_gm else None, point.anode_current_ma),
                siblings=tuple(
                    Point(gm if by_gm else None, ia)
                    for valve in shown
                    for number_, gm, ia in found[valve]
                    if number_ == section and (gm is not None or not by_gm)
                ),
                tolerance=matched.tolerance_percent / 100,
            )
        )
    many = f"{len(shown)} of {len(valves)}" if len(shown) < len(valves) else str(len(valves))
    noun = "valve" if len(valves) == 1 else "valves"
    return tuple(charts), f"{many} other graded {noun} of this type" if valves else ""
