"""What the certificate of a set or a single valve says, gathered from the records."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from typing import Any

from django.db.models import F, Window
from django.db.models.functions import RowNumber
from django.utils import timezone

from catalog.models import TestPoint
from grading.drawing.plot import NUMBER_IN_SET, Point, SetChart
from grading.listings.publishing import sold_before
from grading.metrology.quantities import CLAIMING, Quantity, numbers_of
from grading.models import Grade, MatchedSet, Member, Reading
from grading.papers.pure import certificate as paper
from grading.sets import doubts, making
from grading.sets.stating import stated_of_set
from grading.testers.records import BasisKind
from grading.verdicts.graded import graded_values, sections_as_graded
from grading.verdicts.pure.graded import GradedSection
from grading.verdicts.stating import Stated, stated, values_of
from grading.verdicts.values import Bench, JudgedSpread, Value, claim, spread_of
from stockroom.marks.called import called_apart, called_together
from stockroom.models import Shop, Valve
from stockroom.pure.refused import Refused
from stockroom.pure.written import day, noun

MOST_SIBLINGS = 1000
GRADE_WITH = ("grade__policy", "grade__valve__type")
READINGS_OF_GRADE = (
    "grade__readings__test_point__source",
    "grade__readings__test_point__section__type",
    "grade__readings__shift__tester",
    "grade__readings__shift__operator",
    "grade__readings__superseded_by",
)


class CannotCertify(Refused):
    """The set's readings do not make a certificate. The message says why."""


def certificate_data(matched: MatchedSet, issued_on: date) -> paper.CertificateData:
    """Everything that stands on the certificate of `matched`.

    Raises:
        CannotCertify: it has no valves, it no longer holds, or a section was read at different test points.
    """
    members = list(matched.members.select_related("valve", *GRADE_WITH).prefetch_related(*READINGS_OF_GRADE))
    if not members:
        raise CannotCertify(f"{matched.number} has no valves.")
    if why := doubts.why_doubtful(matched):
        raise CannotCertify(f"{matched.number} no longer holds: {why}.")
    grades = [member.grade for member in members]
    common = _common(grades)
    charts, siblings = _charts(matched, grades, common["members"], _test_points(_readings(grades)))
    spreads = _spreads(members, matched.tolerance_percent / 100)
    return paper.CertificateData(
        **{
            **common,
            "number": matched.number,
            "name": matched.name,
            "made_on": timezone.localdate(matched.made_at),
            "issued_on": issued_on,
            "tolerance_percent": matched.tolerance_percent,
            "spreads": tuple(_printed(spread, p) for spread, p in spreads),
            "charts": charts,
            "siblings": siblings,
            "notes": (
                *filter(None, [called_apart([grade.valve for grade in grades])]),
                *_corrections(grades),
                *doubts.read_since(matched),
                *sold_before([grade.valve for grade in grades]),
                *doubts.not_tested(grades),
            ),
            "void": _void(matched),
            "said": (
                *common["said"],
                *map(_said, stated_of_set(matched, [spread for spread, _ in spreads], making.why_no_interval(members))),
            ),
        }
    )


def valve_certificate_data(valve: Valve, issued_on: date) -> paper.CertificateData:
    """The same for one valve, on the grade that it has now.

    Raises:
        CannotCertify: it has no grade that may be sold, or it is in a set, whose certificate speaks for it.
    """
    grade = (
        Grade.objects.filter(valve=valve, current=True)
        .select_related("policy", "valve__type")
        .prefetch_related(*(name.removeprefix("grade__") for name in READINGS_OF_GRADE))
        .first()
    )
    if grade is None or not grade.saleable:
        raise CannotCertify(f"{valve} has no grade that may be sold.")
    if valve.written_off:
        raise CannotCertify(f"{valve} is written off: {valve.written_off}.")
    if member := valve.memberships.filter(live=True).select_related("set").first():
        raise CannotCertify(f"{valve} is in the set {member.set.number}, whose certificate speaks for it.")
    return paper.CertificateData(
        **{
            **_common([grade]),
            "number": valve.serial,
            "name": "",
            "made_on": timezone.localdate(grade.given_at),
            "issued_on": issued_on,
            "tolerance_percent": None,
            "spreads": (),
            "charts": (),
            "siblings": "",
            "notes": (*_corrections([grade]), *sold_before([valve]), *doubts.not_tested([grade])),
            "reasons": tuple(grade.reasons),
        }
    )


