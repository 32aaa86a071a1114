"""Changing the price book: the draft, what it would do, putting it in force, and what the past was."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from grading.demo.clock import once
from grading.listings import publishing
from grading.models import DraftedPrice, PriceDraft, PriceRule
from grading.models.append_only import AppendOnlyError
from grading.prices import book, changing, effects, past
from stockroom.jobs import worker
from stockroom.models import Entry, Job, Line, Listing, Maker, SeenFeature, Shop, Valve
from stockroom.site.people import Role
from tests.factories import make_line, make_type, make_valves
from tests.prices.shop import draft, ended, goods, in_force, listed, olive, pair_of

pytestmark = pytest.mark.django_db


def amount(*valves: Valve) -> Decimal | None:
    return book.price_of(valves).amount


def test_each_condition_is_read_from_the_records_of_the_goods() -> None:
    one, other, *pair = goods(4)
    in_force(amount=Decimal(10))
    assert amount(one) == 10
    Valve.objects.filter(pk=one.pk).update(maker=Maker.objects.create(name="Marrowby"), as_marked="ECC83")
    SeenFeature.objects.create(valve=one, feature="plate finish", word="grey")
    pair_of(pair)
    bulk = make_valves(make_type(), 1)[0]
    one.refresh_from_db()
    asked = [
        (one, {"maker": one.maker}, other),
        (one, {"as_marked": "ecc 83"}, other),
        (one, {"construction": "plate finish: grey"}, other),
        (pair[0], {"set_size": 2}, one),
        (pair[0], {"within_percent": 5.0, "place": 1}, one),
        (one, {"grade": "Excellent"}, bulk),
        (bulk, {"how": "untested"}, one),
        (one, {"condition": "nos-boxed", "type": one.type, "how": "tested"}, bulk),
    ]
    for number, (fits, condition, not_this) in enumerate(asked, 20):
        rule = in_force(amount=Decimal(number), **condition)
        assert rule.number in book.price_of([fits]).rules, condition
        assert rule.number not in book.price_of([not_this]).rules, condition
        ended(rule)


def test_a_preview_says_what_it_bears_on_and_that_is_what_then_happens() -> None:
    one, by_hand, other, *pair = goods(5)
    rule = in_force(amount=Decimal(20))
    matched = pair_of(pair)
    listings = [listed([one], "20.00"), listed([by_hand], "33.00"), listed(_members(matched), "40.00")]
    make_line(make_type(), 3)  # in bulk
    made = draft(replaces=rule, amount=Decimal(25), reason="they sell well")
    found = effects.effects_of(made)
    assert found is not None
    assert (found.listings, found.changed, found.by_hand) == (3, 2, 1)
    assert (found.asked, found.asked_after) == (60, 75) and (found.hand_asked, found.hand_after) == (33, 25)
    assert (found.pieces, found.pieces_changed) == (8, 8) and (found.worth, found.worth_after) == (160, 200)
    assert _prices(listings) == [20, 33, 40] and amount(other) == 20, "nothing is changed by looking"
    told = {row.listing_id: row.after for row in made.prices.filter(by_hand=False)}

    changing.put_in_force(made, olive())
    made.refresh_from_db()
    effects.start_repricing(made, olive(), by_hand=False)
    worker.work_off()
    assert {one.pk: one.price for one in Listing.objects.all() if one.pk in told} == told
    assert _prices(listings) == [25, 33, 50] and amount(other) == 25
    assert listings[0].repricings.get().because == f"by {made.became}"
    assert set(made.prices.values_list("outcome", flat=True)) == {effects.CHANGED, ""}


def _members(matched: object) -> list[Valve]:
    return list(Valve.objects.filter(memberships__set=matched).order_by("memberships__position"))


def _prices(listings: list[Listing]) -> list[Decimal]:
    return [Listing.objects.get(pk=one.pk).price for one in listings]


def test_what_was_changed_or_ended_meanwhile_is_left_and_the_row_says_so() -> None:
    first, second, third = goods(3)
    rule = in_force(amount=Decimal(20))
    listings = [listed([one], "20.00") for one in (first, second, third)]
    made = draft(replaces=rule, amount=Decimal(25))
    changing.put_in_force(made, olive())
    made.refresh_from_db()
    publishing.reprice(listings[0], Decimal(22), olive())
    publishing.end(listings[1], olive())
    effects.start_repricing(made, olive(), by_hand=True)
    worker.work_off()
    outcomes = dict(made.prices.values_list("listing", "outcome"))
    assert _prices(listings) == [22, 20, 25]
    assert outcomes[listings[0].pk] == "left at GBP\xa022.00: its price was changed meanwhile"
    assert "has ended" in outcomes[listings[1].pk] and outcomes[listings[2].pk] == effects.CHANGED


def test_listings_follow_later_while_the_book_is_as_the_change_left_it(owner: Client) -> None:
    listing = listed(goods(1), "20.00")
    rule = in_force(amount=Decimal(20))
    made = draft(replaces=rule, amount=Decimal(25))
    owner.post(f"/prices/drafts/{made.pk}/take/")
    assert "Re-price 1 listing now" in owner.get(made.get_absolute_url()).content.decode()
    in_force("rounding", step=Decimal(2))
    answer = owner.post(f"/prices/drafts/{made.pk}/take/", {"reprice": "book"}, follow=True)
    assert "not as this change left it" in answer.content.decode() and not Job.objects.filter(kind="re-price").exists()
    assert _prices([listing]) == [20]


def test_a_change_reckoned_against_an_older_book_is_refused_until_somebody_looks_again() -> None:
    stale = draft(amount=Decimal(9))
    in_force("rounding", step=Decimal(1))
    with pytest.raises(changing.CannotPrice, match="has changed since"):
        changing.put_in_force(stale, olive())
    effects.start_effect(stale, olive())
    worker.work_off()
    stale.refresh_from_db()
    changing.put_in_force(stale, olive())
    with pytest.raises(changing.CannotPrice, match="in force already"):
        changing.put_in_force(stale, olive())
    unlooked = PriceDraft.objects.create(effect="price", amount=3, reason="haste")
    with pytest.raises(changing.CannotPrice, match="Look first"):
        changing.put_in_force(unlooked, olive())


def test_a_version_of_a_rule_is_never_changed_or_deleted_by_anybody() -> None:
    rule = in_force(amount=Decimal(20))
    rule.amount = Decimal(1)
    with pytest.raises(AppendOnlyError):
        rule.save()
    with pytest.raises(AppendOnlyError):
        PriceRule.objects.update(amount=1)
    for statement in ("UPDATE grading_pricerule SET amount = 1", "DELETE FROM grading_pricerule"):
        with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)


def test_a_listings_earlier_price_is_never_changed_or_deleted_by_anybody() -> None:
    made = listed(goods(1), "20.00")
    publishing.reprice(made, Decimal(22), olive())
    for statement in ("UPDATE stockroom_repricing SET before = 1", "DELETE FROM stockroom_repricing"):
        with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)


def test_the_book_and_a_price_of_a_past_day_are_explained_as_they_were() -> None:
    valve = goods(1)[0]
    now = timezone.now()
    rule = in_force(amount=Decimal(20))
    second = in_force("factor", heading="Grade", factor=Decimal("1.5"), grade="Excellent")
    made = listed([valve], "30.00")
    later = now + timedelta(days=3)
    with once(later):
        in_force(replaces=rule, amount=Decimal(40))
        ended(second)
        publishing.reprice(made, Decimal(44), olive())
    before = now + timedelta(days=1)
    then, today = book.price_of([valve], before), book.price_of([valve], later + timedelta(seconds=1))
    assert (then.amount, then.rules) == (30, (1, 2)) and (today.amount, today.rules) == (40, (1,))
    assert past.asked_at([made], before)[made.pk].price == 30
    made.refresh_from_db()
    assert past.asked_at([made], later)[made.pk].price == 44
    assert not past.live_at(now - timedelta(days=1)).exists() and past.live_at(before).get() == made


def test_grade_and_set_of_a_past_day_are_those_of_then() -> None:
    pair = goods(2)
    in_force(amount=Decimal(20))
    in_force(amount=Decimal(30), set_size=2)
    in_force(amount=Decimal(5), how="untested")
    now = timezone.now()
    matched = pair_of(pair)
    matched.made_at = now + timedelta(days=2)
    matched.broken_at = now + timedelta(days=4)
    matched.save()
    prices = [book.price_of([pair[0]], now + timedelta(days=days)).amount for days in (1, 3, 5)]
    assert prices == [20, 30, 20]
    pair[0].grades.update(given_at=now + timedelta(days=2))
    assert book.price_of([pair[0]], now + timedelta(days=1)).amount == 5


def test_many_items_cost_as_many_questions_as_few() -> None:
    in_force(amount=Decimal(20))
    make_valves(make_type(), 30)
    counts = []
    for some in (2, 30):
        valves = list(Valve.objects.select_related("type", "maker", "line")[:some])
        with CaptureQueriesContext(
            connection,
        ) as asked:
            found = book.price_items({valve.pk: [valve] for valve in valves})
        assert len(found) == some and all(one.amount == 20 for one in found.values())
        counts.append(len(asked))
    assert counts[0] == counts[1] <= 6


def test_pieces_in_bulk_have_a_price_and_cost_what_the_least_of_them_costs() -> None:
    line = make_line(make_type(), 3, cost=Decimal("10.00"), condition=Line.Condition.SEALED)
    in_force("times-cost", factor=Decimal(2), how="sealed")
    (found,) = book.price_lines([line]).values()
    assert found.amount == Decimal("6.66")


def test_a_rule_in_another_currency_says_nothing_and_the_page_says_so(logged_in: Callable[..., Client]) -> None:
    valve = goods(1)[0]
    in_force(amount=Decimal(20))
    Shop.objects.update(currency="EUR")
    assert amount(valve) is None
    assert "not in use until written anew: rule 1" in logged_in(Role.SALES).get("/prices/").content.decode()


# The pages


@pytest.fixture
def owner(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.OWNER)


RULE = {"place": "100", "reason": "a good year", "amount": "24.00"}


def test_the_owner_drafts_looks_and_puts_in_force_and_the_daybook_says_why(owner: Client) -> None:
    listing = listed(goods(1), "20.00")
    in_force(amount=Decimal(20))
    answer = owner.post("/prices/rules/1/change/", RULE)
    made = PriceDraft.objects.latest("pk")
    assert answer["Location"] == made.get_absolute_url()
    assert "What a change of a price rule would do" in owner.get(answer["Location"]).content.decode()
    worker.work_off()
    page = owner.get(answer["Location"]).content.decode()
    assert "Nothing is changed yet" in page and "re-price 1 listing" in page and "24.00" in page
    owner.post(f"/prices/drafts/{made.pk}/take/", {"reprice": "book"})
    worker.work_off()
    listing.refresh_from_db()
    assert listing.price == 24
    said = Entry.objects.get(action="price-rule", text__startswith="Changed").text
    assert said == "Changed price rule 1: GBP\xa024.00 a piece, for everything. Why: a good year"
    assert "a good year" in owner.get("/prices/history/").content.decode()
    versions = owner.get("/prices/rules/1/").content.decode()
    assert "GBP\xa020.00 a piece" in versions and "GBP\xa024.00 a piece" in versions


def test_a_rule_that_cannot_be_is_refused_beside_its_field_and_keeps_what_was_typed(owner: Client) -> None:
    make_type()
    wrong = {
        "/prices/rules/new/price/": ({**RULE, "amount": "0"}, "above nothing"),
        "/prices/rules/new/factor/": ({**RULE, "factor": "1.1", "heading": ""}, "required"),
        "/prices/rules/new/rounding/": ({**RULE, "step": "0.001", "ending": "", "direction": "up"}, "no part as small"),
        "/prices/rules/new/floor/": ({**RULE, "factor": "1.2", "maker": "Nobody"}, "Enter it first"),
        "/prices/rules/new/amount/": ({**RULE, "amount": "1.234", "heading": "Box"}, "GBP has 2 decimals"),
        "/prices/rules/new/times-cost/": ({**RULE, "factor": "2", "set_size": "1", "within_percent": "3"}, "A single"),
    }
    for address, (sent, why) in wrong.items():
        page = owner.post(address, sent).content.decode()
        assert why in page and "a good year" in page, address
    assert not PriceDraft.objects.exists() and not Job.objects.exists()


def test_a_rule_for_a_type_by_any_of_its_names_and_a_comma_for_a_point(owner: Client) -> None:
    type_ = make_type()
    owner.post("/prices/rules/new/price/", {**RULE, "type": "12ax7", "amount": "24,50", "grade": ""})
    made = PriceDraft.objects.get()
    assert made.type == type_ and made.amount == Decimal("24.50")


def test_ending_a_rule_is_looked_at_first_too(owner: Client) -> None:
    in_force(amount=Decimal(20))
    listed(goods(1), "20.00")
    answer = owner.post("/prices/rules/1/end/", {"reason": "sold out"}, follow=True)
    worker.work_off()
    page = owner.get(answer.redirect_chain[-1][0]).content.decode()
    assert "1 listing would have no price" in page
    owner.post(f"/prices/drafts/{PriceDraft.objects.latest('pk').pk}/take/")
    assert not PriceRule.objects.in_force().exists() and PriceRule.objects.count() == 2
    assert owner.get("/prices/rules/1/change/").status_code == 404


def test_the_page_of_a_past_day_shows_the_book_of_then(owner: Client) -> None:
    rule = in_force(amount=Decimal(20))
    day = timezone.localdate(rule.at) - timedelta(days=1)
    assert "GBP\xa020.00 a piece" in owner.get("/prices/").content.decode()
    page = owner.get(f"/prices/?on={day}").content.decode()
    assert "GBP\xa020.00 a piece" not in page and "None." in page


def test_a_large_draft_is_paged(owner: Client) -> None:
    made = draft(amount=Decimal(20))
    listings = Listing.objects.bulk_create(
        Listing(number=f"A9{number:04}", title="One", price=5, currency="GBP") for number in range(60)
    )
    DraftedPrice.objects.bulk_create(
        DraftedPrice(draft=made, listing=one, asked=5, before=5, after=6, by_hand=False) for one in listings
    )
    page = owner.get(made.get_absolute_url()).content.decode()
    assert "1–50 of 60" in page
