"""Photographs: sent from a phone, queued, made ready, shown, opened to the public, removed."""

from __future__ import annotations

import errno
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, transaction
from django.http import FileResponse
from django.template import Context, Template
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from stockroom.jobs import worker
from stockroom.models import Attachment, Entry, Job, Photograph, Valve
from stockroom.models.photographs import Subject
from stockroom.photographs import storing
from stockroom.photographs.pure import pictures
from stockroom.photographs.storing import (
    MOST_AT_ONCE,
    PhotographError,
    Processed,
    UnknownSubject,
    process_again,
    process_waiting,
    read_subject,
    receive,
    remove,
    set_public,
)
from stockroom.site.people import Role
from tests.cameras import SECRETS, photograph, with_everything
from tests.factories import make_line, make_user, make_valve, make_valves

pytestmark = pytest.mark.django_db

READY, WAITING, REFUSED = Photograph.State.READY, Photograph.State.WAITING, Photograph.State.REFUSED
NEVER = "the request must leave this to the worker"


@pytest.fixture(autouse=True)
def media(settings, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path / "media"
    return settings.MEDIA_ROOT


@pytest.fixture
def valve(db: None) -> Valve:
    return make_valve()


def upload(data: bytes | None = None, name: str = "photo.jpg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, photograph() if data is None else data)


def send(client: Client, subject: Subject, *files: SimpleUploadedFile, **how: str) -> Any:
    address = storing.address(subject).replace("/photographs/", "/photographs/add/")
    return client.post(address, {"files": files}, headers=how)


def attached(subject: Subject, data: bytes | None = None, name: str = "photo.jpg") -> Attachment:
    """Received and made ready."""
    receive([upload(data, name)], subject, None)
    process_waiting()
    return Attachment.objects.of(subject).latest("pk")


def told(response: Any) -> list[str]:
    return [str(message) for message in response.context["messages"]]


def body(response: Any) -> bytes:
    assert isinstance(response, FileResponse)
    return response.getvalue()


# What it is a photograph of


def test_a_serial_a_lot_and_a_line_are_told_apart():
    line = make_line(count=3)
    valve = make_valve(line=line)
    assert read_subject(f" {valve.serial} ") == valve
    assert read_subject(str(line.lot).lower()) == line.lot
    assert read_subject(f"{line.lot}/{line.number}") == line


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("L9999", "no lot L9999"),
        ("L9999/1", "no line L9999/1"),
        ("10000012", "No valve"),
        ("10000013", "check digit"),
        ("", "Nothing was scanned"),
        ("box", "not a serial"),
    ],
)
def test_what_names_nothing_is_said_to(text, problem):
    with pytest.raises(UnknownSubject, match=problem):
        read_subject(text)


def test_a_scan_leads_to_the_page_of_the_valve(logged_in: Callable[..., Client], valve: Valve):
    answer = logged_in(Role.BENCH).get(reverse("photographs"), {"to": valve.serial})
    assert answer.status_code == 302 and answer["Location"] == f"/photographs/?valve={valve.serial}"


def test_a_bad_scan_stays_in_its_field_with_the_reason_beside_it(logged_in: Callable[..., Client]):
    answer = logged_in(Role.BENCH).get(reverse("photographs"), {"to": "1000001"})
    assert answer.status_code == 200
    assert 'value="1000001"' in answer.text and "has 7 digits" in answer.text


@pytest.mark.parametrize("query", ["valve=99", "valve=L0001", "lot=L9999", "line=L0001"])
def test_an_address_of_nothing_is_not_found(logged_in: Callable[..., Client], query: str):
    assert logged_in(Role.BENCH).get(f"/photographs/?{query}").status_code == 404


# Sending