def _common(grades: Sequence[Grade]) -> dict[str, Any]:
    """What a certificate says of its valves, one or several."""
    shop, type_, bench = Shop.own(), grades[0].valve.type, Bench()
    claimed = values_of(grades)
    points = _test_points(_readings(grades))
    policies = sorted({grade.policy for grade in grades}, key=lambda policy: policy.version)
    return {
        "shop": shop.name,
        "shop_lines": tuple(filter(None, [*shop.address.splitlines(), shop.email, shop.web_address])),
        "notice": shop.notice,
        "type": called_together([grade.valve for grade in grades]),
        "kind": type_.kind,
        "policy": "; ".join(str(policy) for policy in policies),
        "members": tuple(
            paper.CertifiedValve(grade.valve.serial, grade.name, sections_as_graded(grade, bench)) for grade in grades
        ),
        "nominals": tuple(_nominal(section, point, claimed) for section, point in points.items()),
        "measured": _measured(_readings(grades)),
        "cautions": tuple(type_.caution_sentences),
        "said": tuple(map(_said, stated(grades))),
    }


def _said(row: Stated) -> paper.SaidRow:
    if row.policy is None:
        return paper.SaidRow(row.label, row.text)
    site = Shop.own().web_address.rstrip("/")
    address = f"{site}{row.policy.get_absolute_url()}" if site else ""
    return paper.SaidRow(row.label, row.text, str(row.policy), address)


def _readings(grades: Iterable[Grade]) -> list[Reading]:
    return [
        reading for grade in grades for reading in sorted(grade.readings.all(), key=lambda reading: reading.section)
    ]


def _nominal(section: int, point: TestPoint, claimed: Sequence[Value]) -> paper.Nominal:
    """What the section was compared with: the sheet's nominal, or the house's where a tester differs from the sheet."""
    own = [value for value in claimed if value.section == section]
    values = {quantity: nominal for quantity in CLAIMING if (nominal := quantity.limits(point)[0]) is not None}
    values |= {Quantity(value.quantity): value.nominal for value in own if value.nominal is not None}
    house = any(value.kind == BasisKind.HOUSE for value in own)
    stands = next((value.conditions for value in own), point.conditions)
    return paper.Nominal(section, stands, values, "our own valves, as said below" if house else point.cited)


def _level(nominal: paper.Nominal, by_gm: bool) -> Point | None:
    if Quantity.ANODE_CURRENT not in nominal.values:
        return None
    return Point(nominal.values.get(Quantity.GM) if by_gm else None, nominal.values[Quantity.ANODE_CURRENT])


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


def _spreads(members: Sequence[Member], tolerance: float) -> list[tuple[JudgedSpread, float | None]]:
    """Each quantity's spread, and how probable it is to be within the tolerance."""
    rows = making.figures([member.grade for member in members]).rows.values()
    found = []
    for values in zip(*rows, strict=True):
        decision = claim(values, tolerance, 0.95)
        found.append((spread_of(values), decision.conformance_probability if decision else None))
    return found


def _printed(spread: JudgedSpread, probability: float | None) -> paper.CertifiedSpread:
    return paper.CertifiedSpread(
        spread.quantity,
        spread.section,
        spread.smallest,
        spread.largest,
        spread.nominal,
        spread.spread,
        spread.expanded_uncertainty,
        probability,
    )


