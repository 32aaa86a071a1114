"""Photographs: what is sent is kept and queued at once, and made ready behind the pages' backs.

An original is written before its row, under its SHA-256, and never changed: a request that dies in between
leaves a file that the next sending of the same photograph takes over.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, BinaryIO, NamedTuple, cast
from urllib.parse import urlencode

from django.contrib.auth.models import User
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from stockroom.jobs import kinds, worker
from stockroom.jobs.kinds import Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Attachment, Entry, JobState, Line, Lot, Photograph, Valve
from stockroom.models.photographs import Subject, store
from stockroom.photographs.pure import pictures
from stockroom.pure.refused import Refused
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.pure.written import plural

MOST_AT_ONCE = 300
KIND = "photograph"


class UnknownSubject(Refused):
    """No valve, line or lot is called that. The message says what was looked for."""


class PhotographError(Refused):
    """Cannot be done; the message says why."""


class Refusal(NamedTuple):
    name: str
    reason: str


class Received(NamedTuple):
    """What became of each file, by its name as sent."""

    queued: list[str]  # new here, being prepared
    known: list[str]  # ready since it was sent for something else; attached here too
    already: list[str]  # attached here before
    refused: list[Refusal]


class Processed(NamedTuple):
    ready: int = 0
    refused: int = 0
    failed: int = 0  # through no fault of the photograph; they are tried again

    def __bool__(self) -> bool:
        return any(self)


# What it is a photograph of


def read_subject(text: str) -> Subject:
    """The thing with this number: a valve's serial, "L0001" for a lot, "L0001/2" for a line."""
    number = text.strip().upper().replace(" ", "")
    line = re.fullmatch(r"(L\d+)/(\d{1,4})", number)
    found: Subject | None
    if line:
        found = Line.objects.select_related("lot", "type").filter(lot__number=line[1], number=line[2]).first()
        if found is None:
            raise UnknownSubject(f"There is no line {number}.")
        return found
    if re.fullmatch(r"L\d+", number):
        found = Lot.objects.filter(number=number).first()
        if found is None:
            raise UnknownSubject(f"There is no lot {number}.")
        return found
    try:
        serial = read_serial(text)
    except BadSerial as wrong:
        raise UnknownSubject(f"{wrong} A lot is written L0001 and its second line L0001/2.") from wrong
    found = Valve.objects.select_related("type", "line__lot").filter(serial=serial).first()
    if found is None:
        raise UnknownSubject(f"No valve has the serial {serial}.")
    return found


def said(subject: Subject) -> str:
    """
    >>> said(Lot(number="L0001")), said(Valve(serial="10000012"))
    ('lot L0001', '10000012')
    """
    if isinstance(subject, Valve):
        return subject.serial
    return f"line {subject}" if isinstance(subject, Line) else f"lot {subject}"


def address(subject: Subject) -> str:
    """The page with all the photographs of it."""
    return f"{reverse('photographs')}?{urlencode({_field(subject): str(subject)})}"


def _about(subject: Subject) -> dict[str, Any]:
    """The subject and what holds it, as a daybook entry names them."""
    if isinstance(subject, Valve):
        return {"valve": subject, "line": subject.line, "lot_id": subject.line.lot_id}
    if isinstance(subject, Line):
        return {"line": subject, "lot_id": subject.lot_id}
    return {"lot": subject}


def _field(subject: Subject) -> str:
    return {Valve: "valve", Line: "line", Lot: "lot"}[type(subject)]


# Receiving


class _Stored(NamedTuple):
    name: str
    sha256: str
    kind: str
    size_bytes: int


def receive(files: Sequence[UploadedFile], subject: Subject, by: User | None) -> Received:
    """Keep what are photographs, attach them to the subject, and leave the rest of the work for a worker.

    A file that is refused takes no other with it. The same file twice is stored once and attached once.
    """
    refused: list[Refusal] = []
    stored: dict[str, _Stored] = {}
    twice: list[str] = []
    for file in files[:MOST_AT_ONCE]:
        name = (file.name or "unnamed")[-200:]
        try:
            new = _store(file, name)
        except pictures.PictureRefused as refusal:
            refused.append(Refusal(name, str(refusal)))
            continue
        if new.sha256 in stored:
            twice.append(name)
        else:
            stored[new.sha256] = new
    refused += [
        Refusal(file.name or "unnamed", f"at most {MOST_AT_ONCE} are taken at once. Send it with the next.")
        for file in files[MOST_AT_ONCE:]
    ]
    queued, known, already = _attach(stored, subject, by)
    return Received(queued, known, already + twice, refused)


