"""House nominals: what the shop's own good, unused valves read on one of its testers.

Known-good NOS, the rule: a valve of a line claimed as NOS (sealed, boxed or bulk), not written off; its latest
current reading of the section was taken on this tester, at these very conditions, outside any stretch in which
the tester's reference valves were out of control, and had settled if it was a series; nothing is shorted,
heater-cathode leakage is at most 20 µA and grid current at most 2 µA where they were read (common practice, no
source). Ten valves at least. The middle is the median and the spread 1.4826 times the median absolute deviation, so
that a few weak valves among them do no harm (both from memory of any textbook on robust statistics).
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import Any

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery
from django.utils import timezone

from catalog.models import TestPoint
from grading.metrology.quantities import CLAIMING
from grading.models import HouseNominal, Quantity, Reading, Stop, Tester, TesterCondition
from grading.models.readings import SETTLED
from grading.testers.conditions import conditions_for
from stockroom.models import Entry, Line
from stockroom.pure.refused import Refused

FEWEST = 10
LEAKAGE_AT_MOST_UA = 20.0
GRID_CURRENT_AT_MOST_UA = 2.0
NOS = (Line.Condition.SEALED, Line.Condition.BOXED, Line.Condition.BULK)


class TooFew(Refused):
    """There are not enough known-good valves to learn from."""


def robust_spread(values: Sequence[float]) -> float:
    """1.4826 times the median absolute deviation: the standard deviation, were the values normal.

    >>> round(robust_spread([1.0, 1.1, 1.2, 1.3, 9.9]), 3)
    0.148
    """
    middle = median(values)
    return 1.4826 * median(abs(value - middle) for value in values)


def known_good(tester: Tester, test_point: TestPoint, condition: TesterCondition | None = None) -> list[Reading]:
    """One reading a valve, by the rule above, in the order of their serials."""
    readings = Reading.objects.current()
    latest = (
        readings.filter(valve=OuterRef("valve"), section=OuterRef("section"))
        .order_by("-taken_at", "-id")
        .values("pk")[:1]
    )
    suspect = Stop.objects.filter(tester=tester, suspect_since__lt=OuterRef("taken_at")).filter(
        Q(cleared_at=None) | Q(cleared_at__gte=OuterRef("taken_at"))
    )
    found = (
        readings.filter(
            Q(heater_cathode_leakage_ua=None) | Q(heater_cathode_leakage_ua__lte=LEAKAGE_AT_MOST_UA),
            Q(grid_current_ua=None)
            | Q(grid_current_ua__lte=GRID_CURRENT_AT_MOST_UA, grid_current_ua__gte=-GRID_CURRENT_AT_MOST_UA),
            shift__tester=tester,
            test_point=test_point,
            shorted=False,
            stability__in=SETTLED,
            valve__line__condition__in=NOS,
            valve__written_off="",
            pk=Subquery(latest),
        )
        .exclude(Exists(suspect))
        .select_related("valve__line__lot")
        .order_by("valve__serial")
    )
    history = TesterCondition.objects.filter(tester=tester, test_point=test_point, since__lte=OuterRef("taken_at"))
    # The type checker does not follow the annotation through the base of append-only rows.
    dated: QuerySet[Any] = found.annotate(at=Subquery(history.order_by("-since", "-id").values("pk")[:1]))
    if condition is not None:
        return list(dated.filter(at=condition.pk))
    as_sheet = TesterCondition.objects.filter(judged_by=TesterCondition.JudgedBy.AS_SHEET).values("pk")
    return list(dated.filter(Q(at=None) | Q(at__in=as_sheet)))


def learn(tester: Tester, test_point: TestPoint, by: User) -> list[HouseNominal]:
    """Learn anew from the stock, at the conditions that the tester sets now.

    Raises TooFew, naming how many there are, when no quantity has enough.
    """
    setting = conditions_for(tester, test_point)
    condition = setting.condition
    good = known_good(tester, test_point, condition)
    where = f"the {test_point.section} on {tester} at {setting.in_words}"
    made = []
    with transaction.atomic():
        for quantity in CLAIMING:
            readings = [reading for reading in good if getattr(reading, quantity) is not None]
            values = [getattr(reading, quantity) for reading in readings]
            if len(values) < FEWEST:
                continue
            row = HouseNominal.objects.create(
                tester=tester,
                test_point=test_point,
                condition=condition,
                quantity=quantity,
                by=by,
                median=median(values),
                spread=robust_spread(values),
                count=len(values),
                learnt_at=timezone.now(),
            )
            row.readings.set(readings)
            made.append(row)
        if not made:
            raise TooFew(
                f"{len(good)} known-good NOS valves have a current reading of {where}; {FEWEST} are needed. "
                "Until then these readings are compared with nothing."
            )
        said = "; ".join(str(row) for row in made)
        Entry.write(by, "house-nominal", f"House nominal of {where}: {said}.")
    return made


def nominal_for(
    tester: Tester, test_point: TestPoint, quantity: Quantity, condition: TesterCondition | None
) -> HouseNominal | None:
    """The latest one learnt at these very conditions."""
    return HouseNominal.objects.filter(
        tester=tester, test_point=test_point, quantity=quantity, condition=condition
    ).first()
