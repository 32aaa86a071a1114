"""The keys that sign certificates: one in use, those before it kept for checking.

The secret half of a key is a file of its own in `settings.KEY_ROOT`, which its owner alone may read. It is neither in
the database nor in a backup: whoever finds a backup cannot sign with it. A shop that has lost the file begins a new
key, and what the old one signed can be checked as before.
"""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path

from django.conf import settings
from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.utils import timezone

from grading.issued.pure import signing
from grading.models import SigningKey
from stockroom.models import Entry
from stockroom.pure.refused import Refused
from stockroom.pure.written import day


class NoKey(Refused):
    """Nothing can be signed, or not with this key. The message says what to do."""


def secret_file(kid: str) -> Path:
    return settings.KEY_ROOT / f"{kid}.pem"


def key_in_use(by: User | None) -> SigningKey:
    """The key that signs; a shop's first is made when it is first needed."""
    found = SigningKey.objects.filter(in_use=True).first()
    if found is not None:
        return found
    if SigningKey.objects.exists():
        raise NoKey("No key is in use: the owner begins a new one at Office, Keys of certificates.")
    try:
        with transaction.atomic():
            return _make(by)
    except IntegrityError:  # somebody else has just made the first one
        return SigningKey.objects.get(in_use=True)


def sign(payload: signing.Payload, key: SigningKey) -> bytes:
    """Raises NoKey: the secret half is not on this machine, or is damaged."""
    try:
        return signing.sign(payload, secret_file(key.kid).read_bytes())
    except (OSError, signing.BadKey) as problem:
        raise NoKey(
            f"The secret half of the key {key.kid} cannot be read on this machine ({secret_file(key.kid)}). Put the "
            "file back, or let the owner begin a new key at Office, Keys of certificates."
        ) from problem


@transaction.atomic
def begin_new_key(by: User) -> SigningKey:
    """A new key signs from now on; the one before it is retired, and its secret half destroyed."""
    before = list(SigningKey.objects.select_for_update(no_key=True).filter(in_use=True))
    for key in before:
        key.in_use, key.retired_at = False, timezone.now()
        key.save(update_fields=["in_use", "retired_at"])
    made = _make(by)
    transaction.on_commit(lambda: _destroy([key.kid for key in before]))
    return made


@transaction.atomic
def say_compromised(key: SigningKey, since: date, how: str, by: User) -> SigningKey:
    """Somebody else may have the key. It is retired at once; what it signed is to be looked up on its page from now on.

    Returns the key that signs instead.
    """
    key = SigningKey.objects.select_for_update(no_key=True).get(pk=key.pk)
    instead = begin_new_key(by) if key.in_use else SigningKey.objects.get(in_use=True)
    key.refresh_from_db()
    key.compromised_from, key.compromised_how = since, how
    key.save(update_fields=["compromised_from", "compromised_how"])
    Entry.write(by, "key-compromised", f"The key {key.kid} is compromised from {day(since)}: {how}")
    return instead


def public_keys() -> dict[str, bytes]:
    """All keys that the shop has had, by their thumbprints, but for those compromised."""
    trusted = SigningKey.objects.filter(compromised_from=None)
    return {kid: signing.public_of(x) for kid, x in trusted.values_list("kid", "x")}


def _make(by: User | None) -> SigningKey:
    """The file first: a key in the database whose secret half was never written would sign nothing. Where the database
    does not keep the key, the file is of no key that anybody knows."""
    pem, public = signing.new_secret()
    kid = signing.thumbprint(public)
    secret_file(kid).parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    handle = os.open(secret_file(kid), os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(pem)
        file.flush()
        os.fsync(file.fileno())
    made = SigningKey.objects.create(kid=kid, x=signing.jwk(public)["x"], made_by=by)
    Entry.write(by, "key-begun", f"Certificates are signed with the key {kid} from now on.")
    return made


def _destroy(kids: list[str]) -> None:
    for kid in kids:
        secret_file(kid).unlink(missing_ok=True)