@transaction.atomic
def _attach(stored: dict[str, _Stored], subject: Subject, by: User | None) -> tuple[list[str], list[str], list[str]]:
    if not stored:
        return [], [], []
    # Whoever attaches to the same thing waits here, so that nobody attaches the same photograph beside us.
    type(subject)._base_manager.select_for_update(no_key=True).get(pk=subject.pk)
    Photograph.objects.bulk_create(
        [Photograph(sha256=new.sha256, kind=new.kind, size_bytes=new.size_bytes) for new in stored.values()],
        ignore_conflicts=True,
    )
    rows = {photograph.sha256: photograph for photograph in Photograph.objects.filter(sha256__in=stored)}
    # Sent again, what was refused gets another chance.
    Photograph.objects.filter(sha256__in=stored, state=Photograph.State.REFUSED).update(**_AFRESH)
    _queue([photograph for photograph in rows.values() if not photograph.ready])
    field = _field(subject)
    here = set(
        Attachment.objects.current()
        .filter(photograph__in=rows.values(), **{field: subject})
        .values_list("photograph__sha256", flat=True)
    )
    new = [stored[sha256] for sha256 in stored if sha256 not in here]
    Attachment.objects.bulk_create(
        Attachment(photograph=rows[one.sha256], file_name=one.name, added_by=by, **{field: subject}) for one in new
    )
    if new:
        text = f"{_counted(len(new))} added to {said(subject)}."
        Entry.write(by, "photographs-added", text, **_about(subject))
    known = [one.name for one in new if rows[one.sha256].ready]
    queued = [one.name for one in new if not rows[one.sha256].ready]
    return queued, known, [stored[sha256].name for sha256 in stored if sha256 in here]


def _store(file: UploadedFile, name: str) -> _Stored:
    """Look at the file and store it as it is, under its own sum.

    Raises:
        pictures.PictureRefused: it is not a photograph we take.
    """
    kind = pictures.look(cast(BinaryIO, file.file), name, file.size or 0)
    photograph = Photograph(kind=next(key for key, known in pictures.KINDS.items() if known == kind))
    total = hashlib.sha256()
    with _part(store()) as part:
        for chunk in file.chunks():
            total.update(chunk)
            part.write(chunk)
        photograph.sha256 = total.hexdigest()
        _put(part, photograph.original)
    return _Stored(name, photograph.sha256, photograph.kind, file.size or 0)


