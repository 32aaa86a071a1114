"""A certificate that can be checked without its shop: what is signed, the two ways to carry it, and the check.

What is signed is a JSON object in the canonical form of RFC 8785, by Ed25519 as in RFC 8032 (5.1; PureEdDSA). It holds
texts, whole numbers, lists and objects only: a decimal is a text, so that nobody's floating point can write it anew.
A key is named by its RFC 7638 thumbprint, and keys are published as a JWK set (RFC 7517, RFC 8037): whoever has the
name of a key from the paper can tell its public half from any other, wherever he got it.

A copy is carried as a file, JSON with the members `payload` and `signature`; or as text for a QR code, `CERT1:` and
the file compressed by zlib (RFC 1950) in base45 (RFC 9285), which has just the characters that a QR code holds best.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import zlib
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple, NoReturn

import rfc8785
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)

from stockroom.pure.refused import Refused

ALGORITHM = "Ed25519"
SCANNED = "CERT1:"
MOST_BYTES = 200_000  # of a copy; the largest set there is takes a tenth of it
BASE45 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"

Payload = Mapping[str, Any]
Keys = Mapping[str, bytes]  # the 32 bytes of each public key, by its thumbprint


class NotGenuine(Refused):
    """The copy is not what the holder of the key signed, or is no copy at all. The message says what is wrong."""


class BadKey(Refused):
    """The file holds no key that could be used. The message says why."""


class SignedCopy(NamedTuple):
    payload: dict[str, Any]
    kid: str
    signature: bytes


# Keys


def thumbprint(public: bytes) -> str:
    """The name of a key: SHA-256 of its JWK in the one way of writing it (RFC 7638; RFC 8037, section 2)."""
    return _url64(hashlib.sha256(rfc8785.dumps(_required(public))).digest())


def _required(public: bytes) -> dict[str, str]:
    return {"crv": ALGORITHM, "kty": "OKP", "x": _url64(public)}


def jwk(public: bytes) -> dict[str, str]:
    """The public key as RFC 8037 writes it."""
    return {**_required(public), "kid": thumbprint(public), "use": "sig", "alg": "EdDSA"}


def public_of(x: str) -> bytes:
    """The 32 bytes that RFC 8037 writes as `x`."""
    return _from_url64(x)


def new_secret() -> tuple[bytes, bytes]:
    """A new key: the PEM of its secret half (PKCS #8), and its 32 public bytes."""
    secret = Ed25519PrivateKey.generate()
    pem = secret.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    return pem, secret.public_key().public_bytes_raw()


def public_pem(public: bytes) -> str:
    key = Ed25519PublicKey.from_public_bytes(public)
    return key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode()


def read_keys(text: str) -> dict[str, bytes]:
    """Public keys from PEM, one or several, or from a JWK set; each under the thumbprint reckoned from the key itself.

    Raises:
        BadKey: there is none, or one is no Ed25519 key, or it goes by a name that is not its own.
    """
    if "-----BEGIN" in text:
        blocks = [f"-----BEGIN{block}" for block in text.split("-----BEGIN")[1:]]
        found = [_of_pem(block) for block in blocks]
    else:
        found = list(_of_jwks(text))
    if not found:
        raise BadKey("There is no key in it.")
    return {thumbprint(public): public for public in found}


def _of_pem(block: str) -> bytes:
    try:
        key = load_pem_public_key(block.encode())
    except ValueError as wrong:
        raise BadKey("This is no public key in PEM.") from wrong
    if not isinstance(key, Ed25519PublicKey):
        raise BadKey("This key is for another algorithm than Ed25519.")
    return key.public_bytes_raw()


def _of_jwks(text: str) -> Iterable[bytes]:
    try:
        rows = json.loads(text)["keys"]
        for row in rows:
            if row["kty"] == "OKP" and row["crv"] == ALGORITHM:
                public = _from_url64(row["x"])
                Ed25519PublicKey.from_public_bytes(public)
                if row.get("kid", thumbprint(public)) != thumbprint(public):
                    raise BadKey(f"The key “{row['kid']}” goes by a name that is not its own thumbprint.")
                yield public
    except BadKey:
        raise
    except (ValueError, KeyError, TypeError) as wrong:
        raise BadKey("This is neither PEM nor a JWK set (RFC 7517).") from wrong


# Signing


def canonical(payload: Payload) -> bytes:
    """The bytes that are signed (RFC 8785)."""
    _check_plain(payload)
    return rfc8785.dumps(dict(payload))


def _check_plain(value: Any) -> None:
    """What a payload may hold. A control character has two ways of being escaped, so there is none."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            _check_plain(key)
            _check_plain(inner)
    elif isinstance(value, (list, tuple)):
        for inner in value:
            _check_plain(inner)
    elif isinstance(value, str):
        if any(ord(letter) < 0x20 for letter in value):
            raise ValueError(f"a control character in {value!r}")
    elif not isinstance(value, int) or isinstance(value, bool):
        raise ValueError(f"{value!r} is neither a text nor a whole number")


def sign(payload: Payload, secret_pem: bytes) -> bytes:
    """The 64 bytes of the signature. Raises BadKey, as `sign_bytes` does."""
    return sign_bytes(canonical(payload), secret_pem)


def sign_bytes(message: bytes, secret_pem: bytes) -> bytes:
    """Ed25519 of RFC 8032, section 5.1.6.

    Raises:
        BadKey: the file holds no secret Ed25519 key.
    """
    try:
        secret = load_pem_private_key(secret_pem, None)
    except (ValueError, TypeError) as wrong:
        raise BadKey("The file holds no secret key in PEM.") from wrong
    if not isinstance(secret, Ed25519PrivateKey):
        raise BadKey("The secret key is for another algorithm than Ed25519.")
    return secret.sign(message)


def fits(message: bytes, signature: bytes, public: bytes) -> bool:
    """Whether the holder of the key signed just this message (RFC 8032, section 5.1.7)."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except InvalidSignature:
        return False
    return True


def copy_of(payload: Payload, kid: str, signature: bytes) -> bytes:
    """The file that carries it, in canonical form too."""
    signed = {"algorithm": ALGORITHM, "key": kid, "value": base64.b64encode(signature).decode()}
    return rfc8785.dumps({"payload": dict(payload), "signature": signed})


def scanned_copy(copy: bytes) -> str:
    """The same as text for a QR code."""
    return SCANNED + base45(zlib.compress(copy, 9))


# Checking


def check(copy: str | bytes, keys: Keys) -> SignedCopy:
    """The copy, read and found to be what the holder of one of these keys signed.

    Raises:
        NotGenuine: it is not, or no copy can be read in it. That a key was compromised is for the caller to know.
    """
    found = read_copy(copy)
    if found.kid not in keys:
        raise NotGenuine(f"It names the key {found.kid}, which is not among those that you trust.")
    if not fits(canonical(found.payload), found.signature, keys[found.kid]):
        raise NotGenuine("The signature does not fit: something in this copy is not what was signed.")
    return found


def read_copy(copy: str | bytes) -> SignedCopy:
    """What a file or a scanned text says, not yet checked against any key.

    Raises:
        NotGenuine: there is no copy of a certificate in it.
    """
    if len(copy) > MOST_BYTES:
        raise NotGenuine("This is far longer than a certificate.")
    try:
        text = copy.decode() if isinstance(copy, bytes) else copy
    except UnicodeDecodeError as wrong:
        raise NotGenuine("This is no text: a damaged copy, or something else.") from wrong
    text = text.strip()
    if text.startswith(SCANNED):
        text = _unpacked(text.removeprefix(SCANNED))
    try:
        file = json.loads(text, object_pairs_hook=_once, parse_float=_no_number, parse_constant=_no_number)
        payload, signed = file["payload"], file["signature"]
        if set(file) != {"payload", "signature"} or set(signed) != {"algorithm", "key", "value"}:
            raise NotGenuine("It has other parts than a payload and its signature.")
        if signed["algorithm"] != ALGORITHM:
            raise NotGenuine(f"It is signed by “{signed['algorithm']}”, which is not {ALGORITHM}.")
        signature = _from_64(signed["value"])
        canonical(payload)
        if payload["key"] != signed["key"]:
            raise NotGenuine("It was signed as by one key and names another.")
    except NotGenuine:
        raise
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as wrong:
        raise NotGenuine("No copy of a certificate can be read in it: it is damaged, or something else.") from wrong
    return SignedCopy(payload, signed["key"], signature)


def _unpacked(text: str) -> str:
    try:
        unpack = zlib.decompressobj()
        copy = unpack.decompress(from_base45(text), MOST_BYTES)
        if not unpack.eof or unpack.unused_data:
            raise NotGenuine("Part of what was scanned is missing, or there is more than a certificate.")
        return copy.decode()
    except (ValueError, zlib.error) as wrong:
        raise NotGenuine("What was scanned is damaged or incomplete.") from wrong


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Two members of one name are read as one by one program and as the other by the next."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name twice in one object")
    return found


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text}: only whole numbers")