def test_a_photograph_is_kept_queued_and_attached(logged_in: Callable[..., Client], valve: Valve):
    data = with_everything()
    answer = send(logged_in(Role.RECEIVING), valve, upload(data, "IMG_1.jpg"))
    assert answer.status_code == 302 and answer["Location"] == f"/photographs/?valve={valve.serial}"
    attachment = Attachment.objects.get(valve=valve)
    assert attachment.file_name == "IMG_1.jpg" and str(attachment.added_by) == "receiving"
    assert attachment.photograph.state == WAITING
    assert attachment.photograph.original.read_bytes() == data
    entry = Entry.objects.get(action="photographs-added")
    assert (entry.text, entry.valve, entry.line, entry.lot) == (
        f"1 photograph added to {valve.serial}.",
        valve,
        valve.line,
        valve.line.lot,
    )


@pytest.mark.parametrize("thing", ["valve", "line", "lot"])
def test_valves_lines_and_lots_take_photographs(logged_in: Callable[..., Client], valve: Valve, thing: str):
    subjects: dict[str, Subject] = {"valve": valve, "line": valve.line, "lot": valve.line.lot}
    subject = subjects[thing]
    client = logged_in(Role.BENCH)
    send(client, subject, upload())
    page = client.get(storing.address(subject))
    assert "being prepared" in page.text and "1 photograph received" in page.text
    process_waiting()
    attachment = Attachment.objects.get(**{thing: subject})
    assert reverse("photograph-copy", args=[attachment.pk, "small"]) in client.get(storing.address(subject)).text


def test_a_lot_shows_the_photographs_of_its_lines_too(valve: Valve):
    of_line, of_lot = attached(valve.line), attached(valve.line.lot, photograph(shade=1))
    attached(valve, photograph(shade=2))
    assert set(Attachment.objects.of(valve.line.lot)) == {of_line, of_lot}


def test_two_hundred_photographs_are_queued_without_any_being_processed(
    logged_in: Callable[..., Client], valve: Valve, media: Path, monkeypatch: pytest.MonkeyPatch
):
    lot = valve.line.lot
    files = [upload(photograph(40, 30, shade=number), f"IMG_{number}.jpg") for number in range(200)]
    with monkeypatch.context() as during_the_request:
        during_the_request.setattr(pictures, "prepare", lambda data: pytest.fail(NEVER))
        during_the_request.setattr(Image.Image, "load", lambda self: pytest.fail(NEVER))
        answer = send(logged_in(Role.RECEIVING), lot, *files)
    assert answer.status_code == 302
    assert Photograph.objects.waiting().count() == lot.photographs.count() == 200
    stored = [path.relative_to(media / "photographs").parts[0] for path in media.rglob("*") if path.is_file()]
    assert stored == ["original"] * 200

    assert process_waiting(limit=50) == Processed(ready=50)
    assert process_waiting() == Processed(ready=150)
    assert not process_waiting()
    assert Photograph.objects.filter(state=READY).count() == 200
    assert len([path for path in media.rglob("*.jpg") if "original" not in path.parts]) == 400
    assert Entry.objects.filter(action="photographs-added").count() == 1


def test_one_bad_file_does_not_lose_the_good_ones_and_each_refusal_names_its_file(
    logged_in: Callable[..., Client], valve: Valve
):
    client = logged_in(Role.SALES)
    answer = send(
        client,
        valve,
        upload(photograph(shade=1), "one.jpg"),
        upload(b"<html><script>alert(1)</script>", "page.jpg"),
        upload(b"%PDF-1.7 ...", "invoice.jpg"),
        upload(photograph(kind="PNG"), "hidden.jpg"),
        upload(photograph(shade=2)[:3], "stub.jpg"),
        upload(photograph(shade=3), "two.jpg"),
    )
    assert [row.file_name for row in Attachment.objects.of(valve)] == ["one.jpg", "two.jpg"]
    said = told(client.get(answer["Location"]))
    assert said[0].startswith("2 photographs received.")
    assert [text.split(":")[0] for text in said[1:]] == [
        "page.jpg is refused",
        "invoice.jpg is refused",
        "hidden.jpg is refused",
        "stub.jpg is refused",
    ]
    assert "web page" in said[1] and "PDF" in said[2] and "PNG inside" in said[3] and "broken" in said[4]