@contextmanager
def _part(folder: Path) -> Iterator[IO[bytes]]:
    """A file to write to, which is gone afterwards unless `_put` moved it."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=folder, prefix="part-", delete=False) as part:
        try:
            yield part
        finally:
            Path(part.name).unlink(missing_ok=True)


def _put(part: IO[bytes], place: Path) -> None:
    """Move what was written to its place, where it appears whole or not at all."""
    part.flush()
    place.parent.mkdir(parents=True, exist_ok=True)
    os.replace(part.name, place)


# Afterwards


def remove(attachment: Attachment, because: str, by: User | None) -> None:
    """Hide it from every list and from the public, with the reason; the file stays.

    Raises:
        PhotographError: it is removed already, or no reason is given.
    """
    reason = because.strip()
    if not reason:
        raise PhotographError("Say why it is removed.")
    with transaction.atomic():
        changed = Attachment.objects.current().filter(pk=attachment.pk)
        if not changed.update(removed_at=timezone.now(), removed_by=by, removed_because=reason[:200], public=False):
            raise PhotographError(f"{attachment.file_name} is removed already.")
        subject = attachment.subject
        text = f"Photograph {attachment.file_name} of {said(subject)} removed: {reason}"
        Entry.write(by, "photograph-removed", text, **_about(subject))


def set_public(valve: Valve, asked: Collection[int], public: Collection[int], by: User | None) -> tuple[int, int]:
    """Of the valve's photographs with keys in `asked`, let the public see those in `public` and no others.

    Returns how many were opened to the public and how many withdrawn from it.
    """
    with transaction.atomic():
        found = list(Attachment.objects.current().of(valve).filter(pk__in=asked).select_for_update(no_key=True))
        opened = [one for one in found if one.pk in public and not one.public]
        withdrawn = [one for one in found if one.pk not in public and one.public]
        for changed, now, what in (
            (opened, True, "shown to the public"),
            (withdrawn, False, "no longer shown to the public"),
        ):
            if changed:
                Attachment.objects.filter(pk__in=[one.pk for one in changed]).update(public=now)
                names = ", ".join(one.file_name for one in changed)
                text = f"{_counted(len(changed))} of {valve} {what}: {names}."
                Entry.write(by, "photographs-public", text, **_about(valve))
    return len(opened), len(withdrawn)


# Behind the pages


@dataclass(frozen=True)
class ToPrepare:
    """The photograph with this key."""

    photograph: int


def _queue(waiting: Collection[Photograph]) -> None:
    kinds.start_many(KIND, [(ToPrepare(one.pk), f"Photograph {one}", f"photograph {one.pk}") for one in waiting], None)


def _given_up(asked: ToPrepare, why: str) -> None:
    photograph = Photograph.objects.filter(pk=asked.photograph).first()
    if photograph is not None:
        _refuse(photograph, f"{why[:1].lower()}{why[1:]} Send it again.")


@kinds.kind(
    KIND,
    "Prepare a photograph",
    Lane.PICTURES,
    ToPrepare,
    kept=False,
    given_up=_given_up,
    address=lambda job: reverse("photographs"),
)
def prepare(asked: ToPrepare, hand: Hand) -> None:
    """Make the copies, or refuse the photograph and say why. Doing so twice does no harm."""
    photograph = Photograph.objects.waiting().filter(pk=asked.photograph).first()
    if photograph is None:
        return
    try:
        made = pictures.prepare(photograph.original.read_bytes())
    except FileNotFoundError:
        _refuse(photograph, "its original is no longer in the store. Send it again.")
        return
    except pictures.PictureRefused as refusal:
        _refuse(photograph, str(refusal))
        return
    for size, copy in (("small", made.small), ("large", made.large)):
        place = photograph.copy(size)
        with _part(place.parent) as part:
            part.write(copy)
            _put(part, place)
    _finish(photograph, state=Photograph.State.READY, width=made.width, height=made.height)


def process_waiting(limit: int | None = None) -> Processed:
    """Make ready what waits, `limit` photographs at most. Any number of workers may do so at once."""
    refused = Photograph.objects.filter(state=Photograph.State.REFUSED)
    before = refused.count()
    ended = worker.work_off(kinds=(KIND,), limit=limit)
    now = refused.count() - before
    return Processed(ended[JobState.DONE] + ended[JobState.FAILED] - now, now, ended[JobState.WAITING])


def process_again() -> int:
    """Put everything that was refused back in the queue; returns how many."""
    refused = list(Photograph.objects.filter(state=Photograph.State.REFUSED))
    with transaction.atomic():
        Photograph.objects.filter(pk__in=[one.pk for one in refused]).update(**_AFRESH)
        _queue(refused)
    return len(refused)


_AFRESH: dict[str, Any] = {"state": Photograph.State.WAITING, "refused_because": ""}


def _finish(photograph: Photograph, **values: Any) -> bool:
    """Write the result, unless somebody has written one since."""
    return bool(Photograph.objects.waiting().filter(pk=photograph.pk).update(**values))


def _refuse(photograph: Photograph, reason: str) -> None:
    with transaction.atomic():
        if _finish(photograph, state=Photograph.State.REFUSED, refused_because=reason[:300]):
            for attachment in photograph.attachments.current().for_rows().select_related("valve__line"):
                text = f"Photograph {attachment.file_name} of {said(attachment.subject)} is refused: {reason}"
                Entry.write(None, "photograph-refused", text, **_about(attachment.subject))


def _counted(number: int) -> str:
    return plural(number, "photograph")
