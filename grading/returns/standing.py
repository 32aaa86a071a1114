"""Does a certificate still stand, and why not?

A certificate says what was true of a valve or a set when it was made. It stands until something is known that it does
not say: the set was broken up or no longer holds, a valve came back, was graded anew, or was written off.
"""

from __future__ import annotations

from typing import NamedTuple

from django.utils import timezone

from grading.models import Grade, MatchedSet
from grading.sets import doubts
from stockroom.models import Return, ReturnVerdict, Valve
from stockroom.pure.written import day


class CertificateStanding(NamedTuple):
    """`why_not` is a sentence; nothing while the certificate stands."""

    why_not: str = ""

    @property
    def stands(self) -> bool:
        return not self.why_not


def of_set(matched: MatchedSet) -> CertificateStanding:
    if matched.broken_at:
        back = Return.objects.filter(valve__memberships__set=matched, at__gte=matched.made_at)
        said = _came_back(back.select_related("valve", "case__verdict").order_by("at").first())
        on = day(timezone.localdate(matched.broken_at))
        return CertificateStanding(said or f"This set was broken up on {on}: {matched.broken_because}.")
    if why := doubts.why_doubtful(matched):
        return CertificateStanding(f"{matched.number} no longer holds: {why}.")
    return CertificateStanding()


def of_valve(grade: Grade) -> CertificateStanding:
    """Of the certificate that rests on this grade of a valve."""
    valve: Valve = grade.valve
    back = Return.objects.filter(valve=valve, at__gte=grade.given_at)
    if said := _came_back(back.select_related("valve", "case__verdict").order_by("at").first()):
        return CertificateStanding(said)
    if valve.written_off:
        return CertificateStanding(f"{valve} was written off: {valve.written_off}.")
    if not grade.current:
        later = valve.grades.filter(current=True).first()
        if later is None:
            return CertificateStanding(f"The grade of {valve} was withdrawn.")
        on = day(timezone.localdate(later.given_at))
        return CertificateStanding(f"{valve} was graded anew on {on}: {later}.")
    return CertificateStanding()


def _came_back(back: Return | None) -> str:
    """What became of it since, too, for who holds the paper and the valve."""
    if back is None:
        return ""
    said = f"{back.valve} came back to us on {day(timezone.localdate(back.at))}, and this certificate was withdrawn."
    verdict = ReturnVerdict.objects.filter(case=back.case_id).first() if back.case_id else None
    if verdict is None or verdict.goods == ReturnVerdict.Goods.OURS:
        return said
    again = verdict.found.get(back.valve.serial, {}).get("outcome", "")
    read = f" We read it again then: {again}." if again else ""
    return f"{said} It went back to its buyer on {day(timezone.localdate(verdict.at))}.{read}"
