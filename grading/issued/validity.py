"""Whether a certificate still stands: asked of the records, so that nothing that happens to the goods is forgotten."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import NamedTuple

from django.utils import timezone

from grading.models import Grade, IssuedCertificate, Reading
from stockroom.models import Entry, Return
from stockroom.pure.written import day


class CertificateValidity(NamedTuple):
    """`why` is a sentence without its full stop; `since` is when it happened, None where the records do not say."""

    stands: bool
    why: str = ""
    since: datetime | None = None

    @property
    def in_words(self) -> str:
        if self.stands:
            return "It stands."
        when = f" on {day(timezone.localtime(self.since))}" if self.since else ""
        return f"Withdrawn{when}: {self.why}."


def validity_of(certificate: IssuedCertificate) -> CertificateValidity:
    """It stands until the first thing that took it away; what happened later is not told."""
    return min(_against(certificate), key=lambda one: one.since or timezone.now(), default=CertificateValidity(True))


def _against(certificate: IssuedCertificate) -> Iterator[CertificateValidity]:
    withdrawal = getattr(certificate, "withdrawal", None)
    if withdrawal:
        yield CertificateValidity(False, withdrawal.because.rstrip("."), withdrawal.at)
    grades = list(certificate.grades.select_related("valve").order_by("valve__serial"))
    yield from _returned(certificate, grades)
    yield from _read_or_graded_again(certificate, grades)
    yield from _written_off(grades)
    if certificate.set and certificate.set.broken_at:
        why = f"the set was broken up: {certificate.set.broken_because}".rstrip(" :.")
        yield CertificateValidity(False, why, certificate.set.broken_at)
    later = IssuedCertificate.objects.filter(set=certificate.set, valve=certificate.valve, pk__gt=certificate.pk)
    if newer := later.order_by("pk").first():
        yield CertificateValidity(False, f"certificate {newer.number} was issued in its place", newer.issued_at)


def _returned(certificate: IssuedCertificate, grades: Sequence[Grade]) -> Iterator[CertificateValidity]:
    """Whatever happened to it while it was away, nobody here has seen."""
    valves = [grade.valve_id for grade in grades]
    came_back = Return.objects.filter(valve__in=valves, at__gte=certificate.issued_at).select_related("valve")
    for one in came_back.order_by("at"):
        yield CertificateValidity(False, f"{one.valve} was sold and came back", one.at)


def _read_or_graded_again(certificate: IssuedCertificate, grades: Sequence[Grade]) -> Iterator[CertificateValidity]:
    for grade in grades:
        if grade.current:
            continue
        newer = (
            Grade.objects.filter(valve=grade.valve_id, pk__gt=grade.pk)
            .order_by("pk")
            .prefetch_related("readings")
            .first()
        )
        if newer is None:
            corrected = Reading.objects.filter(supersedes__grades=grade).order_by("taken_at").first()
            why = f"a reading of {grade.valve} was corrected" if corrected else f"{grade.valve} has no grade any more"
            yield CertificateValidity(False, why, corrected.taken_at if corrected else None)
            continue
        known = set(grade.readings.values_list("pk", flat=True))
        read_again = any(reading.pk not in known for reading in newer.readings.all())
        what = "was read again and graded" if read_again else "was graded again:"
        yield CertificateValidity(False, f"{grade.valve} {what} {newer}", newer.given_at)


def _written_off(grades: Sequence[Grade]) -> Iterator[CertificateValidity]:
    gone = [grade.valve for grade in grades if grade.valve.written_off]
    for valve in gone:
        entry = Entry.objects.filter(valve=valve, action="written-off").order_by("-at").first()
        yield CertificateValidity(False, f"{valve} is no more", entry.at if entry else None)


def certificate_of(text: str) -> str | None:
    """Where the scan box leads with a certificate's number."""
    found = IssuedCertificate.objects.filter(number=text.strip().upper()).first()
    return found.get_absolute_url() if found else None
