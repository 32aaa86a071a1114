"""Signatures, key names and canonical forms beside the vectors of their own specifications.

- RFC 8032, “Edwards-Curve Digital Signature Algorithm (EdDSA)”, January 2017, section 7.1: tests 1, 2, 3 and SHA(abc).
- RFC 8037, “CFRG Elliptic Curve Diffie-Hellman (ECDH) and Signatures in JOSE”, January 2017, appendix A: the key of
  A.1 and A.2, its thumbprint in A.3 (by RFC 7638).
- RFC 8785, “JSON Canonicalization Scheme (JCS)”, June 2020, section 3.2.3: the sorting of members.
- RFC 9285, “The Base45 Data Encoding”, August 2022, sections 4.3 and 4.4.
"""

from __future__ import annotations

import base64
import json
import zlib

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from hypothesis import given
from hypothesis import strategies as st

from grading.issued.pure import signing

# Secret key, public key, message, signature.
RFC_8032 = {
    "1": (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
        "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    "2": (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    "3": (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
        "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
    "SHA(abc)": (
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
        "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b589"
        "09351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
    ),
}


@pytest.mark.parametrize("name", RFC_8032)
def test_ed25519_signs_and_checks_as_its_specification_does(name: str) -> None:
    secret, public, message, signature = map(bytes.fromhex, RFC_8032[name])
    key = Ed25519PrivateKey.from_private_bytes(secret)
    assert key.public_key().public_bytes_raw() == public
    pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    assert signing.sign_bytes(message, pem) == signature
    assert signing.fits(message, signature, public)
    assert not signing.fits(message + b"\0", signature, public)
    for bit in range(0, 512, 7):
        other = bytearray(signature)
        other[bit // 8] ^= 1 << bit % 8
        assert not signing.fits(message, bytes(other), public)


def test_a_key_is_written_and_named_as_in_its_specification() -> None:
    """RFC 8037, A.1 to A.3: the same key as RFC 8032's test 1."""
    public = bytes.fromhex(RFC_8032["1"][1])
    key = signing.jwk(public)
    assert key["x"] == "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo" and (key["kty"], key["crv"]) == ("OKP", "Ed25519")
    assert signing.thumbprint(public) == key["kid"] == "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
    assert signing.public_of(key["x"]) == public


def test_members_are_sorted_by_utf_16_code_units_as_in_rfc_8785() -> None:
    """The example of section 3.2.3, but for its carriage return: what is signed here has no control characters."""
    example = {
        "\u20ac": "Euro Sign",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    assert signing.canonical(example).decode() == (
        '{"1":"One","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis","\u20ac":"Euro Sign",'
        '"\U0001f600":"Emoji: Grinning Face","\ufb33":"Hebrew Letter Dalet With Dagesh"}'
    )


@pytest.mark.parametrize("value", [{"a": 1.5}, {"a": None}, {"a": True}, {"a": "two\nlines"}, {"a": 2**53}])
def test_what_two_programs_could_write_in_two_ways_is_not_signed(value: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        signing.canonical(value)


@pytest.mark.parametrize(
    ("text", "encoded"), [("AB", "BB8"), ("Hello!!", "%69 VD92EX0"), ("base-45", "UJCLQE7W581"), ("ietf!", "QED8WEX0")]
)
def test_base45_is_that_of_rfc_9285(text: str, encoded: str) -> None:
    assert signing.base45(text.encode()) == encoded
    assert signing.from_base45(encoded) == text.encode()


@given(st.binary(max_size=200))
def test_base45_brings_back_any_bytes(data: bytes) -> None:
    assert signing.from_base45(signing.base45(data)) == data


@pytest.mark.parametrize("text", ["GGW", "A", "a", "ZZ", "é", ":::"])
def test_what_is_no_base45_is_refused(text: str) -> None:
    """RFC 9285, section 4.2: “GGW” is FFFF in hexadecimal, and what says more than that is to be refused."""
    if text == "GGW":
        assert signing.from_base45("FGW") == b"\xff\xff"
    with pytest.raises(ValueError):
        signing.from_base45(text)


# A certificate's copy


PEM, PUBLIC = signing.new_secret()
KID = signing.thumbprint(PUBLIC)
PAYLOAD = {"certificate": "M00001", "key": KID, "shop": "Zażółć & Söhne “Valves”", "valves": [{"serial": "10000012"}]}
COPY = signing.copy_of(PAYLOAD, KID, signing.sign(PAYLOAD, PEM))
KEYS = {KID: PUBLIC}


def test_a_copy_is_genuine_as_a_file_laid_out_anew_and_as_scanned_text() -> None:

    for copy in (COPY, json.dumps(json.loads(COPY), indent=2), signing.scanned_copy(COPY) + "\n"):
        assert signing.check(copy, KEYS).payload == PAYLOAD


@given(st.integers(0, len(COPY) - 1), st.integers(1, 255))
def test_a_copy_with_any_byte_changed_is_refused(at: int, by: int) -> None:
    changed = bytearray(COPY)
    changed[at] ^= by
    with pytest.raises(signing.NotGenuine):
        signing.check(bytes(changed), KEYS)


SCANNED = signing.scanned_copy(COPY)


@given(st.integers(len(signing.SCANNED), len(SCANNED) - 1), st.sampled_from(signing.BASE45))
def test_a_scanned_text_with_any_sign_changed_is_refused(at: int, sign: str) -> None:
    if SCANNED[at] == sign:
        return
    with pytest.raises(signing.NotGenuine):
        signing.check(SCANNED[:at] + sign + SCANNED[at + 1 :], KEYS)


@given(st.integers(0, len(SCANNED) - 1))
def test_a_scanned_text_cut_short_is_refused(length: int) -> None:
    with pytest.raises(signing.NotGenuine):
        signing.check(SCANNED[:length], KEYS)


@pytest.mark.parametrize(
    "forged",
    [
        COPY.replace(b'{"payload":', b'{"payload":{},"payload":'),
        COPY[:-1] + b',"more":1}',
        COPY.replace(b'"Ed25519"', b'"none"'),
        b"",
        b"[]",
        b'{"payload":{},"signature":{}}',
        b"[" * 100_000,
        b"x" * (signing.MOST_BYTES + 1),
    ],
)
def test_a_copy_with_other_parts_is_refused(forged: bytes) -> None:
    with pytest.raises(signing.NotGenuine):
        signing.check(forged, KEYS)


def test_a_signature_by_another_key_is_refused_whatever_it_is_called() -> None:
    pem, public = signing.new_secret()
    by_other = signing.copy_of(PAYLOAD, KID, signing.sign(PAYLOAD, pem))
    for keys in (KEYS, {signing.thumbprint(public): public}):
        with pytest.raises(signing.NotGenuine):
            signing.check(by_other, keys)


def test_a_small_text_that_unpacks_to_a_huge_one_is_refused() -> None:

    bomb = signing.SCANNED + signing.base45(zlib.compress(b" " * 50_000_000, 9))
    with pytest.raises(signing.NotGenuine):
        signing.check(bomb, KEYS)


def test_keys_are_read_from_pem_and_from_a_jwk_set_and_no_key_goes_by_anothers_name() -> None:

    other = signing.new_secret()[1]
    pems = signing.public_pem(PUBLIC) + signing.public_pem(other)
    sets = json.dumps(
        {"keys": [signing.jwk(PUBLIC), signing.jwk(other), {"kty": "RSA", "n": "", "e": "AQAB", "crv": ""}]}
    )
    for text in (pems, sets):
        assert signing.read_keys(text) == {KID: PUBLIC, signing.thumbprint(other): other}
    with pytest.raises(signing.BadKey, match="not its own"):
        signing.read_keys(json.dumps({"keys": [{**signing.jwk(other), "kid": KID}]}))
    for text in ("", "{}", "-----BEGIN PUBLIC KEY-----\nAAAA\n-----END PUBLIC KEY-----", '{"keys":[]}'):
        with pytest.raises(signing.BadKey):
            signing.read_keys(text)


def test_a_signature_is_written_in_one_way() -> None:
    """The last letter of 64 bytes in base64 has bits to spare: a copy changed in them would fit all the same."""

    copy = json.loads(COPY)
    value = copy["signature"]["value"]
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
    loose = value[:-3] + letters[letters.index(value[-3]) + 1] + "=="
    assert base64.b64decode(loose) == base64.b64decode(value)
    copy["signature"]["value"] = loose
    with pytest.raises(signing.NotGenuine):
        signing.check(json.dumps(copy), KEYS)
