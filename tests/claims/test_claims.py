"""Discrepancies: what is wrong with a delivery, the claim for it, and the credit that lowers the lot's cost."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pypdfium2  # type: ignore[import-untyped]
import pytest
from django.contrib.auth.models import User
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import DatabaseError, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from grading.claims.gathered import claim_paper_data
from grading.claims.pure.claim_pdf import MOST_PICTURES, Pictured, claim_pdf
from stockroom.claims import claiming
from stockroom.claims.untrue import why_untrue
from stockroom.models import Charge, Claim, ClaimStep, Credit, Entry, Fault, Line, Lot
from stockroom.photographs import storing
from stockroom.receiving import booking
from stockroom.receiving.pure.costing import share
from stockroom.site.people import Role
from tests.cameras import photograph
from tests.factories import make_supplier, make_type, make_user
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db

Steps = ClaimStep.Kind


@pytest.fixture
def by() -> User:
    return make_user("rosa", Role.RECEIVING)


def a_lot(
    *pieces: tuple[int, int | None],
    goods: str = "240.00",
    currency: str = "GBP",
    rate: str = "1",
    weights: tuple[str, ...] = (),
) -> Lot:
    """A lot with a line for each (expected, counted)."""
    charge = Charge(kind="goods", amount=Decimal(goods), currency=currency, rate=Decimal(rate))
    lot = booking.book_in(Lot(supplier=make_supplier()), [charge], None)
    lines = [
        Line(
            type=make_type(),
            condition="nos-boxed",
            expected=expected,
            counted=counted,
            weight=Decimal(weights[index]) if weights else Decimal(1),
        )
        for index, (expected, counted) in enumerate(pieces)
    ]
    booking.add_lines(lot, lines, None)
    return lot


def asked(lot: Lot) -> list[tuple[int, str, int, str]]:
    return [(row.line.number, row.kind.value, row.pieces, f"{row.amount}") for row in claiming.to_claim(lot)]


def a_credit(amount: str, currency: str = "GBP", rate: str = "1") -> Credit:
    return Credit(amount=Decimal(amount), currency=currency, rate=Decimal(rate))


def line_of(lot: Lot, number: int = 1) -> Line:
    return lot.lines.get(number=number)


# What is wrong


def test_short_and_over_follow_from_the_count_and_over_is_not_charged_for() -> None:
    lot = a_lot((240, 237), (60, 62), (100, 100), (20, None))
    # 240.00 over 420 pieces expected: line 1 carries 137.14, of which 3 of 240 are 1.71
    assert asked(lot) == [(1, "short", 3, "1.71"), (2, "over", 2, "0.00")]


def test_wrong_and_broken_pieces_are_noted_by_line(by: User) -> None:
    lot = a_lot((100, 98))
    line = line_of(lot)
    claiming.note_fault(line, Fault(kind="broken", pieces=4, note="crushed corner of the carton"), by)
    claiming.note_fault(line, Fault(kind="wrong type", pieces=2, found_type=make_type("6X4")), by)
    assert asked(lot) == [(1, "short", 2, "4.80"), (1, "broken", 4, "9.60"), (1, "wrong type", 2, "4.80")]
    assert "4 broken: crushed corner" in Entry.objects.filter(action="fault-noted").last().text  # type: ignore[union-attr]
    assert [row.note for row in claiming.to_claim(lot)][2] == "came as 6X4"


def test_no_more_pieces_are_wrong_than_there_are(by: User) -> None:
    line = line_of(a_lot((10, 10)))
    claiming.note_fault(line, Fault(kind="broken", pieces=8), by)
    with pytest.raises(claiming.TooMany, match="of which 8 are noted already"):
        claiming.note_fault(line, Fault(kind="wrong type", pieces=3), by)


def test_a_slip_is_withdrawn_and_stays_on_record(by: User) -> None:
    lot = a_lot((10, 10))
    fault = claiming.note_fault(line_of(lot), Fault(kind="broken", pieces=8), by)
    claiming.withdraw_fault(fault, "counted twice", by)
    assert claiming.to_claim(lot) == [] and Fault.objects.get().withdrawn_because == "counted twice"
    with pytest.raises(claiming.NotNow, match="withdrawn already"):
        claiming.withdraw_fault(fault, "again", by)


# The claim


def test_a_claim_is_in_the_currency_of_the_goods(by: User) -> None:
    lot = a_lot((10, 8), goods="3000", currency="JPY", rate="0.0052")
    claim = claiming.make_claim(lot, "invoice 77", "Please credit.", by)
    row = claim.rows.get()
    assert (claim.currency, row.amount, claim.amount) == ("JPY", Decimal(600), Decimal(600))
    assert claim.number == "C0001" and claim.state == "made"
    assert "2 pieces, JPY\N{NO-BREAK SPACE}600" in Entry.objects.get(action="claim-made").text


def test_what_is_claimed_is_not_claimed_twice_until_the_claim_is_withdrawn(by: User) -> None:
    lot = a_lot((100, 95))
    fault = claiming.note_fault(line_of(lot), Fault(kind="broken", pieces=1), by)
    claim = claiming.make_claim(lot, "", "", by)
    assert claiming.to_claim(lot) == []
    with pytest.raises(claiming.NothingToClaim):
        claiming.make_claim(lot, "", "", by)
    booking.count_lines(lot, {line_of(lot).pk: 94}, by)
    assert asked(lot) == [(1, "short", 1, "2.40")]
    with pytest.raises(claiming.NotNow, match="Withdraw the claim first"):
        claiming.withdraw_fault(fault, "not broken", by)
    claiming.take_step(claim, ClaimStep(kind=Steps.WITHDRAWN, note="wrong lot"), by)
    assert asked(lot) == [(1, "short", 6, "14.40"), (1, "broken", 1, "2.40")]


def test_pieces_that_went_back_are_claimed(by: User) -> None:
    lot = a_lot((100, 100), (50, 50))
    booking.send_back(line_of(lot), 80, "refused by its sample", by)
    assert asked(lot) == [(1, "sent back", 80, "128.00")]


def test_no_amount_is_made_up_without_a_goods_charge(by: User) -> None:
    lot = booking.book_in(Lot(supplier=make_supplier()), [], None)
    booking.add_lines(lot, [Line(type=make_type(), condition="used", expected=5, counted=4)], None)
    with pytest.raises(claiming.NoGoodsCharge, match="Enter what the goods cost"):
        claiming.make_claim(lot, "", "", by)
    whole = booking.book_in(Lot(supplier=make_supplier()), [], None)
    booking.add_lines(whole, [Line(type=make_type(), condition="used", expected=5, counted=5)], None)
    assert claiming.to_claim(whole) == []


def test_a_claim_on_a_lot_whose_lines_weigh_nothing_says_so(by: User) -> None:
    lot = a_lot((5, 4), goods="0.00", weights=("0",))
    with transaction.atomic():
        assert asked(lot) == [(1, "short", 1, "0.00")]
    Charge.objects.update(amount=Decimal(9))
    with pytest.raises(claiming.NoGoodsCharge, match="No line has a weight"):
        claiming.make_claim(lot, "", "", by)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    goods=st.decimals(0, 5000, places=2),
    lines=st.lists(
        st.tuples(st.integers(1, 300), st.integers(0, 300), st.integers(0, 4)).map(
            lambda row: (row[0], min(row[1], row[0]), row[2])
        ),
        min_size=1,
        max_size=5,
    ),
)
def test_claiming_everything_short_asks_for_the_goods_and_no_more(
    goods: Decimal, lines: list[tuple[int, int, int]]
) -> None:
    """Over any lot, what is asked for each line lies within its share; if nothing came it is the whole of it."""
    shares = share(goods, [expected for expected, _, _ in lines], 2)
    for (expected, counted, broken), whole in zip(lines, shares, strict=True):
        broken = min(broken, counted)
        rows = [(claiming.FaultKind.SHORT, expected - counted, "", None), (claiming.FaultKind.BROKEN, broken, "", None)]
        rows = [row for row in rows if row[1]]
        amounts = claiming._amounts(whole, expected, 0, rows, 2)
        assert sum(amounts) <= whole and all(amount >= 0 for amount in amounts)
        if counted == 0 or broken == counted:
            assert sum(amounts, Decimal(0)) == whole
        for (_, pieces, _, _), amount in zip(rows, amounts, strict=True):
            assert abs(amount - whole * pieces / expected) < Decimal("0.01")


# What became of it


def test_a_claim_goes_from_made_to_sent_to_agreed_to_credited(by: User) -> None:
    lot = a_lot((100, 90))
    claim = claiming.make_claim(lot, "", "", by)
    claiming.take_step(claim, ClaimStep(kind=Steps.SENT), by)
    assert claim.state == "sent"
    with pytest.raises(claiming.NotNow, match="which amount"):
        claiming.take_step(claim, ClaimStep(kind=Steps.AGREED), by)
    claiming.take_step(claim, ClaimStep(kind=Steps.AGREED, amount=Decimal("20.00"), note="by letter"), by)
    assert claim.state == "agreed"
    assert "agreed on GBP\N{NO-BREAK SPACE}20.00: by letter" in Entry.objects.get(action="claim-agreed").text
    claiming.enter_credit(claim, a_credit("20.00"), by)
    assert claim.state == "credited"
    with pytest.raises(claiming.NotNow, match="Credits stand"):
        claiming.take_step(claim, ClaimStep(kind=Steps.WITHDRAWN), by)


def test_nothing_more_happens_to_a_withdrawn_claim(by: User) -> None:
    claim = claiming.make_claim(a_lot((100, 90)), "", "", by)
    claiming.take_step(claim, ClaimStep(kind=Steps.WITHDRAWN, note="a slip"), by)
    assert claim.state == "withdrawn" and claim.is_withdrawn
    with pytest.raises(claiming.NotNow):
        claiming.take_step(claim, ClaimStep(kind=Steps.SENT), by)
    with pytest.raises(claiming.NotNow):
        claiming.enter_credit(claim, a_credit("1.00"), by)


def test_a_credit_lowers_the_cost_of_every_line_with_a_visible_entry(by: User) -> None:
    lot = a_lot((100, 90), (10, 10), goods="100.00")
    claim = claiming.make_claim(lot, "", "", by)
    assert [line.cost for line in lot.lines.order_by("number")] == [Decimal("90.00"), Decimal("10.00")]
    claiming.enter_credit(claim, a_credit("11.50", "USD", "0.8"), by)
    assert booking.cost_of(Lot.objects.get(pk=lot.pk), "GBP") == Decimal("90.80")
    assert [line.cost for line in lot.lines.order_by("number")] == [Decimal("81.72"), Decimal("9.08")]
    entry = Entry.objects.filter(action="cost-shared").order_by("-pk")[0]
    assert "line 1 90.00 → 81.72" in entry.text and entry.by == by
    assert (
        "credit of USD\N{NO-BREAK SPACE}11.50, GBP\N{NO-BREAK SPACE}9.20 at home"
        in Entry.objects.get(action="credit-entered").text
    )


def test_a_struck_out_credit_counts_no_longer(by: User) -> None:
    lot = a_lot((100, 90), goods="100.00")
    claim = claiming.make_claim(lot, "", "", by)
    credit = claiming.enter_credit(claim, a_credit("10.00"), by)
    claiming.strike_out(credit, "it was for another lot", by)
    assert line_of(lot).cost == Decimal("100.00") and claim.state == "made"
    assert "struck out: it was for another lot" in Entry.objects.get(action="credit-struck-out").text
    with pytest.raises(claiming.NotNow, match="struck out already"):
        claiming.strike_out(credit, "again", by)


def test_credits_never_come_to_more_than_the_lot_cost(by: User) -> None:
    lot = a_lot((100, 90), goods="100.00")
    claim = claiming.make_claim(lot, "", "", by)
    claiming.enter_credit(claim, a_credit("60.00"), by)
    with pytest.raises(booking.CreditedMoreThanCost):
        claiming.enter_credit(claim, a_credit("40.01"), by)
    assert Credit.objects.count() == 1
    cheaper = [Charge(kind="goods", amount=Decimal("59.99"), currency="GBP", rate=Decimal(1))]
    with pytest.raises(booking.CreditedMoreThanCost):
        booking.change_lot(Lot.objects.get(pk=lot.pk), cheaper, by)
    claiming.enter_credit(claim, a_credit("40.00"), by)
    assert line_of(lot).cost == 0


@settings(max_examples=40, deadline=None)
@given(
    counts=st.lists(st.integers(0, 60), min_size=1, max_size=5).filter(any),
    cost=st.decimals(1, 900, places=2),
    credits=st.lists(st.tuples(st.decimals("0.01", 40, places=2), st.decimals("0.1", 3, places=4)), max_size=4),
    data=st.data(),
)
def test_pieces_still_add_up_to_the_cost_whatever_is_credited_and_sent_back(
    counts: list[int], cost: Decimal, credits: list[tuple[Decimal, Decimal]], data: st.DataObject
) -> None:
    lot = a_lot(*((count + 1, count) for count in counts), goods=f"{cost}")
    claim = claiming.make_claim(lot, "", "", None)
    for amount, rate in credits:
        try:
            claiming.enter_credit(claim, Credit(amount=amount, currency="USD", rate=rate), None)
        except booking.CreditedMoreThanCost:
            continue
    line = data.draw(st.sampled_from(list(lot.lines.order_by("number"))))
    others = sum(one.pieces for one in lot.lines.exclude(pk=line.pk))
    most = line.pieces if others else line.pieces - 1
    if most > 0:
        booking.send_back(line, data.draw(st.integers(1, most)), "on trial", None)
    lot = Lot.objects.get(pk=lot.pk)
    total = booking.cost_of(lot, "GBP")
    pieces = [line.cost_of(k, "GBP") for line in lot.lines.all() for k in range(line.pieces)]
    assert sum(pieces, Decimal(0)) == sum((line.cost for line in lot.lines.all()), Decimal(0)) == total
    credited = sum((booking.in_home(credit, "GBP") for credit in lot.credits.all()), Decimal(0))
    assert total == cost - credited and total >= 0


def test_the_last_piece_of_a_lot_with_a_cost_is_not_sent_back(by: User) -> None:
    lot = a_lot((10, 10))
    with pytest.raises(booking.NothingCarriesTheCost):
        booking.send_back(line_of(lot), 10, "all bad", by)
    assert line_of(lot).sent_back == 0
    with pytest.raises(booking.NotInBulk, match="10 in bulk, so 11"):
        booking.send_back(line_of(lot), 11, "all bad", by)


@pytest.mark.parametrize(
    ("model", "fields"),
    [
        (Credit, {"amount": 0}),
        (Credit, {"rate": 0}),
        (ClaimStep, {"kind": "agreed", "amount": None}),
        (Fault, {"pieces": 0, "kind": "broken"}),
    ],
)
def test_the_database_refuses_what_cannot_be(by: User, model: Any, fields: dict[str, Any]) -> None:
    lot = a_lot((10, 8))
    claim = claiming.make_claim(lot, "", "", by)
    known: dict[Any, dict[str, Any]] = {
        Credit: {"claim": claim, "lot": lot, "currency": "GBP", "amount": 1, "rate": 1},
        ClaimStep: {"claim": claim, "kind": "sent"},
        Fault: {"line": line_of(lot), "pieces": 1},
    }
    with pytest.raises(DatabaseError), transaction.atomic():
        model.objects.create(**{**known[model], **fields})


def test_to_claim_takes_as_many_questions_for_few_lines_as_for_many(django_assert_max_num_queries: Any) -> None:
    for lines in (2, 30):
        lot = a_lot(*[(10, 9)] * lines)
        with django_assert_max_num_queries(5):
            assert len(claiming.to_claim(lot)) == lines


# The pages and the paper


def test_faults_are_noted_and_claimed_on_the_pages(logged_in: Callable[..., Client]) -> None:
    lot = a_lot((100, 96), (10, 12))
    make_type("6X4")
    client = logged_in(Role.RECEIVING)
    page = client.get(reverse("discrepancies", args=[lot.number])).content.decode()
    assert "<strong>Short</strong>" in page and "<strong>Over</strong>" in page
    fault = reverse("fault-new", args=[lot.number, 1])
    data = {"kind": "broken", "pieces": "97", "found_type": "", "note": "wet carton"}
    refused = client.post(fault, data).content.decode()
    assert "has 96 pieces" in refused and "wet carton" in refused
    both = client.post(fault, {**data, "pieces": "2", "found_type": "6X4"}).content.decode()
    assert "Note the two apart" in both
    assert client.post(fault, {**data, "pieces": "2"}).status_code == 302
    answer = client.post(reverse("claim-new", args=[lot.number]), {"reference": "invoice 9", "text": "Please credit."})
    claim = Claim.objects.get()
    assert answer["Location"] == claim.get_absolute_url() and claim.made_by is not None
    page = client.get(claim.get_absolute_url()).content.decode()
    assert "wet carton" in page and "invoice 9" in page
    assert "There is nothing to claim" in client.get(reverse("claim-new", args=[lot.number])).content.decode()
    assert claim.number in client.get(reverse("claims")).content.decode()


def test_a_fault_is_withdrawn_on_its_page(logged_in: Callable[..., Client], by: User) -> None:
    fault = claiming.note_fault(line_of(a_lot((9, 9))), Fault(kind="broken", pieces=1), by)
    client = logged_in(Role.RECEIVING)
    address = reverse("fault-withdraw", args=[fault.pk])
    assert client.post(address, {"why": ""}).status_code == 200
    assert client.post(address, {"why": "a slip"}).status_code == 302
    assert Fault.objects.get().withdrawn_because == "a slip"


def test_steps_and_credits_are_recorded_on_the_claims_page(logged_in: Callable[..., Client], by: User) -> None:
    lot = a_lot((100, 90), goods="100.00", currency="USD", rate="0.8")
    claim = claiming.make_claim(lot, "", "", by)
    client = logged_in(Role.RECEIVING)
    today = timezone.localdate().isoformat()
    step = reverse("claim-step", args=[claim.number])
    missing = client.post(step, {"kind": "agreed", "on": today, "amount": "", "note": "kept words"}).content.decode()
    assert "Say which amount" in missing and "kept words" in missing
    fine = client.post(step, {"kind": "agreed", "on": today, "amount": "9.999", "note": ""}).content.decode()
    assert "2 decimal places" in fine
    assert client.post(step, {"kind": "agreed", "on": today, "amount": "9.50", "note": ""}).status_code == 302
    credit = reverse("claim-credit", args=[claim.number])
    data = {"amount": "9.50", "currency": "usd", "rate": "0.82", "on": today, "note": "credit note 4"}
    assert "how many GBP one USD brought" in client.post(credit, {**data, "rate": ""}).content.decode()
    too_much = client.post(credit, {**data, "amount": "500"}).content.decode()
    assert "more than lot" in too_much and "credit note 4" in too_much and not Credit.objects.exists()
    assert "is not a currency" in client.post(credit, {**data, "currency": "QQQ"}).content.decode()
    assert "still to come" in client.post(credit, {**data, "on": "2999-01-01"}).content.decode()
    assert client.post(credit, data).status_code == 302
    assert line_of(lot).cost == Decimal("80.00") - Decimal("7.79")
    page = client.get(lot.get_absolute_url()).content.decode()
    assert "Credit, claim" in page and "72.21" in page
    strike = reverse("credit-strike-out", args=[Credit.objects.get().pk])
    assert client.post(strike, {"why": "another lot"}).status_code == 302
    assert line_of(lot).cost == Decimal("80.00")


@pytest.mark.parametrize("name", ["claim-step", "claim-credit", "claim-new", "fault-new"])
def test_claims_are_the_receivers_work(logged_in: Callable[..., Client], by: User, name: str) -> None:
    lot = a_lot((100, 90))
    claim = claiming.make_claim(lot, "", "", by)
    arguments: dict[str, list[Any]] = {"claim-new": [lot.number], "fault-new": [lot.number, 1]}
    address = reverse(name, args=arguments.get(name, [claim.number]))
    assert logged_in(Role.SALES).post(address, {"kind": "sent"}).status_code == 403


def test_the_claim_sheet_prints_rows_amounts_and_photographs(
    logged_in: Callable[..., Client], by: User, settings: Any, tmp_path: Any
) -> None:
    settings.MEDIA_ROOT = tmp_path
    lot = a_lot((100, 96), (10, 12), goods="240.00", currency="USD", rate="0.8")
    claiming.note_fault(line_of(lot), Fault(kind="wrong type", pieces=2, found_type=make_type("6X4")), by)
    client = logged_in(Role.RECEIVING)
    storing.receive([SimpleUploadedFile("crushed.jpg", photograph(), "image/jpeg")], line_of(lot), by)
    claim = claiming.make_claim(lot, "invoice 2207/B", "Please credit <this> & that.", by)
    text = " ".join("\n".join(read_pdf(client.get(reverse("claim-pdf", args=[claim.number])).content)).split())
    for words in (
        "Brackenfield Surplus",
        "invoice 2207/B",
        "Please credit <this> & that.",
        "wrong type: came as 6X4",
        "crushed.jpg, of line 1",
        "not charged for",
        str(lot),
        claim.number,
    ):
        assert words in text, words
    # 240.00 USD over 110 pieces expected: line 1 carries 218.18, of which 4 and 2 of 100 are 8.73 and 4.36
    assert "USD 8.73" in text and "USD 4.36" in text and "USD 13.09" in text
    claiming.take_step(claim, ClaimStep(kind=Steps.WITHDRAWN, note="wrong lot"), by)
    assert "Withdrawn on" in "".join(read_pdf(client.get(reverse("claim-pdf", args=[claim.number])).content))


def pictures_on(pdf: bytes) -> list[int]:
    """How many pictures each page shows."""
    image = pypdfium2.raw.FPDF_PAGEOBJ_IMAGE
    return [len(list(page.get_objects(filter=[image]))) for page in pypdfium2.PdfDocument(pdf)]


def test_the_claim_sheet_shows_the_photographs_of_what_is_claimed(by: User, settings: Any, tmp_path: Any) -> None:
    settings.MEDIA_ROOT = tmp_path
    lot = a_lot((100, 96), (10, 10), (5, 4))
    for subject, name, shade in (
        (lot, "carton.jpg", 1),
        (line_of(lot, 3), "tall.jpg", 2),
        (line_of(lot), "a.jpg", 3),
        (line_of(lot, 2), "other.jpg", 4),
        (line_of(lot), "later.jpg", 5),
    ):
        if name == "later.jpg":
            storing.process_waiting()
        size = (300, 900) if name == "tall.jpg" else (640, 480)
        storing.receive([SimpleUploadedFile(name, photograph(*size, shade=shade))], subject, by)
    claim = claiming.make_claim(lot, "", "", by)
    data = claim_paper_data(claim, timezone.localdate())
    assert [(one.caption, bool(one.jpeg)) for one in data.photographs] == [
        ("a.jpg, of line 1", True),
        ("later.jpg, of line 1", False),
        ("tall.jpg, of line 3", True),
        ("carton.jpg, of the lot", True),
    ]
    pdf = claim_pdf(data)
    text = " ".join(" ".join(read_pdf(pdf)).split())
    assert sum(pictures_on(pdf)) == 3 and "3. tall.jpg, of line 3" in text and "other.jpg" not in text
    assert "Not printed, and sent when asked for: 2. later.jpg, of line 1." in text
    assert claim_pdf(data) == pdf


def test_many_photographs_take_two_pages_and_the_rest_are_named(by: User) -> None:
    claim = claiming.make_claim(a_lot((100, 96)), "", "", by)
    many = tuple(Pictured(f"IMG_{at}.jpg, of line 1", photograph(320, 240, shade=at)) for at in range(40))
    pdf = claim_pdf(replace(claim_paper_data(claim, timezone.localdate()), photographs=many))
    assert sum(pictures_on(pdf)) == MOST_PICTURES and len(pictures_on(pdf)) <= 3
    assert "40. IMG_39.jpg, of line 1." in " ".join(" ".join(read_pdf(pdf)).split())


def test_the_list_of_claims_asks_as_often_for_many_as_for_few(
    logged_in: Callable[..., Client], by: User, django_assert_max_num_queries: Any
) -> None:
    client = logged_in(Role.BENCH)
    claiming.make_claim(a_lot((10, 9)), "", "", by)
    with django_assert_max_num_queries(15) as few:
        client.get(reverse("claims"))
    for _ in range(4):
        claiming.make_claim(a_lot((10, 9)), "", "", by)
    with django_assert_max_num_queries(len(few)):
        client.get(reverse("claims"))


# What is true no more


def test_a_claim_whose_reason_went_with_a_recount_says_so_and_is_neither_sent_nor_printed_as_one_that_stands(
    by: User, logged_in: Callable[..., Client]
) -> None:
    lot = a_lot((10, 4), goods="100.00")
    made = claiming.make_claim(lot, "", "", by)
    booking.count_lines(lot, {line_of(lot).pk: 10}, by)
    told = "line 1: 6 short are claimed, and 0 are now"
    client = logged_in(Role.RECEIVING)
    page = client.get(made.get_absolute_url()).content.decode()
    assert "true no more" in page and told in page
    assert all(
        "true no more" in client.get(f"/{where}/").content.decode() for where in ("claims", f"lots/{lot}/discrepancies")
    )
    paper = " ".join("".join(read_pdf(client.get(reverse("claim-pdf", args=[made.number])).content)).split())
    assert f"This claim is true no more and is not made: {told}." in paper
    with pytest.raises(claiming.NotNow, match="true no more"):
        claiming.take_step(made, ClaimStep(kind=Steps.SENT), by)
    claiming.note_fault(line_of(lot), Fault(kind="broken", pieces=10), by)
    with pytest.raises(claiming.NotNow, match=f"Claim {made} is true no more"):
        claiming.make_claim(lot, "", "", by)
    claiming.take_step(made, ClaimStep(kind=Steps.WITHDRAWN), by)
    assert claiming.make_claim(lot, "", "", by).amount == Decimal("100.00")


def test_a_claim_that_holds_is_not_said_to_be_untrue(by: User) -> None:
    lot = a_lot((10, 4), (10, 12), goods="100.00")
    made = claiming.make_claim(lot, "", "", by)
    assert why_untrue([made]) == {} and claim_paper_data(made, timezone.localdate()).void == ""


def test_pieces_claimed_as_broken_and_again_as_sent_back_never_come_to_more_than_the_charge(by: User) -> None:
    lot = a_lot((10, 10), (1, 1), goods="100.00")
    claiming.note_fault(line_of(lot), Fault(kind="broken", pieces=10), by)
    first = claiming.make_claim(lot, "", "", by)
    booking.send_back(line_of(lot), 10, "broken", by)
    second = claiming.make_claim(lot, "", "", by)
    assert (first.amount, second.amount) == (Decimal("90.91"), Decimal("0.00"))


def test_a_claim_of_more_than_the_goods_cost_by_now_says_so(by: User) -> None:
    lot = a_lot((10, 0), (10, 10), goods="100.00")
    made = claiming.make_claim(lot, "", "", by)
    lot.charges.update(amount=Decimal("40.00"))
    (said,) = why_untrue([made])[made.pk]
    assert (
        said.replace("\N{NO-BREAK SPACE}", " ")
        == "the claims of this lot come to GBP 50.00, and the goods cost GBP 40.00 now"
    )


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    goods=st.decimals(1, 500, places=2),
    lines=st.lists(st.tuples(st.integers(1, 12), st.integers(0, 14)), min_size=1, max_size=3).filter(
        lambda rows: any(counted for _, counted in rows)
    ),
    data=st.data(),
)
def test_the_live_claims_of_a_lot_never_add_up_to_more_than_its_goods_cost(
    goods: Decimal, lines: list[tuple[int, int]], data: st.DataObject
) -> None:
    lot = a_lot(*lines, goods=f"{goods}")
    for _ in range(4):
        line = data.draw(st.sampled_from(list(lot.lines.order_by("number"))))
        what = data.draw(st.sampled_from(["count", "broken", "sent back", "claim"]))
        try:
            if what == "count":
                booking.count_lines(lot, {line.pk: data.draw(st.integers(0, 14))}, None)
            elif what == "broken":
                claiming.note_fault(line, Fault(kind="broken", pieces=data.draw(st.integers(1, 6))), None)
            elif what == "sent back":
                booking.send_back(line, data.draw(st.integers(1, 6)), "bad", None)
            claiming.make_claim(lot, "", "", None)
        except (claiming.ClaimError, booking.ReceivingError):
            pass
        assert sum(claim.amount for claim in lot.claims.all()) <= goods
