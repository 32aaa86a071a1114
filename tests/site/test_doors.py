"""Who and what is let in: hosts, bytes, bodies, logins."""

from __future__ import annotations

import socket
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator

import pytest
from django.conf import LazySettings
from django.contrib.auth.models import User
from django.core.handlers.wsgi import WSGIHandler
from django.test import Client
from waitress.server import create_server

from stockroom.models import Entry
from stockroom.site import serving
from stockroom.site.people import Role

GUESS = {"username": "owner", "password": "wrong"}


@pytest.fixture
def anyone(db: None) -> Client:
    return Client(raise_request_exception=False)


def test_a_host_that_is_not_ours_is_refused_and_not_answered_by_a_fault(anyone: Client) -> None:
    answer = anyone.get("/log-in/", headers={"host": "192.0.2.2"})
    assert answer.status_code == 400
    assert b"asked for by a name that it does not answer to" in answer.content


@pytest.mark.parametrize(
    "address",
    ["/for-sale/%00/", "/find/?q=%00", "/for-sale/?type=%00", "/customers/?name=" + "a" * 9_000],
)
def test_what_no_page_asks_for_is_refused(anyone: Client, person: Callable[..., User], address: str) -> None:
    anyone.force_login(person(Role.OWNER))
    assert anyone.get(address).status_code == 400


@pytest.mark.parametrize("typed", ["a\0b", "9" * 5_000])
def test_a_form_with_a_nul_byte_or_an_endless_number_is_refused(
    anyone: Client, person: Callable[..., User], typed: str
) -> None:
    anyone.force_login(person(Role.OWNER))
    assert anyone.post("/customers/new/", {"name": typed}).status_code == 400
    assert anyone.post("/customers/new/", {"name": "Ada Quill"}).status_code == 302


def test_a_stranger_sends_no_more_than_a_name_and_a_password(anyone: Client) -> None:
    answer = anyone.post("/log-in/", b"x" * 200_000, content_type="application/octet-stream")
    assert answer.status_code == 413
    assert b"Too much at once" in answer.content


def test_only_pages_that_take_files_take_large_bodies(anyone: Client, person: Callable[..., User]) -> None:
    anyone.force_login(person(Role.OWNER))
    large = b"x" * 6_000_000
    assert anyone.post("/customers/new/", large, content_type="application/octet-stream").status_code == 413
    assert anyone.post("/photographs/add/", large, content_type="application/octet-stream").status_code != 413


def test_a_login_without_a_role_reads_nothing(anyone: Client, person: Callable[..., User]) -> None:
    anyone.force_login(person())
    for address in ("/", "/customers/", "/suppliers/", "/daybook/"):
        answer = anyone.get(address)
        assert answer.status_code == 403
        assert b"no role yet" in answer.content
    assert anyone.get("/for-sale/").status_code == 200
    assert anyone.post("/log-out/").status_code == 302


def test_ten_wrong_guesses_rest_the_login_and_the_daybook_says_so(anyone: Client) -> None:
    User.objects.create_user("owner", password="a-long-test-password")
    answers = [anyone.post("/log-in/", GUESS).status_code for _ in range(10)]
    assert answers == [200] * 9 + [429]
    right = anyone.post("/log-in/", {"username": "owner", "password": "a-long-test-password"})
    assert right.status_code == 429
    assert b"Wait a quarter of an hour" in right.content
    assert Entry.objects.filter(action="log-in-locked").count() >= 1


def test_a_few_slips_lock_nobody_out_and_a_login_is_noted(anyone: Client) -> None:
    user = User.objects.create_user("owner", password="a-long-test-password")
    for _ in range(5):
        anyone.post("/log-in/", GUESS)
    assert anyone.post("/log-in/", {"username": "owner", "password": "a-long-test-password"}).status_code == 302
    assert Entry.objects.filter(action="logged-in", by=user).count() == 1


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *args: object, **kwargs: object) -> None:
        return None


@pytest.fixture
def behind_https(settings: LazySettings, transactional_db: None) -> Iterator[str]:
    """The shop behind a proxy that speaks https, as README describes it, on waitress with our options."""
    settings.SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    settings.SECURE_SSL_REDIRECT = True
    server = create_server(WSGIHandler(), host="127.0.0.1", port=0, **serving.server_options())
    threading.Thread(target=server.run, daemon=True).start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()


def _status(url: str, **headers: str) -> int:
    request = urllib.request.Request(url, headers=headers)
    try:
        with urllib.request.build_opener(_NoRedirect).open(request, timeout=20) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as refused:
        return refused.code


def test_behind_a_proxy_that_speaks_https_pages_open_and_plain_http_is_sent_there(behind_https: str) -> None:
    assert _status(f"{behind_https}/log-in/", **{"X-Forwarded-Proto": "https"}) == 200
    assert _status(f"{behind_https}/log-in/") == 301


def test_served_to_the_house_it_answers_by_the_machines_own_name(
    settings: LazySettings, monkeypatch: pytest.MonkeyPatch, anyone: Client
) -> None:
    monkeypatch.delenv("ALLOWED_HOSTS", raising=False)
    settings.ALLOWED_HOSTS = list(settings.ALLOWED_HOSTS)  # put back after the test, whatever the server adds
    name = next(name for name in serving.own_names() if name not in settings.ALLOWED_HOSTS)
    assert anyone.get("/for-sale/", headers={"host": name}).status_code == 400
    assert name in serving.answer_by_own_names("0.0.0.0")
    assert anyone.get("/for-sale/", headers={"host": name}).status_code == 200
    assert anyone.get("/for-sale/", headers={"host": "elsewhere.example"}).status_code == 400


def test_for_this_machine_alone_no_other_name_is_let_in(settings: LazySettings) -> None:
    before = list(settings.ALLOWED_HOSTS)
    assert serving.answer_by_own_names("127.0.0.1") == before
    assert socket.gethostname() not in before
