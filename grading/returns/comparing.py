"""A valve that came back: what was sent beside what the bench reads of it now, as pages show it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from grading.metrology.comparison import ComparedValue
from grading.metrology.quantities import FAULTS, Quantity
from grading.models import Grade, Reading
from grading.returns import warranty
from grading.returns.pure import retest
from grading.returns.pure.retest import RetestFound, SideOfPair
from grading.verdicts.judging import evidence_for
from grading.verdicts.repeats import Repeats, by_section
from grading.verdicts.values import Bench, Value, comparable, values_of
from stockroom.models import Return

READINGS = ("readings__test_point__section__type", "readings__shift__tester")


def as_sent(grade: Grade | None, bench: Bench) -> list[Value]:
    """What the grade that it was sent with rests on."""
    return [Value.read(row).looked_up(bench) for row in grade.measured] if grade else []


def compared(sent: Sequence[Value], back: Sequence[Value], matters: float, **shorts: frozenset[int]) -> RetestFound:
    """What was sent beside what came back; `matters` is the least change that counts, as a fraction."""
    was, now = ({(one.section, one.quantity): one for one in values} for values in (sent, back))
    pairs = {key: _comparable(was[key], now[key]) for key in was.keys() & now.keys()}
    return retest.compare(
        [_shown(one, pairs.get(key), 0) for key, one in was.items()],
        [_shown(one, pairs.get(key), 1) for key, one in now.items()],
        matters,
        **shorts,
    )


Comparables = Sequence[ComparedValue] | None


def _comparable(was: Value, now: Value) -> Comparables:
    """None where something that their comparison rests on is not known, or repeats contradict each other."""
    if was.contradiction or now.contradiction:
        return None
    found = comparable([was, now])
    return found if found and all(one.components for one in found) else None


def _shown(value: Value, pair: Comparables, which: int) -> SideOfPair:
    wanting = value.contradiction and "its repeats contradict each other"
    return SideOfPair(
        value.section,
        Quantity(value.quantity),
        value.value,
        value.expanded_uncertainty,
        value.tester,
        value.stands_at,
        pair[which] if pair else None,
        wanting or "; ".join(dict.fromkeys([*value.comparison_wanting, *value.wanting])),
    )


def found_of(back: Return, matters: float | None = None) -> Mapping[str, Any]:
    """What is known now of a valve that came back; see `grading.returns.pure.retest.stored`. Nothing of one whose seal
    came back intact: nobody has read it, before or since."""
    if back.seal == Return.Seal.INTACT:
        return {}
    bench = Bench()
    grade = warranty.grade_as_sent(back)
    if grade is not None:
        grade = Grade.objects.prefetch_related(*READINGS).get(pk=grade.pk)
    now = evidence_for([back.valve], bench)[back.valve_id].repeats
    values = [value for repeats in now.values() for value in values_of(repeats, bench)]
    least = warranty.spoken_of(back).matters if matters is None else matters
    before = by_section(grade.readings.all()) if grade else {}
    shorted = frozenset(section for section, repeats in now.items() if repeats.short)
    had = {section for section, repeats in before.items() if repeats.short}
    found = compared(as_sent(grade, bench), values, least, shorted=shorted, newly_shorted=shorted - had)
    return {
        **retest.stored(found, list(_faults(before, now))),
        "is_read": found.is_read if found.pairs else bool(now),
        "graded": str(grade) if grade else "",
        "testers": sorted({repeats.latest.shift.tester.name for repeats in before.values()}),
    }


def _faults(before: Mapping[int, Repeats], now: Mapping[int, Repeats]) -> Iterator[str]:
    """What was found amiss now, beside what was found then. Heard or on a scale of its own, so without a risk."""
    for section, repeats in now.items():
        was = before.get(section)
        if repeats.short:
            then = "it had none when it was sent" if was and not was.short else "nobody knows of before"
            yield f"Section {section} is shorted {repeats.short.short_between}".rstrip() + f" now; {then}."
        if repeats.noise and was and was.noise != repeats.noise:
            yield f"Section {section} is {repeats.noise} now; {_heard(was.noise)}."
        elif repeats.noise and repeats.noise != Reading.Noise.QUIET:
            yield f"Section {section} is {repeats.noise} now; {_heard(was.noise if was else '')}."
        for quantity in FAULTS:
            worst, then_worst = repeats.worst(quantity), was.worst(quantity) if was else None
            if worst is not None:
                known = quantity.shown(then_worst) if then_worst is not None else "not tested"
                yield f"Section {section}, {quantity.label}: {quantity.shown(worst)} now, {known} when it was sent."


def _heard(noise: str) -> str:
    return f"it was {noise} when it was sent" if noise else "nobody had listened before"