def test_an_empty_file_is_refused_by_name(valve: Valve):
    received = receive([upload(b"", "empty.jpg")], valve, None)
    assert received.refused == [("empty.jpg", "it is empty.")]
    assert not Entry.objects.exists()


def test_a_file_of_too_many_bytes_is_refused_and_not_stored(valve: Valve, media: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(pictures, "MAX_BYTES", 1000)
    received = receive([upload(photograph(400, 300), "large.jpg")], valve, None)
    assert [refusal.name for refusal in received.refused] == ["large.jpg"]
    assert not [path for path in media.rglob("*") if path.is_file()]


def test_sending_nothing_is_said(logged_in: Callable[..., Client], valve: Valve):
    client = logged_in(Role.BENCH)
    assert "No photograph was chosen" in told(client.get(send(client, valve)["Location"]))[0]


def test_more_than_three_hundred_at_once_are_refused_by_name_and_the_first_are_taken(
    logged_in: Callable[..., Client], valve: Valve
):
    files = [upload(photograph(8, 8, shade=number), f"IMG_{number}.jpg") for number in range(MOST_AT_ONCE + 2)]
    answer = send(logged_in(Role.BENCH), valve, *files, Accept="application/json")
    told = answer.json()
    assert len(told["queued"]) == MOST_AT_ONCE == Photograph.objects.count()
    assert [text[:19] for text in told["refused"]] == ["IMG_300.jpg is refu", "IMG_301.jpg is refu"]
    assert "at most 300" in told["refused"][0]


def test_a_request_with_files_without_end_is_turned_away_whole(logged_in: Callable[..., Client], valve: Valve):
    files = [upload(b"x", "x.jpg") for _ in range(401)]
    assert send(logged_in(Role.BENCH), valve, *files).status_code == 400
    assert not Attachment.objects.exists()


# The same photograph twice


def test_the_same_photograph_twice_is_said_and_stored_once(logged_in: Callable[..., Client], valve: Valve, media: Path):
    client = logged_in(Role.BENCH)
    send(client, valve, upload(name="a.jpg"), upload(name="b.jpg"))
    answer = send(client, valve, upload(name="c.jpg"))
    assert Attachment.objects.get().file_name == "a.jpg"
    assert len([path for path in media.rglob("*") if path.is_file()]) == 1
    said = told(client.get(answer["Location"]))
    assert "Here already, and not stored twice: b.jpg." in said
    assert "Here already, and not stored twice: c.jpg." in said


def test_the_same_photograph_of_another_thing_is_attached_and_not_stored_or_prepared_again(valve: Valve):
    first = attached(valve)
    received = receive([upload(name="again.jpg")], valve.line.lot, None)
    assert received.known == ["again.jpg"] and not received.queued
    assert Photograph.objects.get().attachments.count() == 2
    assert first.photograph.state == READY and not process_waiting()


def test_the_database_refuses_a_second_attachment_to_the_same_thing(valve: Valve):
    row = attached(valve)
    with pytest.raises(IntegrityError), transaction.atomic():
        Attachment.objects.create(photograph=row.photograph, valve=valve, file_name="x.jpg")


def test_the_database_refuses_a_photograph_of_nothing_or_of_two_things(valve: Valve):
    photo = attached(valve).photograph
    for things in ({}, {"line": valve.line, "lot": valve.line.lot}):
        with pytest.raises(IntegrityError), transaction.atomic():
            Attachment.objects.create(photograph=photo, file_name="x.jpg", **things)


# The worker


def test_what_is_shown_is_upright_and_carries_nothing_of_the_camera(logged_in: Callable[..., Client], valve: Valve):
    row = attached(valve, with_everything(640, 480, orientation=6))
    row.photograph.refresh_from_db()
    assert (row.photograph.width, row.photograph.height) == (480, 640)
    client = logged_in(Role.BENCH)
    for size, longer in (("small", 320), ("large", 640)):
        copy = body(client.get(reverse("photograph-copy", args=[row.pk, size])))
        image = Image.open(io.BytesIO(copy))
        assert image.size == (longer * 3 // 4, longer)
        assert not image.getexif() and not image.getexif().get_ifd(0x8825)
        assert not any(secret in copy for secret in (*SECRETS, b"Exif", b"GPS"))


def test_a_photograph_that_is_broken_inside_is_refused_by_the_worker_and_shown_with_the_reason(
    logged_in: Callable[..., Client], valve: Valve
):
    whole = photograph(400, 300)
    receive([upload(whole[: len(whole) // 2], "cut.jpg"), upload(name="good.jpg")], valve, None)
    assert process_waiting() == Processed(ready=1, refused=1)
    cut = Attachment.objects.get(file_name="cut.jpg").photograph
    assert cut.state == REFUSED and "cut short" in cut.refused_because
    page = logged_in(Role.BENCH).get(storing.address(valve)).text
    assert "cut.jpg</a> is refused: it is broken or was cut short. Send it again." in " ".join(page.split())
    entry = Entry.objects.get(action="photograph-refused")
    assert entry.valve == valve and entry.by is None and "cut.jpg" in entry.text


def test_what_was_refused_is_tried_again_when_it_is_sent_again_or_asked_for(valve: Valve):
    whole = photograph(400, 300)
    cut = whole[: len(whole) // 2]
    row = attached(valve, cut)
    assert row.photograph.state == REFUSED
    assert receive([upload(cut, "cut.jpg")], valve, None).already == ["cut.jpg"]
    assert process_waiting() == Processed(refused=1)
    row.photograph.original.write_bytes(whole)  # as if a newer decoder could read it
    assert process_again() == 1
    assert process_waiting() == Processed(ready=1)


def test_a_missing_original_is_said(valve: Valve):
    receive([upload()], valve, None)
    photo = Photograph.objects.get()
    photo.original.unlink()
    assert process_waiting() == Processed(refused=1)
    photo.refresh_from_db()
    assert "no longer in the store" in photo.refused_because


def test_a_photograph_that_kills_its_workers_is_given_up(valve: Valve):
    receive([upload()], valve, None)
    for _ in range(worker.MOST_ATTEMPTS):
        assert worker.claim() is not None
        Job.objects.update(alive_at=timezone.now() - worker.LOST_AFTER * 2)
    assert process_waiting() == Processed(refused=1)
    assert "begun 3 times" in Photograph.objects.get().refused_because
    assert receive([upload()], valve, None).already and process_waiting() == Processed(ready=1)


def test_a_photograph_waits_in_the_queue_once_and_leaves_nothing_there(valve: Valve):
    receive([upload()], valve, None)
    receive([upload()], valve.line, None)
    assert Job.objects.count() == 1
    assert process_waiting() == Processed(ready=1) and not Job.objects.exists()


def test_trouble_with_one_is_logged_counted_and_leaves_the_others(
    valve: Valve, media: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
):
    receive([upload(photograph(shade=1)), upload(photograph(shade=2))], valve, None)
    bad, put = Photograph.objects.order_by("pk")[0], storing._put

    def full_disk(part, place):
        if place == bad.copy("large"):
            raise OSError(errno.ENOSPC, "no space left")
        put(part, place)

    monkeypatch.setattr(storing, "_put", full_disk)
    assert process_waiting() == Processed(ready=1, failed=1)
    assert bad.sha256[:12] in caplog.text and "no space left" in caplog.text
    bad.refresh_from_db()
    assert bad.state == WAITING
    job = Job.objects.get()
    assert job.attempts == 0 and "the disk is full" in job.trouble
    assert not list(media.rglob("part-*"))
    monkeypatch.undo()
    Job.objects.update(not_before=None)
    assert process_waiting() == Processed(ready=1)


def test_the_command_prepares_what_waits_and_fails_when_it_could_not(
    valve: Valve, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    receive([upload()], valve, None)
    call_command("process_photographs")
    assert capsys.readouterr().out == "1 ready, 0 refused.\n"
    Photograph.objects.update(state=REFUSED)
    full = OSError(errno.ENOSPC, "no space left")
    monkeypatch.setattr(storing, "_put", lambda part, place: (_ for _ in ()).throw(full))
    with pytest.raises(CommandError, match="1 could not be prepared"):
        call_command("process_photographs", "--again")


# The files


def test_copies_and_originals_are_sent_with_their_kind_and_cannot_run(logged_in: Callable[..., Client], valve: Valve):
    data = photograph(kind="PNG")
    row = attached(valve, data, 'a "b".png')
    client = logged_in(Role.BENCH)
    copy = client.get(reverse("photograph-copy", args=[row.pk, "small"]))
    original = client.get(reverse("photograph-original", args=[row.pk]))
    assert copy["Content-Type"] == "image/jpeg" and original["Content-Type"] == "image/png"
    assert copy["Content-Disposition"] == f'inline; filename="{valve.serial}-{row.pk}-small.jpg"'
    assert original["Content-Disposition"].startswith("attachment; filename=")
    for answer in (copy, original):
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert "sandbox" in answer["Content-Security-Policy"]
        assert "private" in answer["Cache-Control"]
    assert body(original) == data
    assert body(copy)[:2] == b"\xff\xd8"


def test_the_page_of_a_photograph_warns_that_the_original_keeps_its_metadata(
    logged_in: Callable[..., Client], valve: Valve
):
    page = logged_in(Role.BENCH).get(attached(valve).get_absolute_url())
    assert "The original still holds what the camera wrote into it" in page.text


def test_without_a_login_neither_page_nor_copy_nor_original_is_given(client: Client, valve: Valve):
    row = attached(valve)
    Attachment.objects.update(public=True)
    for address in (
        storing.address(valve),
        row.get_absolute_url(),
        reverse("photograph-copy", args=[row.pk, "small"]),
        reverse("photograph-original", args=[row.pk]),
    ):
        assert client.get(address)["Location"].startswith(reverse("login"))


def test_what_is_not_ready_or_no_size_is_not_found(logged_in: Callable[..., Client], valve: Valve):
    client = logged_in(Role.BENCH)
    row = attached(valve)
    assert client.get(reverse("photograph-copy", args=[row.pk, "original"])).status_code == 404
    row.photograph.copy("small").unlink()
    assert client.get(reverse("photograph-copy", args=[row.pk, "small"])).status_code == 404
    Photograph.objects.update(state=WAITING)
    assert client.get(reverse("photograph-copy", args=[row.pk, "large"])).status_code == 404


# The public


def test_the_public_gets_clean_copies_of_what_sales_opened_and_nothing_else(
    client: Client, logged_in: Callable[..., Client], valve: Valve
):
    shown, hidden = attached(valve, with_everything()), attached(valve, photograph(shade=9))
    address = storing.address(valve).replace("/photographs/", "/photographs/public/")
    answer = logged_in(Role.SALES).post(address, {"on_page": [shown.pk, hidden.pk], "public": [shown.pk]})
    assert answer.status_code == 302
    copy = body(client.get(reverse("public-photograph", args=[shown.pk, "large"])))
    assert not any(secret in copy for secret in SECRETS)
    assert client.get(reverse("public-photograph", args=[hidden.pk, "large"])).status_code == 404
    assert client.get(reverse("public-photograph", args=[shown.pk, "original"])).status_code == 404
    response = client.get(reverse("public-photograph", args=[shown.pk, "small"]))
    assert response["Cache-Control"].startswith("private")  # staff look at it too, and their answer has a cookie
    assert Entry.objects.get(action="photographs-public").text == (
        f"1 photograph of {valve.serial} shown to the public: photo.jpg."
    )


def test_opening_touches_only_what_stood_on_the_page_and_is_of_the_valve(valve: Valve):
    keys = [attached(valve, photograph(shade=number)).pk for number in range(3)]
    assert set_public(valve, keys, keys, None) == (3, 0)
    assert set_public(valve, keys[:2], keys[:1], None) == (0, 1)
    assert list(Attachment.objects.order_by("pk").values_list("public", flat=True)) == [True, False, True]
    assert set_public(valve, keys[:2], keys[:1], None) == (0, 0)
    assert set_public(make_valve(), keys, [], None) == (0, 0)
    assert Entry.objects.filter(action="photographs-public").count() == 2


def test_a_photograph_of_a_lot_is_never_public(logged_in: Callable[..., Client], valve: Valve):
    row = attached(valve.line.lot)
    address = storing.address(valve.line.lot).replace("/photographs/", "/photographs/public/")
    assert logged_in(Role.SALES).post(address, {"on_page": [row.pk], "public": [row.pk]}).status_code == 404
    with pytest.raises(IntegrityError), transaction.atomic():
        Attachment.objects.update(public=True)


def test_the_public_part_shows_opened_photographs_of_its_valves_only(valve: Valve):
    other = make_valve()
    shown, hidden, of_other = (attached(thing, photograph(shade=n)) for n, thing in enumerate((valve, valve, other)))
    for thing, row in ((valve, shown), (other, of_other)):
        set_public(thing, [row.pk], [row.pk], None)
    part = Template('{% include "photographs/_public_photographs.html" %}')
    text = part.render(Context({"valves": [valve]}))
    assert reverse("public-photograph", args=[shown.pk, "small"]) in text
    assert f"/{hidden.pk}/" not in text and f"/{of_other.pk}/" not in text
    assert "Photographs" not in part.render(Context({"valves": [make_valve()]}))


# Removing


def test_removing_hides_it_with_the_reason_and_keeps_the_file(logged_in: Callable[..., Client], valve: Valve):
    row = attached(valve)
    set_public(valve, [row.pk], [row.pk], None)
    client = logged_in(Role.BENCH)
    answer = client.post(reverse("photograph-remove", args=[row.pk]), {"because": "it shows the wrong valve"})
    assert answer.status_code == 302
    row.refresh_from_db()
    assert row.removed_at and str(row.removed_by) == "bench" and not row.public
    assert row.photograph.original.exists()
    page = client.get(storing.address(valve)).text
    assert reverse("photograph-copy", args=[row.pk, "small"]) not in page
    assert "Removed (1)" in page and "it shows the wrong valve" in page
    assert Client().get(reverse("public-photograph", args=[row.pk, "small"])).status_code == 404
    assert Entry.objects.get(action="photograph-removed").valve == valve


def test_removing_takes_a_reason_and_happens_once(logged_in: Callable[..., Client], valve: Valve):
    row = attached(valve)
    client = logged_in(Role.BENCH)
    answer = client.post(reverse("photograph-remove", args=[row.pk]), {"because": " "})
    assert answer.status_code == 200 and "This field is required" in answer.text
    remove(row, "blurred", None)
    with pytest.raises(PhotographError, match="removed already"):
        remove(row, "blurred", None)
    with pytest.raises(PhotographError, match="Say why"):
        remove(row, "", None)


def test_what_was_removed_can_be_sent_again(valve: Valve):
    row = attached(valve)
    remove(row, "by mistake", None)
    assert receive([upload()], valve, None).known == ["photo.jpg"]
    assert Attachment.objects.current().of(valve).count() == 1


# Who may


@pytest.mark.parametrize("role", [Role.RECEIVING, Role.BENCH, Role.SALES, Role.OWNER])
def test_receiving_bench_and_sales_may_add_and_remove(logged_in: Callable[..., Client], valve: Valve, role: Role):
    client = logged_in(role)
    send(client, valve, upload())
    row = Attachment.objects.get()
    client.post(reverse("photograph-remove", args=[row.pk]), {"because": "blurred"})
    row.refresh_from_db()
    assert row.removed_because == "blurred"


def test_a_login_without_a_role_sees_and_changes_nothing(logged_in: Callable[..., Client], valve: Valve):
    row = attached(valve)
    client = logged_in()
    assert client.get(storing.address(valve)).status_code == 403
    assert send(client, valve, upload(photograph(shade=5))).status_code == 403
    assert client.post(reverse("photograph-remove", args=[row.pk]), {"because": "x"}).status_code == 403
    assert Attachment.objects.current().count() == 1


@pytest.mark.parametrize("role", [Role.RECEIVING, Role.BENCH])
def test_only_sales_opens_photographs_to_the_public(logged_in: Callable[..., Client], valve: Valve, role: Role):
    row = attached(valve)
    address = storing.address(valve).replace("/photographs/", "/photographs/public/")
    client = logged_in(role)
    assert client.post(address, {"on_page": [row.pk], "public": [row.pk]}).status_code == 403
    assert 'name="public"' not in client.get(storing.address(valve)).text


# The pages


def test_the_part_for_other_pages_shows_a_few_and_the_way_to_all(rf, valve: Valve):
    for number in range(14):
        attached(valve, photograph(shade=number))
    part = Template('{% include "photographs/_photographs.html" with of=valve %}')
    text = part.render(Context({"valve": valve, "roles": {"bench": True}}))
    assert text.count("<img") == 12 and "See 14 photographs" in text and "Add photographs" in text
    none = part.render(Context({"valve": make_valve(), "roles": {}}))
    assert "None yet" in none and "Add photographs" not in none


def test_the_page_takes_the_same_queries_for_few_and_for_many(logged_in: Callable[..., Client]):
    few, many = make_valves(count=2)
    lot = few.line.lot
    receive([upload()], few, make_user("kit"))
    receive([upload(photograph(shade=number)) for number in range(60)], many, make_user("kit"))
    receive([upload(photograph(shade=number)) for number in range(20)], few.line, make_user("kit"))
    process_waiting(limit=30)
    client = logged_in(Role.SALES)
    client.get(storing.address(few))
    counts = []
    for subject in (few, many, few.line, lot, None):
        with CaptureQueriesContext(connection) as queries:
            assert client.get(storing.address(subject) if subject else reverse("photographs")).status_code == 200
        counts.append(len(queries))
    assert counts[0] == counts[1] <= 14
    assert max(counts) <= 16


def test_an_entry_about_a_line_is_filed_under_its_lot(valve: Valve, person: Callable[..., User]):
    receive([upload()], valve.line, person(Role.BENCH))
    entry = Entry.objects.exclude(action="logged-in").get()
    assert (entry.valve, entry.line, entry.lot) == (None, valve.line, valve.line.lot)
    assert entry.text == f"1 photograph added to line {valve.line}."


@pytest.mark.django_db(transaction=True)
def test_a_browser_sends_many_a_few_at_a_time_and_shows_them_when_they_are_ready(
    served: Any, browser: Any, person: Callable[..., User], tmp_path: Path
):
    valve = make_valve()
    client = Client()
    client.force_login(person(Role.RECEIVING))
    files = [tmp_path / f"IMG_{number}.jpg" for number in range(13)]
    for number, file in enumerate(files[:12]):
        file.write_bytes(photograph(shade=number))
    files[12].write_bytes(b"<html>")
    page = browser.new_page(viewport={"width": 360, "height": 800})
    page.context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": served.url}])
    failures: list[str] = []
    posts: list[str] = []
    page.on("pageerror", lambda error: failures.append(str(error)))
    page.on("request", lambda request: posts.append(request.url) if request.method == "POST" else None)
    page.goto(served.url + storing.address(valve))
    page.set_input_files("#files", [str(file) for file in files])
    page.get_by_role("button", name="Send to").click()
    page.get_by_text("12 photographs received.").wait_for()
    assert page.locator("[data-refused] li").all_inner_texts() == [
        "IMG_12.jpg is refused: it is a web page, not a photograph."
    ]
    assert len(posts) == 2 and Attachment.objects.of(valve).count() == 12
    page.get_by_text("12 being prepared").wait_for()
    process_waiting()
    page.wait_for_function(
        """() => {
          const images = [...document.querySelectorAll("#shown img")];
          images.forEach((image) => { image.loading = "eager"; });
          return images.length === 12 && images.every((image) => image.complete && image.naturalWidth === 64);
        }"""
    )
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    page.close()
    assert not failures
