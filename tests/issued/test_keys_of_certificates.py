"""Keys come and go, and what they signed is checked with the program, without it, and never against a bad key."""

from __future__ import annotations

import html
import io
import json
import re
import shutil
import stat
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.contrib.auth.models import User
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.issued import issuing, keys
from grading.issued.pure import signing
from grading.models import IssuedCertificate, SigningKey
from stockroom.export.writing import export
from stockroom.models import Valve
from stockroom.site.people import Role
from tests.factories import graded, make_type, make_user, make_valve

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.OWNER)


@pytest.fixture
def valve() -> Valve:
    made = make_valve(make_type())
    graded(made, ia=1.18, gm=1.58)
    return made


@pytest.fixture
def made(valve: Valve, by: User) -> IssuedCertificate:
    return issuing.issue(valve, by)


@pytest.fixture
def saved(made: IssuedCertificate, tmp_path: Path) -> Path:
    """The copy as anybody saves it from the certificate's page."""
    answer = Client().get(reverse("certificate-copy", args=[made.token]))
    assert f"certificate-{made}.json" in answer["Content-Disposition"]
    file = tmp_path / "copy.json"
    file.write_bytes(answer.content)
    return file


@pytest.fixture
def pem(made: IssuedCertificate, tmp_path: Path) -> Path:
    file = tmp_path / "key.pem"
    file.write_bytes(Client().get(reverse("certificate-key-pem", args=[made.key.kid])).content)
    return file


def checked(file: Path, *given: Path) -> str:
    out = io.StringIO()
    call_command("check_certificate", str(file), *(f"--key={path}" for path in given), stdout=out)
    return out.getvalue()


def test_the_secret_half_is_a_file_for_its_owner_alone_and_in_no_archive(made: IssuedCertificate) -> None:
    secret = keys.secret_file(made.key.kid)
    assert stat.S_IMODE(secret.stat().st_mode) == 0o600
    archive = io.BytesIO()
    export(archive)
    body = secret.read_text().splitlines()[1]
    with zipfile.ZipFile(archive) as files:
        assert all(body.encode() not in files.read(name) for name in files.namelist())
        assert made.key.x.encode() in files.read("grading_signingkey.csv")
    assert not secret.is_relative_to(settings.MEDIA_ROOT), "a backup takes all that lies there"


def test_a_saved_copy_is_checked_with_the_published_keys_and_with_the_shops_own(
    saved: Path, pem: Path, tmp_path: Path, made: IssuedCertificate
) -> None:
    jwks = tmp_path / "jwks.json"
    jwks.write_bytes(Client().get("/.well-known/jwks.json").content)
    for given in ([pem], [jwks], [pem, jwks]):
        assert checked(saved, *given).startswith(f"Genuine: certificate {made} of")
    assert "It stands." in checked(saved)
    saved.write_text(saved.read_text().replace('"1.58"', '"1.85"'))
    with pytest.raises(CommandError, match="something in this copy is not what was signed"):
        checked(saved, pem)


def recipe(name: str) -> str:
    """As it stands on the public page."""
    page = Client().get(reverse("certificate-keys")).content.decode()
    found = re.search(rf'<pre id="{name}" tabindex="0">(.*?)</pre>', page, re.S)
    assert found
    return html.unescape(found[1])


def test_the_recipe_for_python_on_the_page_checks_a_copy_and_a_scanned_text(
    saved: Path, pem: Path, tmp_path: Path, made: IssuedCertificate
) -> None:
    scanned = tmp_path / "scanned.txt"
    scanned.write_text(signing.scanned_copy(saved.read_bytes()) + "\n")
    forged = tmp_path / "forged.json"
    forged.write_text(saved.read_text().replace('"1.58"', '"1.85"'))
    program = tmp_path / "check.py"
    program.write_text(recipe("python"))

    def run(file: Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run([sys.executable, program, file, pem], capture_output=True, text=True)

    for file in (saved, scanned):
        assert made.key.kid in run(file).stdout and '"1.58"' in run(file).stdout
    assert run(forged).returncode != 0 and "genuine" not in run(forged).stdout


def test_the_recipe_for_openssl_on_the_page_checks_a_copy(saved: Path, pem: Path) -> None:
    if not (shutil.which("openssl") and shutil.which("jq")):
        pytest.skip("no openssl, or no jq, on PATH")

    def run() -> subprocess.CompletedProcess[str]:
        return subprocess.run(["sh", "-c", recipe("openssl")], cwd=saved.parent, capture_output=True, text=True)

    assert "Signature Verified Successfully" in run().stdout
    saved.write_text(saved.read_text().replace('"1.58"', '"1.85"'))
    assert run().returncode != 0


def test_a_new_key_signs_from_now_on_and_the_old_one_still_counts(
    saved: Path, made: IssuedCertificate, valve: Valve, by: User, django_capture_on_commit_callbacks: Any
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        new = keys.begin_new_key(by)
    assert not keys.secret_file(made.key.kid).exists(), "nobody can sign with it any more"
    assert SigningKey.objects.filter(in_use=True).get() == new
    assert "Genuine" in checked(saved)
    again = issuing.issue(valve, by)
    assert again.key == new and again != made
    rows = json.loads(Client().get("/.well-known/jwks.json").content)["keys"]
    assert [("retired_at" in row, row["kid"]) for row in rows] == [(False, new.kid), (True, made.key.kid)]


def test_a_copy_by_a_compromised_key_proves_nothing_and_its_page_still_answers(
    saved: Path, made: IssuedCertificate, logged_in: Callable[..., Client]
) -> None:
    client, address = logged_in(Role.OWNER), reverse("signing-key-compromised", args=[made.key.kid])
    ahead = timezone.localdate() + timezone.timedelta(days=1)
    assert "still to come" in client.post(address, {"since": ahead.isoformat(), "how": "?"}).content.decode()
    client.post(address, {"since": "2026-11-01", "how": "a laptop was stolen"})
    key = SigningKey.objects.get(kid=made.key.kid)
    assert not key.in_use and SigningKey.objects.filter(in_use=True).count() == 1
    with pytest.raises(CommandError, match=r"not among those that you trust\. The key is compromised from 1 Nov 2026"):
        checked(saved)
    page = Client().get(made.get_absolute_url()).content.decode()
    assert "It stands." in page and "compromised from 1 Nov 2026" in page and "laptop" not in page
    rows = json.loads(Client().get("/.well-known/jwks.json").content)["keys"]
    assert {row["kid"]: row.get("compromised_from") for row in rows}[key.kid] == "2026-11-01"


def test_without_its_secret_half_nothing_is_issued_and_it_is_said_what_to_do(
    made: IssuedCertificate, logged_in: Callable[..., Client]
) -> None:
    keys.secret_file(made.key.kid).unlink()
    other = make_valve(make_type())
    graded(other)
    client = logged_in(Role.OWNER)
    answer = client.post(reverse("valve-certificate-issue", args=[other.serial]), follow=True)
    assert "let the owner begin a new key at Office" in answer.content.decode()
    assert IssuedCertificate.objects.count() == 1
    assert "missing" in client.get(reverse("signing-keys")).content.decode()
    client.post(reverse("signing-key-new"), {"once": "a"})
    client.post(reverse("valve-certificate-issue", args=[other.serial]))
    assert IssuedCertificate.objects.count() == 2


def test_the_first_key_is_made_once(by: User) -> None:
    assert keys.key_in_use(by) == keys.key_in_use(by) == SigningKey.objects.get()
