"""A lot is offered: typed in or imported, worked out, declined or bought; its outcome stands beside the forecast."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.utils import timezone

from grading.buying import forecasting, history, offering
from grading.buying.outcomes import outcome_of
from grading.buying.told import OfferAsTold
from grading.models import Grade, LotOffer, LotOfferLine, OfferFile, OfferForecast
from grading.models.append_only import AppendOnlyError
from grading.orders import fulfilment
from stockroom.models import Charge, Customer, Line, Order, Posting, Valve
from stockroom.receiving import corrections
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import make_line, make_lot, make_policy, make_supplier, make_type, make_user, make_valves
from tests.prices.shop import in_force

Owner = Callable[..., Client]


@pytest.fixture
def shop(db: None) -> None:
    """Two lots of a good supplier and one of a bad one, thirty of their valves sold, by threes."""
    type_ = make_type()
    long_ago = timezone.localdate() - timedelta(days=400)
    for name, share in (("Brackenfield Surplus", 0.9), ("Brackenfield Surplus", 0.8), ("Marrow and Sons", 0.2)):
        line = make_line(type_, 20, lot=make_lot(supplier=make_supplier(name), received_on=long_ago))
        _judge(make_valves(type_, 20, line=line), round(20 * share))
    _sell(list(Valve.objects.filter(grades__saleable=True)[:30]), Decimal(20))


def _judge(valves: list[Valve], good: int) -> None:
    """Graded as if they had been read: the first so many Good, the rest not to be sold."""
    policy = make_policy()
    Grade.objects.bulk_create(
        [
            Grade(
                valve=valve,
                policy=policy,
                name="Good" if place < good else "Reject",
                rank=2 if place < good else 9,
                saleable=place < good,
            )
            for place, valve in enumerate(valves)
        ]
    )
    Valve.objects.filter(pk__in=[valve.pk for valve in valves]).update(state=State.GRADED)


def _sell(valves: list[Valve], price: Decimal) -> None:
    """Three on each order, sent and in the books."""
    customer = Customer.objects.get_or_create(name="Ada Quill")[0]
    owner = make_user("ada", Role.OWNER)
    for first in range(0, len(valves), 3):
        order = Order.objects.create(number=f"R{Order.objects.count() + 1:04}", customer=customer, currency="GBP")
        line = order.lines.create(type=valves[first].type, unit_price=price, quantity=3)
        for item, valve in enumerate(valves[first : first + 3], start=1):
            line.allocations.create(item=item, valve=valve, pulled_at=timezone.now())
        order.state = Order.State.PULLED
        order.save()
        fulfilment.despatch(order, "", "", owner)


def _offer(name: str = "Brackenfield Surplus", **fields: object) -> LotOffer:
    given = {"price": Decimal(100), "currency": "GBP", "rate": Decimal(1), **fields}
    offer = offering.add_offer(LotOffer(supplier=make_supplier(name), **given), None)
    offering.add_lines(offer, [LotOfferLine(type=make_type(), condition=Line.Condition.BOXED, pieces=30)], None)
    return offer


def test_the_price_is_said_with_its_interval_and_what_it_rests_on(shop: None, logged_in: Owner) -> None:
    owner, offer = logged_in(Role.OWNER), _offer()
    owner.post(f"/offers/{offer}/forecast/")
    kept = offer.forecasts.get()
    assert kept.most is not None and kept.most_low is not None and kept.most_high is not None
    assert kept.most_low < kept.most < kept.most_high
    assert kept.currency == "GBP" and kept.most == round(kept.most, 2)
    page = owner.get(f"/offers/{offer}/").content.decode()
    assert f"Pay at most GBP\xa0{kept.most:,.2f}" in page
    assert "80 %:" in page and "with a chance of 4 in 5" in page
    assert "of these 40 valves of 2 lots by this supplier" in page
    assert "30 graded valves sold" in page and "Little history: 3 lots." in page


def test_a_good_supplier_s_lot_is_worth_more_than_a_bad_one_s(shop: None) -> None:
    good = forecasting.make_forecast(_offer(), None)
    bad = forecasting.make_forecast(_offer("Marrow and Sons"), None)
    unknown = forecasting.make_forecast(_offer("Nobody Yet"), None)
    share = {one.pk: one.content["lines"][0]["usable"] for one in (good, bad, unknown)}
    assert share[good.pk][0] > share[unknown.pk][0] > share[bad.pk][0]
    assert good.most is not None and bad.most is not None and good.most > bad.most
    assert share[unknown.pk][2] - share[unknown.pk][1] > share[good.pk][2] - share[good.pk][1]  # it widens


def test_where_nothing_is_known_it_cannot_say(db: None, logged_in: Owner) -> None:
    make_policy()
    owner, offer = logged_in(Role.OWNER), _offer()
    owner.post(f"/offers/{offer}/forecast/")
    kept = offer.forecasts.get()
    assert kept.most is None and kept.proceeds is None and len(kept.content["why_not"]) == 3
    page = owner.get(f"/offers/{offer}/").content.decode()
    assert "Cannot say what it is worth" in page and "Pay at most" not in page
    assert "No valve of any lot has been graded yet" in page


def test_a_type_that_was_never_sold_counts_for_nothing_until_somebody_says_what_it_brings(shop: None) -> None:
    offer = _offer()
    other = LotOfferLine(type=make_type("EL84"), condition=Line.Condition.BOXED, pieces=10)
    offering.add_lines(offer, [other], None)
    first = forecasting.make_forecast(offer, None)
    first.refresh_from_db()
    assert first.content["lines"][1]["proceeds"] is None
    assert "Cannot say what line 2 (10 pieces) would bring" in OfferAsTold(first).unsaid
    other.price_each = Decimal(50)
    offering.change_line(other, None)
    second = forecasting.make_forecast(offer, None)
    second.refresh_from_db()
    assert second.content["lines"][1]["price_from"] == "owner" and not OfferAsTold(second).unsaid
    assert second.proceeds > first.proceeds  # type: ignore[operator]


def test_a_type_that_was_never_sold_is_priced_by_the_price_book(shop: None) -> None:
    offer, type_ = _offer(), make_type("EL84")
    in_force("price", type=type_, amount=12)
    in_force("price", type=type_, grade="Excellent", amount=20)
    offering.add_lines(offer, [LotOfferLine(type=type_, condition=Line.Condition.BOXED, pieces=10)], None)
    kept = forecasting.make_forecast(offer, None)
    sold, never = kept.content["lines"]
    assert sold["price_from"] == "sales" and "quoted" not in sold
    assert never["price_from"] == "book" and never["quoted"] == [20, 12, 12]
    assert 0 < never["proceeds"][0] < 10 * 20


def _offer_in_doubt(**fields: object) -> LotOffer:
    """Sealed packs of a supplier that nobody knows, at about what they are worth: it may well be wrong to buy."""
    offer = _offer("Nobody Yet", price=None, **fields)
    offering.add_lines(offer, [LotOfferLine(type=make_type(), condition=Line.Condition.SEALED, pieces=40)], None)
    offer.price = forecasting.make_forecast(offer, None).most
    offering.change_offer(offer, None)
    return offer


def test_sealed_packs_say_what_opening_some_first_is_worth(shop: None, logged_in: Owner) -> None:
    offer = _offer_in_doubt()
    kept = forecasting.make_forecast(offer, None)
    looks = kept.content["lines"][1]["looks"]
    assert kept.content["lines"][0]["looks"] == []  # nothing is sealed there
    assert [look["packs"] for look in looks][:4] == [0, 1, 2, 3] and looks[0]["worth"] == 0
    worths = [look["worth"] for look in looks]
    assert worths == sorted(worths) and worths[-1] > 0
    # Level II and AQL 4.0 open 13 of 40: code letter D, whose plan is the table's arrow to E.
    assert 13 in [look["packs"] for look in looks] and kept.content["lines"][1]["by_plan"] == [13]
    page = logged_in(Role.OWNER).get(f"/offers/{offer}/").content.decode()
    assert "of line 2, 12AX7, first: that is worth" in page and "Buy if" in page and "as ISO 2859-1 would open" in page


def test_a_look_that_costs_more_than_it_tells_is_not_advised(shop: None) -> None:
    kept = forecasting.make_forecast(_offer_in_doubt(pack_cost=Decimal(500)), None)
    kept.refresh_from_db()
    assert "is not worth it" in OfferAsTold(kept).looks[0].sentence


def test_a_forecast_is_written_once(shop: None) -> None:
    kept = forecasting.make_forecast(_offer(), None)
    with pytest.raises(AppendOnlyError):
        kept.save()
    with pytest.raises(AppendOnlyError):
        OfferForecast.objects.all().delete()
    for statement in ("UPDATE grading_offerforecast SET seed = 9", "DELETE FROM grading_offerforecast"):
        with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    assert OfferForecast.objects.get().seed == 1


def test_the_page_says_that_the_offer_has_changed_since(shop: None, logged_in: Owner) -> None:
    owner, offer = logged_in(Role.OWNER), _offer()
    owner.post(f"/offers/{offer}/forecast/")
    assert "has changed since" not in owner.get(f"/offers/{offer}/").content.decode()
    owner.post(f"/offers/{offer}/lines/new/", {"type": "12AX7", "condition": "used", "pieces": "12", "pack_size": "1"})
    assert "has changed since" in owner.get(f"/offers/{offer}/").content.decode()


def test_an_offer_is_typed_in_with_the_terms_of_the_last(shop: None, logged_in: Owner) -> None:
    owner = logged_in(Role.OWNER)
    _offer(return_percent=Decimal(40), months=12)
    form = owner.get("/offers/new/").content.decode()
    assert re.search(r'name="return_percent"[^>]*value="40"|value="40"[^>]*name="return_percent"', form)
    sent = {
        "supplier": "Thistledown House Sales",
        "offered_on": f"{timezone.localdate()}",
        "price": "1.250,00",
        "currency": "eur",
        "rate": "0.85",
        "charges": "40",
        "return_percent": "30",
        "selling_percent": "10",
        "hour_cost": "12",
        "pack_cost": "0",
        "months": "18",
    }
    owner.post("/offers/new/", sent)
    offer = LotOffer.objects.get(supplier__name="Thistledown House Sales")
    assert (offer.price, offer.currency, offer.rate) == (Decimal(1250), "EUR", Decimal("0.85"))
    assert offer.asked_at_home == Decimal("1062.5")
    owner.post(f"/offers/{offer}/lines/new/", {"type": "ECC83?", "condition": "used", "pieces": "12", "pack_size": "1"})
    assert not offer.lines.exists()
    answer = owner.post(
        f"/offers/{offer}/lines/new/", {"type": "12AX7", "condition": "used", "pieces": "12", "pack_size": "5"}
    ).content.decode()
    assert "Only sealed goods come in packs" in answer and 'value="12"' in answer
    owner.post(f"/offers/{offer}/lines/new/", {"type": "12ax7", "condition": "used", "pieces": "12", "pack_size": "1"})
    assert [(str(line.type), line.pieces) for line in offer.lines.all()] == [("12AX7", 12)]


def test_a_list_is_imported_through_the_columns_of_a_lot_s_list(shop: None, logged_in: Owner) -> None:
    owner, offer = logged_in(Role.OWNER), _offer(price=None)
    rows = "Valve type;Qty;Condition;Unit price\n12AX7;40;sealed;2.50\n12AX7;6;used;1.00\nnosuch9;2;used;1.00\n"
    owner.post(f"/offers/{offer}/import/", {"pasted": rows})
    file = OfferFile.objects.get()
    columns = owner.get(f"/offers/{offer}/import/{file.pk}/").content.decode()
    assert "What the columns of" in columns
    layout = file.choices["columns"]
    sent = {f"column {name}": at for name, at in layout.items()} | {
        "heading": file.choices["heading"],
        "encoding": "utf-8",
    }
    owner.post(f"/offers/{offer}/import/{file.pk}/", sent)
    assert "no type is called so" in owner.get(f"/offers/{offer}/import/{file.pk}/preview/").content.decode()
    owner.post(f"/offers/{offer}/import/{file.pk}/take-in/")
    assert offer.lines.count() == 1  # all of it, or none
    owner.post(f"/offers/{offer}/import/{file.pk}/preview/", {"out nosuch9": "on"})
    owner.post(f"/offers/{offer}/import/{file.pk}/take-in/")
    assert [(line.condition, line.pieces) for line in offer.lines.all()[1:]] == [("nos-sealed", 40), ("used", 6)]
    offer.refresh_from_db()
    assert offer.price == Decimal("106.00")  # nobody had named one, so the list's own prices do
    assert (
        "imported into this offer already"
        in owner.get(f"/offers/{offer}/import/{file.pk}/", follow=True).content.decode()
    )


def test_a_declined_offer_stays_as_it_is(shop: None, logged_in: Owner) -> None:
    owner, offer = logged_in(Role.OWNER), _offer()
    owner.post(f"/offers/{offer}/decline/", {"why": "Too dear."})
    offer.refresh_from_db()
    assert (offer.state, offer.declined_because) == ("declined", "Too dear.")
    page = owner.post(f"/offers/{offer}/buy/", follow=True).content.decode()
    assert "declined already, so it stays as it is" in page
    assert not hasattr(offer, "lot") or offer.lot is None
    assert owner.get("/find/", {"q": str(offer).lower()})["Location"] == f"/offers/{offer}/"


def test_a_bought_offer_is_a_lot_and_its_outcome_stands_beside_the_forecast(shop: None, logged_in: Owner) -> None:
    owner, offer = logged_in(Role.OWNER), _offer(charges=Decimal(15))
    kept = forecasting.make_forecast(offer, None)
    owner.post(f"/offers/{offer}/buy/")
    offer.refresh_from_db()
    lot = offer.lot
    assert lot is not None and offer.state == "bought"
    assert {charge.kind: charge.amount for charge in lot.charges.all()} == {
        Charge.Kind.GOODS: Decimal(100),
        Charge.Kind.OTHER: Decimal(15),
    }
    line = lot.lines.get()
    assert (str(line.type), line.expected, line.condition) == ("12AX7", 30, "nos-boxed")
    valves = make_valves(line.type, 30, line=line)
    _judge(valves[:20], 20)
    _sell(valves[:6], Decimal(22))
    told = outcome_of(offer, timezone.localdate())
    assert told is not None and not told.over
    proceeds, usable = told.rows[0], told.rows[1]
    assert proceeds.came == "GBP\xa0132.00" and proceeds.verdict in ("not there yet", "within it so far")
    assert usable.came.endswith("of 20 known valves") and usable.verdict == "not all known yet"
    late = outcome_of(offer, timezone.localdate() + timedelta(days=1000))
    assert late is not None and late.over
    low = kept.proceeds_low or Decimal(0)
    assert late.rows[0].verdict == ("below the interval" if low > 132 else "within the interval")
    page = owner.get(f"/offers/{offer}/").content.decode()
    assert "Forecast and outcome" in page and "6 valves of 30 pieces sold" in page


def test_a_lot_booked_in_by_mistake_leaves_its_offer_open(shop: None) -> None:
    offer = _offer()
    lot = offering.buy(offer, None)
    corrections.remove_lot(lot, "by mistake", None)
    offer.refresh_from_db()
    assert offer.is_open and offer.lot is None


def test_the_same_questions_are_asked_however_much_is_in_stock(
    shop: None, logged_in: Owner, django_assert_max_num_queries: Callable[..., object]
) -> None:
    owner, offer = logged_in(Role.OWNER), _offer()
    forecasting.make_forecast(offer, None)
    for _ in range(3):
        make_valves(make_type(), 5)
        _offer()
    with django_assert_max_num_queries(25):
        owner.get(f"/offers/{offer}/")
    with django_assert_max_num_queries(14):
        owner.get("/offers/")


def test_prices_are_what_the_books_say_and_orders_are_counted_by_their_pieces(shop: None) -> None:
    offer = _offer()
    learned, rests = history.learned_for(offer, list(offer.lines.all()))
    assert learned.demand is not None and learned.demand.pieces_each == 3.0
    type_ = make_type()
    assert learned.demand.sold[type_.pk].pieces == 30
    assert learned.demand.sold[type_.pk].years == pytest.approx(400 / 365.25, abs=0.01)
    assert rests.sold == 30 and learned.prices.sold[type_.pk] == 30
    # 18 + 16 + 4 are good, 30 of them are gone, and none waits to be read.
    assert learned.stock[type_.pk] == 8
    booked = -sum(one.amount for one in Posting.objects.filter(account="sales", valve__isnull=False))
    assert booked == 600
