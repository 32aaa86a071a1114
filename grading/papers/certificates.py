"""What a set's certificate says, gathered from the records."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date

from django.utils import timezone

from catalog.models import TestPoint
from grading.drawing.plot import NUMBER_IN_SET, Point, SetChart
from grading.metrology.quantities import CLAIMING, FAULTS, Quantity, numbers_of
from grading.models import Grade, MatchedSet, Member, Reading
from grading.papers.pure import certificate as paper
from grading.sets import doubts, making
from grading.testers.records import BasisKind
from grading.verdicts.repeats import Repeats, by_section
from grading.verdicts.values import JudgedSpread, Value, claim, spread_of
from stockroom.models import Shop
from stockroom.pure.refused import Refused
from stockroom.pure.written import day, noun

MOST_SIBLINGS = 1000


class CannotCertify(Refused):
    """The set's readings do not make a certificate. The message says why."""


def certificate_data(matched: MatchedSet, issued_on: date) -> paper.CertificateData:
    """Everything that stands on the certificate of `matched`.

    Raises:
        CannotCertify: it has no valves, it no longer holds, or a section was read at different test points.
    """
    members = list(
        matched.members.select_related("valve", "grade__policy", "grade__valve").prefetch_related(
            "grade__readings__test_point__source",
            "grade__readings__test_point__section",
            "grade__readings__shift__tester",
            "grade__readings__shift__operator",
            "grade__readings__superseded_by",
        )
    )
    if not members:
        raise CannotCertify(f"{matched.number} has no valves.")
    if why := doubts.why_doubtful(matched):
        raise CannotCertify(f"{matched.number} no longer holds: {why}.")
    readings = {member.pk: sorted(member.grade.readings.all(), key=lambda r: r.section) for member in members}
    values = {member.pk: [Value.read(row) for row in member.grade.measured] for member in members}
    everything = [reading for of_one in readings.values() for reading in of_one]
    points = _test_points(everything)
    shop = Shop.own()
    charts, siblings = _charts(matched, members, values, points)
    claimed = [value for of_one in values.values() for value in of_one]
    spreads = _spreads(members, matched.tolerance_percent / 100)
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
            paper.CertifiedValve(
                member.valve.serial,
                member.grade.name,
                _results(values[member.pk], points, by_section(readings[member.pk])),
            )
            for member in members
        ),
        nominals=tuple(_nominal(section, point, claimed) for section, point in points.items()),
        spreads=tuple(_printed(spread, p) for spread, p in spreads),
        measured=_measured(everything),
        charts=charts,
        siblings=siblings,
        notes=(
            *_notes(members, readings),
            *doubts.read_since(matched),
            *doubts.not_tested(member.grade for member in members),
        ),
        cautions=tuple(matched.type.caution_sentences),
        void=_void(matched),
        compared=tuple(sorted({value.basis for value in claimed})),
        uncertainty=_uncertainty(claimed, [spread for spread, _ in spreads]),
        wanting=_wanting(claimed, [spread for spread, _ in spreads]),
    )


def _results(
    values: Sequence[Value], sections: Iterable[int], repeats: Mapping[int, Repeats] = {}
) -> tuple[paper.CertifiedValue, ...]:
    results = []
    for section in sections:
        own = {Quantity(value.quantity): value for value in values if value.section == section}
        also = repeats.get(section)
        worst = {quantity: also.worst(quantity) for quantity in FAULTS} if also else {}
        results.append(
            paper.CertifiedValue(
                section,
                {quantity: value.value for quantity, value in own.items()},
                {one: v.expanded_uncertainty for one, v in own.items() if v.expanded_uncertainty is not None},
                {quantity: value for quantity, value in worst.items() if value is not None},
                also.noise if also else "",
            )
        )
    return tuple(results)


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