# Ways of writing bytes


def _url64(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def _from_url64(text: str) -> bytes:
    data = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    if _url64(data) != text:
        raise ValueError("not the one way to write these bytes")
    return data


def _from_64(text: str) -> bytes:
    """Raises ValueError: it is not the one way to write these bytes, so that a copy changed in it is a changed copy."""
    try:
        data = base64.b64decode(text, validate=True)
    except binascii.Error as wrong:
        raise ValueError("no base64") from wrong
    if base64.b64encode(data).decode() != text:
        raise ValueError("not the one way to write these bytes")
    return data


def base45(data: bytes) -> str:
    """RFC 9285, section 4.1.

    >>> base45(b"Hello!!")
    '%69 VD92EX0'
    """
    letters = []
    for at in range(0, len(data), 2):
        pair = data[at : at + 2]
        number = int.from_bytes(pair, "big")
        for _ in range(3 if len(pair) == 2 else 2):
            number, place = divmod(number, 45)
            letters.append(BASE45[place])
    return "".join(letters)


def from_base45(text: str) -> bytes:
    """RFC 9285, section 4.2.

    Raises:
        ValueError: it is none: a strange character, a rest of one, or three that say more than two bytes hold.
    """
    data = bytearray()
    for at in range(0, len(text), 3):
        letters = [BASE45.index(letter) for letter in text[at : at + 3]]
        if len(letters) == 1:
            raise ValueError("one character is left over")
        number = sum(place * 45**power for power, place in enumerate(letters))
        data += number.to_bytes(len(letters) - 1, "big") if number < 256 ** (len(letters) - 1) else _too_much(number)
    return bytes(data)


def _too_much(number: int) -> NoReturn:
    raise ValueError(f"{number} is more than its bytes hold")
