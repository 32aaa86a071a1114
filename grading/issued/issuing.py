"""Issuing a certificate: what it says is fixed, signed, printed and kept, and found by its address alone."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.auth.models import User
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from grading.drawing.symbols import CannotEncode
from grading.issued import keys
from grading.issued.pure import signing
from grading.issued.pure.payload import payload_of, without_occasion
from grading.issued.validity import validity_of
from grading.models import Grade, IssuedCertificate, MatchedSet, Withdrawal
from grading.models.certificates import new_token
from grading.papers.certificates import CannotCertify, certificate_data, valve_certificate_data
from grading.papers.pure.certificate import CertificateData, PaperCheck, certificate_pdf
from stockroom.models import Counter, Entry, Shop, Valve
from stockroom.pure.refused import Refused
from stockroom.site.locks import hold_valves


class CannotWithdraw(Refused):
    """It does not stand any more as it is. The message says why."""


@transaction.atomic
def issue(of: MatchedSet | Valve, by: User) -> IssuedCertificate:
    """The certificate of a set or a valve, as its records stand now.

    One that stands and says the same is not issued twice: it is the one that is returned.

    Raises:
        CannotCertify: the records make no certificate.
        keys.NoKey: nothing can be signed on this machine.
    """
    grades = _held_grades(of)
    if isinstance(of, MatchedSet):
        of = MatchedSet.objects.select_related("type").select_for_update(no_key=True, of=("self",)).get(pk=of.pk)
    data = _data(of)
    if data.void:
        raise CannotCertify(data.void)
    key, shop = keys.key_in_use(by), Shop.own()
    last = latest(of)
    if last is not None and validity_of(last).stands:
        said = json.loads(last.payload)
        now = payload_of(data, number=last.number, page="", kid=key.kid)
        if without_occasion(said) == without_occasion(now) and last.key_id == key.pk:
            return last
    number, token = f"M{Counter.take('certificate')[0]:05d}", new_token()
    page = from_outside(shop, reverse("issued-certificate", args=[token]))
    payload = payload_of(data, number=number, page=page, kid=key.kid)
    signature = keys.sign(payload, key)
    pdf = _printed(data, number, page, from_outside(shop, reverse("certificate-keys")), payload, key.kid, signature)
    made = IssuedCertificate.objects.create(
        number=number,
        token=token,
        set=of if isinstance(of, MatchedSet) else None,
        valve=of if isinstance(of, Valve) else None,
        payload=signing.canonical(payload).decode(),
        key=key,
        signature=base64.b64encode(signature).decode(),
        paper_sha256=hashlib.sha256(pdf).hexdigest(),
        issued_by=by,
    )
    made.grades.set(grades)
    _keep_paper(made, pdf)
    for grade in grades:
        about = {"valve": grade.valve, "lot": grade.valve.line.lot}
        Entry.write(by, "certified", f"Certificate {number} issued, of {data.number}", **about)
    return made


def _held_grades(of: MatchedSet | Valve) -> list[Grade]:
    """The grades that it will rest on; nobody grades, breaks up or takes back meanwhile."""
    if isinstance(of, Valve):
        hold_valves([of.pk])
        rows = Grade.objects.filter(valve=of, current=True)
    else:
        hold_valves(list(of.members.values_list("valve", flat=True)))
        rows = Grade.objects.filter(memberships__set=of)
    return list(rows.select_related("valve__line__lot").order_by("valve__serial"))


def _data(of: MatchedSet | Valve) -> CertificateData:
    today = timezone.localdate()
    return certificate_data(of, today) if isinstance(of, MatchedSet) else valve_certificate_data(of, today)


def _printed(
    data: CertificateData, number: str, page: str, keys_page: str, payload: signing.Payload, kid: str, signature: bytes
) -> bytes:
    scanned = signing.scanned_copy(signing.copy_of(payload, kid, signature))
    check = PaperCheck(number, page, keys_page, kid, base64.b64encode(signature).decode(), scanned)
    try:
        return certificate_pdf(replace(data, check=check))
    except CannotEncode as problem:
        raise CannotCertify(f"it says more than can be signed on paper: {problem}") from problem


def from_outside(shop: Shop, path: str) -> str:
    """The full address of a page for whoever is outside; nothing where the shop has no address on the web."""
    return f"{shop.web_address.rstrip('/')}{path}" if shop.web_address else ""


def latest(of: MatchedSet | Valve) -> IssuedCertificate | None:
    return of.certificates.select_related("key").order_by("-pk").first()


def valid_paper(of: MatchedSet | Valve) -> IssuedCertificate | None:
    """Its last certificate, while that stands."""
    last = latest(of)
    return last if last is not None and validity_of(last).stands else None


def preview(of: MatchedSet | Valve) -> bytes:
    """The PDF as it would be. Raises CannotCertify."""
    data = _data(of)
    return certificate_pdf(replace(data, preview=not data.void))


@transaction.atomic
def withdraw(certificate: IssuedCertificate, because: str, by: User) -> Withdrawal:
    """Raises CannotWithdraw: it does not stand."""
    certificate = IssuedCertificate.objects.select_for_update(no_key=True).get(pk=certificate.pk)
    validity = validity_of(certificate)
    if not validity.stands:
        raise CannotWithdraw(f"{certificate} does not stand. {validity.in_words}")
    Entry.write(by, "certificate-withdrawn", f"Certificate {certificate} withdrawn: {because}")
    return Withdrawal.objects.create(certificate=certificate, because=because, by=by)


def saved_copy(certificate: IssuedCertificate) -> bytes:
    """The file that anybody may keep and check without us."""
    payload: dict[str, Any] = json.loads(certificate.payload)
    return signing.copy_of(payload, certificate.key.kid, base64.b64decode(certificate.signature))


# The paper


def _paper_file(certificate: IssuedCertificate) -> Path:
    return Path(settings.MEDIA_ROOT) / "certificates" / f"{certificate.number}-{certificate.paper_sha256[:16]}.pdf"


def _keep_paper(certificate: IssuedCertificate, pdf: bytes) -> None:
    """Beside the photographs, where backups find it. Where the database does not keep the row, nobody asks for it."""
    place = _paper_file(certificate)
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=place.parent, prefix="part-", delete=False) as part:
        part.write(pdf)
        part.flush()
        os.fsync(part.fileno())
    os.replace(part.name, place)


def paper(certificate: IssuedCertificate) -> bytes | None:
    """The PDF as it was issued; None when its file is gone or is not what was issued."""
    try:
        pdf = _paper_file(certificate).read_bytes()
    except OSError:
        return None
    return pdf if hashlib.sha256(pdf).hexdigest() == certificate.paper_sha256 else None
