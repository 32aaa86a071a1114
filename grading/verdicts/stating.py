"""What stands beside the readings wherever a grade is shown to a buyer: a short table, the same on a page and on paper.

By which rule a limit counts as met, the limits, the risk, what the ± rests on, and traced to whose certificate.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import datetime
from typing import NamedTuple

from django.utils import timezone

from grading.metrology.quantities import Quantity
from grading.models import Grade, Policy, Tester
from grading.testers.records import calibration_of
from grading.verdicts.pure.wording import acceptance_in_words, limits_in_words, risk_in_words
from grading.verdicts.values import Value
from stockroom.pure.written import day, percent


class Stated(NamedTuple):
    """A row of the table; `policy` where the text speaks of one, whose page is linked."""

    label: str
    text: str
    policy: Policy | None = None


def stated(grades: Sequence[Grade]) -> list[Stated]:
    """The table for these grades. Each needs its `policy` and `valve` with the type at hand.

    A row that has nothing to say is left out, save traceability: that there is none is said.
    """
    if not grades:
        return []
    values = values_of(grades)
    policies = sorted({grade.policy for grade in grades}, key=lambda policy: policy.version)
    rows = [
        *(Stated("Decision rule", acceptance_in_words(policy.parsed.acceptance), policy) for policy in policies),
        Stated("Limits", " ".join(_limits(grades, policies))),
        Stated("Risk", " ".join(_risk(grades, policies))),
        Stated("Compared with", _sentences(_grouped(value.basis for value in values))),
        Stated("The ± rests on", uncertainty_in_words(values)),
        Stated("Not stated", wanting_in_words(values)),
        Stated("Traceability", _sentences(_traced(values))),
    ]
    return [row for row in rows if row.text]


def values_of(grades: Iterable[Grade]) -> list[Value]:
    return [Value.read(row) for grade in grades for row in grade.measured]


def _limits(grades: Sequence[Grade], policies: Sequence[Policy]) -> Iterator[str]:
    """Those of each grade that was given, for the kind of valve it was given to."""
    read = {Quantity(value.quantity) for value in values_of(grades)}
    for policy in policies:
        given = {(grade.rank, grade.name, grade.valve.type.kind) for grade in grades if grade.policy_id == policy.pk}
        several = f", {policy}" if len(policies) > 1 else ""
        for _, name, kind in sorted(given):
            level = next((one for one in policy.parsed.for_kind(kind).levels if one.name == name), None)
            if level is not None:
                yield f"{name}{several}: {limits_in_words(level, read)}."


def _risk(grades: Sequence[Grade], policies: Sequence[Policy]) -> Iterator[str]:
    for rule in dict.fromkeys(policy.parsed.acceptance for policy in policies):
        yield risk_in_words(rule)
    known = [grade.assurance for grade in grades if grade.assurance is not None]
    if known:
        least = "more than 99.9 %" if min(known) > 0.999 else f"{percent(min(known))} or more"
        yield f"By these readings each limit that decides the grade is met with a probability of {least}."
    if unknown := [grade.valve.serial for grade in grades if grade.assurance is None]:
        yield f"No probability is stated for {', '.join(unknown)}."


def uncertainty_in_words(values: Collection[Value]) -> str:
    """Of which kind the ± are, and by tester what they rest on; nothing where none is stated."""
    with_u = [value for value in values if value.expanded_uncertainty is not None]
    if not with_u:
        return ""
    k = factors_in_words(value.coverage_factor for value in with_u)
    by_tester: dict[str, dict[str, None]] = {}
    for value in with_u:
        symbol = Quantity(value.quantity).symbol
        said = by_tester.setdefault(value.tester, {})
        said.update(dict.fromkeys(f"{symbol}: {', '.join(value.resting_on)}" for _ in value.resting_on[:1]))
    rests = " ".join(f"{tester}: {'; '.join(said)}." for tester, said in by_tester.items())
    return f"JCGM 100, coverage factor {k}, about 95 %. {rests}".rstrip()


def wanting_in_words(values: Collection[Value]) -> str:
    """Why no ± is stated, or what it counts as it was though it is late."""
    said = []
    unknown = "nobody has written down how well {} reads"
    wanting = _listed(
        words
        for value in values
        for words in value.wanting or [unknown.format(value.tester)] * (value.expanded_uncertainty is None)
    )
    if wanting:
        said.append(f"No ± is stated where something is wanting: {wanting}.")
    if late := _listed(value.overdue for value in values if value.overdue and value.overdue not in value.wanting):
        said.append(f"Counted as it was, though late: {late}.")
    return " ".join(said)


def _traced(values: Collection[Value]) -> Iterator[str]:
    """Each tester's last calibration on the day that it read, with its certificate's number."""
    read = {
        (value.tester_id, timezone.localdate(datetime.fromisoformat(value.taken_at)))
        for value in values
        if value.tester_id
    }
    testers = Tester.objects.prefetch_related("calibrations").in_bulk({tester for tester, _ in read})
    for tester_id, on in sorted(read):
        tester = testers[tester_id]
        last = calibration_of(tester, on)
        if last is None:
            yield f"{tester}: no calibration by anybody else is on file, so its readings trace to no standard"
            continue
        number = last.certificate_number
        by = f"{last.by}, {f'certificate {number}' if number else 'no certificate number on file'}"
        yield f"{tester}: calibrated on {day(last.done_on)} by {by}, next due on {day(last.due_on)}"


def factors_in_words(factors: Iterable[float | None]) -> str:
    """Coverage factors to two decimals: one, or from the least to the largest."""
    found = sorted({round(factor, 2) for factor in factors if factor is not None})
    return f"{found[0]:.2f}" if len(found) == 1 else f"{found[0]:.2f} to {found[-1]:.2f}"


def _listed(words: Iterable[str]) -> str:
    return "; ".join(sorted(set(words)))


def _grouped(said: Iterable[str]) -> Iterator[str]:
    """Those that begin alike, up to a colon, as one: "beside a house nominal on Bench 1: 7.6 mA; 2.5 mA/V"."""
    tails: dict[str, dict[str, None]] = {}
    for one in said:
        head, _, tail = one.partition(": ")
        tails.setdefault(head, {}).update({tail: None} if tail else {})
    return (f"{head}: {'; '.join(of)}" if of else head for head, of in tails.items())


def _sentences(said: Iterable[str]) -> str:
    """Each once, as sentences."""
    return " ".join(f"{one[0].upper()}{one[1:]}." for one in dict.fromkeys(said) if one)
