"""A reading taken as a short series while the valve warms up.

The rule is that of `grading.metrology.settling`, with the tester's repeatability where a study gives it. Without one,
the readings of a settled valve change by at most 1 % over the window (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from django.utils import timezone

from grading.bench.entered import EnteredReading
from grading.metrology.quantities import CLAIMING
from grading.metrology.settling import Stability, settle
from grading.models import Quantity, Tester
from grading.testers.records import record_of

SEPARATOR = "/"
WITHOUT_STUDY = 0.01  # of the last reading
WORST_FIRST = (Stability.DRIFTING, Stability.UNSTEADY, Stability.TOO_SHORT, Stability.SETTLED)


def read_series(text: str) -> list[str]:
    """
    >>> read_series("1.15 / 1.18/1.20"), read_series("1.2")
    (['1.15', '1.18', '1.20'], [])
    """
    parts = [part.strip() for part in text.split(SEPARATOR)]
    return parts if len(parts) > 1 else []


def with_settled_values(entered: EnteredReading, tester: Tester) -> EnteredReading:
    """`taken` with each series replaced by its settled value; unchanged where nothing was a series."""
    found: dict[str, float] = {}
    stabilities = []
    for quantity in CLAIMING:
        values: Sequence[float] = entered.series.get(quantity, ())
        if not values:
            continue
        times = [place * float(entered.series["interval_s"]) for place in range(len(values))]
        sd, tolerance = _seen(tester, quantity, values[-1])
        outcome = settle(times, values, repeatability_sd=sd, tolerance=tolerance)
        found[quantity] = outcome.value
        stabilities.append(outcome.stability)
    if not found:
        return entered
    worst = min(stabilities, key=WORST_FIRST.index)
    return replace(entered, stability=worst.value, **found)  # type: ignore[arg-type]


def _seen(tester: Tester, quantity: Quantity, value: float) -> tuple[float, float | None]:
    """The repeatability near a value, and the tolerance that stands in for it where no study gives one."""
    record = record_of(tester, timezone.localdate())
    if quantity in record.repeatability:
        return record.known(quantity, value).terms.repeatability_at(value), None
    return 0.0, WITHOUT_STUDY * value or WITHOUT_STUDY