def _uncertainty(values: Sequence[Value], spreads: Sequence[JudgedSpread]) -> str:
    """What stands behind each ± and p; nothing where there is none."""
    said = []
    if values and all(value.expanded_uncertainty is not None for value in values):
        k = _factors(value.coverage_factor for value in values)
        said.append(
            f"± is the expanded uncertainty by JCGM 100, coverage factor {k}, for a coverage of about 95 %; it rests "
            f"on {_listed(words for value in values for words in value.resting_on)}."
        )
    known = [spread for spread in spreads if spread.expanded_uncertainty is not None]
    if known:
        cancels = (
            "what the readings of one tester share cancels"
            if all(spread.common for spread in known)
            else "they were read on two testers, or before and after one was changed, so that nothing cancels"
        )
        said.append(
            f"The ± of a spread is of the comparison, by JCGM 100 with a coverage factor of "
            f"{_factors(spread.coverage_factor for spread in known)}, also for about 95 %: {cancels}. "
            "p is the probability that the true spread lies within what was asked, by JCGM 106."
        )
    return " ".join(said)


def _factors(factors: Iterable[float | None]) -> str:
    found = sorted({round(factor, 2) for factor in factors if factor is not None})
    return f"{found[0]:.2f}" if len(found) == 1 else f"{found[0]:.2f} to {found[-1]:.2f}"


def _listed(words: Iterable[str]) -> str:
    return "; ".join(sorted(set(words)))


def _wanting(values: Sequence[Value], spreads: Sequence[JudgedSpread]) -> str:
    """What nobody has written down of the testers, and what is then not stated."""
    said = []
    if wanting := _listed(words for value in values for words in value.wanting):
        and_spreads = any(spread.expanded_uncertainty is None for spread in spreads)
        what = "the readings and the spreads" if and_spreads else "the readings"
        said.append(f"No ± of {what} is stated, for something is wanting: {wanting}.")
    counted = (value.overdue for value in values if value.overdue and value.overdue not in value.wanting)
    if overdue := _listed(counted):
        said.append(f"Counted as it was, though late: {overdue}.")
    return " ".join(said)


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


def _notes(members: Sequence[Member], readings: dict[int, list[Reading]]) -> Iterator[str]:
    """Readings that corrected earlier ones, and readings that have been corrected since."""
    for member in members:
        for reading in readings[member.pk]:
            where = f"{member.valve.serial}, section {reading.section}"
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
    matched: MatchedSet, members: Sequence[Member], values: dict[int, list[Value]], points: dict[int, TestPoint]
) -> tuple[tuple[SetChart, ...], str]:
    """A chart a section, and words for the siblings on them: the type's other graded valves."""
    own_values = [value for of_one in values.values() for value in of_one]
    stands_at = {value.stands_at for value in own_values}
    results_of = [_results(values[member.pk], points) for member in members]
    grades = Grade.objects.filter(current=True, valve__type=matched.type).order_by("valve__serial")
    others = grades.exclude(valve__in=[member.valve_id for member in members]).values_list("valve", "measured")
    found: dict[int, list[paper.CertifiedValue]] = {}
    ia, gm = Quantity.ANODE_CURRENT, Quantity.GM
    for valve, measured in others:
        alike = [value for value in map(Value.read, measured) if value.stands_at in stands_at]
        results = _results(alike, points)
        if any(ia in result.values for result in results):
            found[valve] = list(results)
    valves = list(found)
    shown = valves[:: -(-len(valves) // MOST_SIBLINGS) or 1]

    charts = []
    for section, point in points.items():
        own = [result for results in results_of for result in results if result.section == section]
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
                    Point(result.values[gm] if by_gm else place, result.values[ia])
                    for place, result in enumerate(own, start=1)
                ),
                nominal=_level(nominal, by_gm),
                siblings=tuple(
                    Point(result.values[gm] if by_gm else None, result.values[ia])
                    for valve in shown
                    for result in found[valve]
                    if result.section == section and ia in result.values and (gm in result.values or not by_gm)
                ),
                tolerance=matched.tolerance_percent / 100,
            )
        )
    many = f"{len(shown)} of {len(valves)}" if len(shown) < len(valves) else str(len(valves))
    of = noun(len(valves), "other graded valve of this type", "other graded valves of this type")
    return tuple(charts), f"{many} {of}" if valves else ""