def _measured(readings: Sequence[Reading]) -> tuple[paper.CertifiedQuantity, ...]:
    days: dict[tuple[str, str], list[date]] = defaultdict(list)
    for reading in readings:
        who = (reading.shift.tester.name, reading.shift.operator.get_username())
        days[who].append(timezone.localdate(reading.taken_at))
    return tuple(paper.CertifiedQuantity(*who, min(on), max(on)) for who, on in sorted(days.items()))


def _corrections(grades: Iterable[Grade]) -> Iterator[str]:
    """Readings that corrected earlier ones, and readings that have been corrected since."""
    for grade in grades:
        for reading in _readings([grade]):
            where = f"{grade.valve.serial}, section {reading.section}"
            if reading.supersedes_id:
                yield f"{where}: corrected on {day(timezone.localdate(reading.taken_at))}: {reading.reason}"
            later = getattr(reading, "superseded_by", None)
            if later:
                now = [f"{quantity.symbol} {quantity.shown(value)}" for quantity, value in numbers_of(later).items()]
                yield (
                    f"{where}: since this set was made the reading has been corrected, on "
                    f"{day(timezone.localdate(later.taken_at))}, to {', '.join(now) or 'no reading'}: {later.reason}"
                )


def _void(matched: MatchedSet) -> str:
    if not matched.broken_at:
        return ""
    on = day(timezone.localdate(matched.broken_at))
    return f"This set was broken up on {on}: {matched.broken_because}. This certificate no longer stands."


def _charts(
    matched: MatchedSet, grades: Sequence[Grade], members: Sequence[paper.CertifiedValve], points: dict[int, TestPoint]
) -> tuple[tuple[SetChart, ...], str]:
    """A chart a section, and words for the siblings on them: the type's other graded valves."""
    own_values = values_of(grades)
    stands_at = {value.stands_at for value in own_values}
    of_type = Grade.objects.filter(current=True, valve__type=matched.type).order_by("valve__serial")
    others = of_type.exclude(valve__in=[grade.valve_id for grade in grades])
    count = others.count()
    every = -(-count // MOST_SIBLINGS) or 1
    if every > 1:
        in_turn = others.annotate(place=Window(RowNumber(), order_by=F("valve__serial").asc()))
        others = in_turn.filter(place__in=range(1, count + 1, every))
    found: dict[int, list[GradedSection]] = {}
    ia, gm = Quantity.ANODE_CURRENT, Quantity.GM
    for valve, measured in others.values_list("valve", "measured"):
        alike = [value for value in map(Value.read, measured) if value.stands_at in stands_at]
        results = [
            GradedSection(section, graded_values([value for value in alike if value.section == section]))
            for section in points
        ]
        if any(ia in result.values for result in results):
            found[valve] = results
    shown = list(found)

    charts = []
    for section, point in points.items():
        own = [result for member in members for result in member.results if result.section == section]
        if any(ia not in result.values for result in own):
            continue
        by_gm = all(gm in result.values for result in own)
        nominal = _nominal(section, point, own_values)
        charts.append(
            SetChart(
                title=f"Section {section}" if len(points) > 1 else matched.type.designation,
                x_name=gm.column if by_gm else NUMBER_IN_SET,
                y_name=ia.column,
                members=tuple(
                    Point(result.values[gm].value if by_gm else place, result.values[ia].value)
                    for place, result in enumerate(own, start=1)
                ),
                nominal=_level(nominal, by_gm),
                siblings=tuple(
                    Point(result.values[gm].value if by_gm else None, result.values[ia].value)
                    for valve in shown
                    for result in found[valve]
                    if result.section == section and ia in result.values and (gm in result.values or not by_gm)
                ),
                tolerance=matched.tolerance_percent / 100,
            )
        )
    many = f"{len(shown)} of {count}" if every > 1 else str(len(shown))
    of = noun(count if every > 1 else len(shown), "other graded valve of this type", "other graded valves of this type")
    return tuple(charts), f"{many} {of}" if shown else ""
