"""The shop's promises, kept version by version, and which of them speaks for a valve that came back."""

from __future__ import annotations

from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from grading.models import Grade
from grading.returns.pure.warranty import Covered, Promise, Sold, covered, in_force
from stockroom.models import Allocation, Despatch, Entry, OrderLine, Return, WarrantyRule
from stockroom.pure.refused import Refused

MATTERS_PERCENT = 10.0  # the least change that counts where no rule says another (common practice, no source)


class CannotPromise(Refused):
    """The rule cannot be written. The message says why."""


def promises() -> list[Promise]:
    """Every version of every rule."""
    return [
        Promise(
            rule.sold_as,
            rule.condition,
            rule.grade,
            rule.days,
            rule.unwanted_days,
            tuple(rule.covers),
            rule.words,
            rule.matters_percent,
            rule.ended,
            rule.made_at,
        )
        for rule in WarrantyRule.objects.order_by("made_at", "pk")
    ]


def rules_in_force() -> list[WarrantyRule]:
    """The latest version of each kind that has not ended."""
    latest = {rule.kind: rule for rule in WarrantyRule.objects.order_by("made_at", "pk")}
    return [rule for _, rule in sorted(latest.items()) if not rule.ended]


@transaction.atomic
def write_rule(rule: WarrantyRule, by: User | None) -> WarrantyRule:
    """A version that speaks from now on; those before it stay as they were.

    Raises:
        CannotPromise: it says nothing else than the one in force, or ends what is none.
    """
    before = next((one for one in rules_in_force() if one.kind == rule.kind), None)
    if rule.ended and before is None:
        raise CannotPromise(f"There is no rule for {rule} that could end.")
    names = ("days", "covers", "unwanted_days", "matters_percent", "words", "ended")
    if before and all(getattr(before, name) == getattr(rule, name) for name in names):
        raise CannotPromise(f"The rule for {rule} says just this already.")
    rule.made_at, rule.made_by = timezone.now(), by
    rule.save(force_insert=True)
    said = "no promise from now on" if rule.ended else f"{rule.days} days for {rule.covers_in_words or 'no fault'}"
    Entry.write(by, "warranty-rule", f"Warranty, {rule}: {said}, {rule.unwanted_days} days if not wanted")
    return rule


class SpokenPromise(NamedTuple):
    """What a rule says of a valve that came back."""

    promise: Promise | None
    covered: Covered

    @property
    def matters(self) -> float:
        """The least change that counts, as a fraction."""
        return (self.promise.matters_percent if self.promise else MATTERS_PERCENT) / 100


def spoken_of(back: Return, known: list[Promise] | None = None) -> SpokenPromise:
    """By the rule that was in force when it was sent."""
    sent = sent_with(back)
    sent_at = sent.at if sent else back.at
    found = in_force(promises() if known is None else known, _sold(back), sent_at)
    complaint, named = back.complaint, back.get_complaint_display() if back.complaint else "no kind of complaint"
    days = timezone.localdate(sent_at), timezone.localdate(back.at)
    return SpokenPromise(found, covered(found, complaint, named, *days))


def sent_with(back: Return) -> Despatch | None:
    """The despatch that it had left with."""
    sent = Despatch.objects.filter(order=back.order_id, allocations__valve=back.valve_id, at__lte=back.at)
    return sent.order_by("-at", "-pk").first()


def grade_as_sent(back: Return) -> Grade | None:
    """The grade that spoke for it when it was sent."""
    sent = sent_with(back)
    given = Grade.objects.filter(valve=back.valve_id, given_at__lte=sent.at if sent else back.at)
    return given.select_related("policy").order_by("-given_at", "-pk").first()


def line_of(back: Return) -> OrderLine | None:
    """The line of the order that it was sent for."""
    row = Allocation.objects.filter(valve=back.valve_id, order_line__order=back.order_id).order_by("-made_at").first()
    return row.order_line if row else None


def _sold(back: Return) -> Sold:
    line, grade = line_of(back), grade_as_sent(back)
    kind = WarrantyRule.SoldAs
    sold_as = kind.SEALED if line and line.sealed else kind.UNTESTED if line and line.untested else kind.TESTED
    return Sold(sold_as.value, back.valve.line.condition, grade.name if grade and sold_as == kind.TESTED else "")
