"""A certificate that is issued is kept, has a page that nobody guesses, and says whether it still stands."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pypdfium2  # type: ignore[import-untyped]
import pytest
import zxingcpp
from django.contrib.auth.models import User
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.issued import issuing, keys
from grading.issued.pure import signing
from grading.issued.validity import validity_of
from grading.models import IssuedCertificate, MatchedSet, Policy
from grading.models.append_only import AppendOnlyError
from grading.orders import fulfilment
from grading.papers.certificates import CannotCertify
from grading.sets import making
from grading.verdicts import judging
from stockroom.models import Customer, Order, Shop, Valve
from stockroom.places.write_offs import write_off
from stockroom.pure.written import day
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_type, make_user, make_valve, make_valves
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db
SITE = "https://shop.example"


@pytest.fixture
def by() -> User:
    Shop.objects.update_or_create(pk=1, defaults={"name": "The Amber Filament", "web_address": f"{SITE}/"})
    return make_user("sal", Role.SALES)


@pytest.fixture
def quad(by: User) -> MatchedSet:
    valves = make_valves(make_type(), 4)
    graded_all([(valve, [1.2, 1.22], [1.6, gm]) for valve, gm in zip(valves, (1.60, 1.61, 1.62, 1.63), strict=True)])
    return making.make_set(list(Valve.objects.order_by("serial")), 5, by)


@pytest.fixture
def single(by: User) -> Valve:
    valve = make_valve(make_type())
    graded(valve, ia=1.18, gm=1.58, grid_current_ua=-0.2)
    return valve


def squares_on(pdf: bytes, dpi: int) -> list[str]:
    """The text of every QR code on every page, as a camera reads them."""
    found = []
    for page in pypdfium2.PdfDocument(pdf):
        image = page.render(scale=dpi / 72, grayscale=True).to_numpy()
        found += [symbol.text for symbol in zxingcpp.read_barcodes(image) if str(symbol.format) == "QR Code"]
    return found


def public_page(made: IssuedCertificate) -> str:
    return Client().get(made.get_absolute_url()).content.decode()


@pytest.mark.parametrize("dpi", [203, 300])
def test_the_paper_bears_its_page_and_a_signed_copy_that_checks_without_the_shop(
    quad: MatchedSet, by: User, dpi: int
) -> None:
    made = issuing.issue(quad, by)
    pdf = issuing.paper(made)
    assert pdf is not None
    page, copy = sorted(squares_on(pdf, dpi), key=len)
    assert page == f"{SITE}/certificates/{made.token}/"
    trusted = signing.read_keys(signing.public_pem(signing.public_of(made.key.x)))
    said = signing.check(copy, trusted).payload
    text = " ".join(" ".join(read_pdf(pdf)).split())
    assert made.key.kid in text and made.number in text and said["page"] == page
    for valve in said["valves"]:
        assert f"{valve['serial'][:4]} {valve['serial'][4:]}" in text
        assert all(value["value"] in text for section in valve["sections"] for value in section["values"])
    assert [value["value"] for value in said["valves"][3]["sections"][1]["values"]] == ["1.22", "1.63"]


def test_what_is_signed_says_all_that_the_paper_claims(single: Valve, by: User) -> None:
    made = issuing.issue(single, by)
    said = json.loads(made.payload)
    assert said["certificate"] == made.number and said["issued_on"] == f"{timezone.localdate():%Y-%m-%d}"
    assert said["valves"][0]["grade"] == "Excellent" and said["policy"] == str(Policy.current())
    section = said["valves"][0]["sections"][0]
    assert section["values"][0] == {"quantity": "Ia", "unit": "mA", "readings": 1, "value": "1.18", "nominal": "1.2"}
    assert section["faults"] == [{"quantity": "grid current", "unit": "µA", "value": "-0.2"}]
    assert {"Decision rule", "Limits", "Risk", "Traceability"} <= {row["label"] for row in said["says"]}
    assert by.username not in made.payload, "who stood at the tester is nobody's business out there"


def test_anybody_with_the_address_reads_it_and_nobody_comes_upon_the_address(single: Valve, by: User) -> None:
    made = issuing.issue(single, by)
    text = public_page(made)
    assert "It stands." in text and "1.58" in text and single.serial in text and made.key.kid in text
    assert len(made.token) == 22, "128 bits in base64"
    assert issuing.issue(single, by).token == made.token
    for other in (made.number, made.token[:-1] + "!", "0" * 22):
        assert Client().get(f"/certificates/{other}/").status_code == 404


def test_one_that_stands_and_says_the_same_is_issued_once(quad: MatchedSet, by: User) -> None:
    made = issuing.issue(quad, by)
    assert issuing.issue(quad, by) == made and IssuedCertificate.objects.count() == 1
    Shop.objects.update(name="The Copper Filament")
    later = issuing.issue(quad, by)
    assert later != made and "The Copper Filament" in later.payload
    assert validity_of(made).why == f"certificate {later} was issued in its place"


def test_a_certificate_stays_as_it_was_issued(single: Valve, by: User) -> None:
    made = issuing.issue(single, by)
    made.payload = "{}"
    for change in (made.save, made.delete, IssuedCertificate.objects.all().delete):
        with pytest.raises(AppendOnlyError):
            change()
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("UPDATE grading_issuedcertificate SET payload = '{}'")


def test_a_paper_whose_file_was_changed_is_not_shown(single: Valve, by: User) -> None:
    made = issuing.issue(single, by)
    address = reverse("issued-paper", args=[made.token])
    assert Client().get(address)["Content-Type"] == "application/pdf"
    file = issuing._paper_file(made)
    file.write_bytes(file.read_bytes() + b" ")
    assert Client().get(address).status_code == 404
    assert "as it was issued (PDF)" not in public_page(made) and "It stands." in public_page(made)


# Whether it still stands


def test_a_valve_read_again_takes_its_certificate_away(single: Valve, by: User) -> None:
    made = issuing.issue(single, by)
    newer = graded(single, ia=1.19, gm=1.57, taken_at=timezone.now() + timedelta(days=1))
    validity = validity_of(made)
    assert validity.why == f"{single} was read again and graded {newer}" and validity.since == newer.given_at
    assert validity.in_words in public_page(made) and "1.18" in public_page(made), "what was certified stays"


def test_a_valve_graded_again_on_the_same_readings_takes_its_certificate_away(single: Valve, by: User) -> None:
    made = issuing.issue(single, by)
    policy = Policy.current()
    Policy.objects.filter(pk=policy.pk).update(in_force=False)
    rules = json.loads(json.dumps(policy.rules))
    rules["levels"][0]["gm_min_percent"] = 99.5
    stricter = Policy.objects.create(version=2, title="Stricter", rules=rules, in_force=True)
    newer = judging.grade([single], stricter, None)[single.pk]
    assert newer.name != "Excellent"
    assert validity_of(made).why == f"{single} was graded again: {newer}"


def test_a_set_broken_up_takes_its_certificate_away_with_the_reason_and_the_day(quad: MatchedSet, by: User) -> None:
    made = issuing.issue(quad, by)
    making.break_set(quad, "a valve was dropped", by)
    said = f"Withdrawn on {day(timezone.localdate())}: the set was broken up: a valve was dropped."
    assert validity_of(IssuedCertificate.objects.get()).in_words == said and said in public_page(made)
    quad.refresh_from_db()
    with pytest.raises(CannotCertify, match="broken up"):
        issuing.issue(quad, by)


def test_a_valve_of_a_set_that_comes_back_takes_the_certificate_away_and_names_no_customer(
    quad: MatchedSet, by: User
) -> None:
    made = issuing.issue(quad, by)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(type=quad.type, set_size=4)
    valves = list(Valve.objects.order_by("serial"))
    fulfilment.accept(line, valves, by)
    for valve in valves:
        fulfilment.pull(order, valve, by)
    order.refresh_from_db()
    fulfilment.despatch(order, "", "", by)
    assert validity_of(made).stands, "that it was sold takes nothing away"
    order.refresh_from_db()
    fulfilment.take_back(order, valves[2], "Ada says it hums", by, complaint="noise")
    made = IssuedCertificate.objects.get()
    assert validity_of(made).why == f"{valves[2]} was sold and came back"
    assert not {"Ada", "R0001", "hums"} & set(public_page(made).replace(".", " ").split())


def test_a_valve_written_off_takes_its_certificate_away(single: Valve, by: User) -> None:
    made = issuing.issue(single, by)
    write_off(single, "dropped", by)
    assert validity_of(IssuedCertificate.objects.get()).why == f"{single} is no more"
    assert "Withdrawn on" in public_page(made)


def test_the_shop_takes_its_word_back_and_the_first_reason_is_the_one_that_is_told(
    single: Valve, logged_in: Callable[..., Client], by: User
) -> None:
    made = issuing.issue(single, by)
    address = reverse("certificate-withdraw", args=[made.number])
    client = logged_in(Role.SALES)
    assert client.post(address, {"because": "The test point was set wrong."}).status_code == 302
    write_off(single, "dropped", by)
    text = public_page(made)
    assert "The test point was set wrong." in text and "is no more" not in text
    assert "does not stand" in client.post(address, {"because": "Again"}).content.decode()


# On the pages


def test_a_certificate_is_issued_from_the_page_and_before_that_it_is_a_preview(
    quad: MatchedSet, logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.BENCH)
    paper = reverse("certificate", args=[quad.number])
    text = " ".join(" ".join(read_pdf(client.get(paper).content)).split())
    assert "has not been issued, bears no signature and certifies nothing" in text and "not issued" in text
    assert "Issue the certificate" in client.get(quad.get_absolute_url()).content.decode()
    client.post(reverse("certificate-issue", args=[quad.number]), {"once": "a"})
    made = IssuedCertificate.objects.get()
    page = client.get(quad.get_absolute_url()).content.decode()
    assert f"Certificate {made} (PDF)" in page and "Issue the certificate" not in page
    assert client.get(paper).content == issuing.paper(made)
    assert client.get(f"/find/?q={made.number}").headers["Location"] == made.get_absolute_url()
    listed = client.get(reverse("issued-certificates"), {"of": quad.number})
    assert [one for one, _ in listed.context["rows"]] == [made]


def test_who_may_only_receive_issues_nothing(single: Valve, logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.RECEIVING)
    assert client.post(reverse("valve-certificate-issue", args=[single.serial])).status_code == 403
    assert "Issue the certificate" not in client.get(single.get_absolute_url()).content.decode()


def test_looking_at_pages_issues_nothing(single: Valve, logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    paper = reverse("valve-certificate", args=[single.serial])
    for address in (paper, single.get_absolute_url(), "/certificates/keys/", "/signing-keys/"):
        assert client.get(address).status_code == 200
    assert not IssuedCertificate.objects.exists() and not keys.SigningKey.objects.exists()


def test_a_dozen_double_triodes_with_everything_read_still_fit_the_square(by: User) -> None:
    valves = make_valves(make_type(), 12)
    everything: dict[str, Any] = {"grid_current_ua": -0.25, "heater_cathode_leakage_ua": 1.5, "noise": "slight"}
    graded_all([(valve, [1.2, 1.21], [1.6, 1.61]) for valve in valves], **everything)
    dozen = making.make_set(list(Valve.objects.order_by("serial")), 20, by)
    pdf = issuing.paper(issuing.issue(dozen, by))
    assert pdf is not None
    copies = [text for text in squares_on(pdf, 300) if text.startswith(signing.SCANNED)]
    assert len(signing.check(copies[0], keys.public_keys()).payload["valves"]) == 12
