"""Booking in a lot: supplier, charges, lines, and the cost shared over the pieces."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from catalog.models import Alias
from stockroom.models import Charge, Counter, Entry, Line, Lot, Maker, Place, Shop, Supplier
from stockroom.receiving import booking
from stockroom.site.people import Role
from stockroom.states import State
from stockroom.tally import tally_lots
from tests.factories import make_line, make_lot, make_place, make_supplier, make_type, make_user, make_valves, source

pytestmark = pytest.mark.django_db


def lot_data(**changes: Any) -> dict[str, Any]:
    return {
        "supplier": "Brackenfield Surplus",
        "received_on": "2026-03-02",
        "note": "two cartons",
        "goods-amount": "300",
        "goods-currency": "usd",
        "goods-rate": "0.8",
        "freight-amount": "41.37",
        "freight-currency": "USD",
        "freight-rate": "0.8",
        "duty-amount": "12.5",
        "duty-currency": "GBP",
        "duty-rate": "",
        "other-amount": "",
        "other-currency": "GBP",
        "other-rate": "1",
        **changes,
    }


def line_data(**changes: Any) -> dict[str, Any]:
    return {
        "type": "12AX7",
        "maker": "",
        "condition": "nos-boxed",
        "expected": "240",
        "counted": "",
        "weight": "1",
        "place": "",
        "note": "",
        **changes,
    }


def a_charge(amount: str, kind: str = "goods", currency: str = "GBP", rate: str = "1") -> Charge:
    return Charge(kind=kind, amount=Decimal(amount), currency=currency, rate=Decimal(rate))


def a_lot(*charges: Charge) -> Lot:
    return booking.book_in(Lot(supplier=make_supplier()), charges or [a_charge("100.00")], None)


def a_line(pieces: int, weight: str = "1", **fields: Any) -> Line:
    return Line(type=make_type(), condition="used", expected=pieces, weight=Decimal(weight), **fields)


@pytest.fixture
def receiver(logged_in) -> Client:
    return logged_in(Role.RECEIVING)


# Booking in


def test_a_lot_is_booked_in_with_its_charges_on_one_page(receiver: Client) -> None:
    make_supplier("Brackenfield Surplus")
    answer = receiver.post(reverse("lot-new"), lot_data())
    lot = Lot.objects.get()
    assert answer["Location"] == f"/lots/{lot.number}/?add=1"
    assert lot.received_on == date(2026, 3, 2)
    assert lot.created_by is not None and lot.created_by.username == "receiving"
    assert {(c.kind, c.amount, c.currency, c.rate) for c in lot.charges.all()} == {
        ("goods", Decimal("300"), "USD", Decimal("0.8")),
        ("freight", Decimal("41.37"), "USD", Decimal("0.8")),
        ("duty", Decimal("12.5"), "GBP", Decimal(1)),
    }
    # 240.00 + 33.10 (33.096 rounded) + 12.50
    assert booking.cost_of(lot, "GBP") == Decimal("285.60")


def test_lot_numbers_follow_one_another(receiver: Client) -> None:
    Counter.take("lot", 41)
    receiver.post(reverse("lot-new"), lot_data())
    receiver.post(reverse("lot-new"), lot_data())
    assert sorted(Lot.objects.values_list("number", flat=True)) == ["L0042", "L0043"]


def test_a_supplier_is_found_whatever_its_capitals(receiver: Client) -> None:
    known = make_supplier("Épernel & Sohn")
    receiver.post(reverse("lot-new"), lot_data(supplier="  éPERNEL &  sohn"))
    assert Lot.objects.get().supplier == known


def test_a_new_supplier_is_added_in_place_and_said_to_be_new(receiver: Client) -> None:
    answer = receiver.post(reverse("lot-new"), lot_data(supplier="Quillmere Trading"), follow=True)
    supplier = Supplier.objects.get(name="Quillmere Trading")
    assert supplier.currency == "USD"  # as it billed the goods
    assert "“Quillmere Trading” was not known and is added as a new supplier." in answer.content.decode()
    assert Entry.objects.filter(action="supplier-added").count() == 1


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"goods-amount": "-3"}, "A rebate of USD\xa03.00, which lowers what the lot cost? If that is right, send it"),
        ({"goods-amount": "3.999"}, "An amount in USD has 2 decimal places."),
        ({"goods-currency": "JPY", "goods-amount": "10.5"}, "An amount in JPY has no decimal places."),
        ({"goods-currency": "ZZZ"}, "is not a currency code"),
        ({"goods-rate": ""}, "Give the rate: how many GBP one USD cost."),
        ({"goods-rate": "0"}, "A rate is above 0."),
        ({"goods-rate": "much"}, "“much” is not a number."),
        ({"duty-rate": "0.8"}, "GBP is the home currency: its rate is 1."),
        ({"supplier": ""}, "This field is required."),
        ({"received_on": "yesterday"}, "Enter a valid date."),
    ],
)
def test_a_bad_field_is_named_and_the_rest_is_kept(receiver: Client, changes: dict, message: str) -> None:
    data = lot_data(**changes)
    page = receiver.post(reverse("lot-new"), data).content.decode()
    assert message in page
    assert not Lot.objects.exists() and not Supplier.objects.exists()
    for name, value in data.items():
        if value and name != "note":
            assert f'value="{value}"' in page, name
    assert "two cartons</textarea>" in page


def test_a_lot_cannot_arrive_tomorrow(receiver: Client) -> None:
    tomorrow = timezone.localdate() + timedelta(days=1)
    page = receiver.post(reverse("lot-new"), lot_data(received_on=tomorrow.isoformat()))
    assert "This day is still to come." in page.content.decode()


def test_a_foreign_currency_that_is_just_as_dear_is_asked_about_once(receiver: Client) -> None:
    data = lot_data(**{"goods-rate": "1"})
    asked = receiver.post(reverse("lot-new"), data)
    assert "One USD cost exactly one GBP? If that is right, send it again." in asked.content.decode()
    assert not Lot.objects.exists()
    sure = asked.context["lot_forms"].charge_forms[0]["sure"].value()
    assert f'value="{sure}"' in asked.content.decode()
    receiver.post(reverse("lot-new"), data | {"goods-sure": sure})
    assert Charge.objects.get(kind="goods").rate == 1


def test_the_rate_of_a_small_currency_keeps_its_digits(receiver: Client) -> None:
    receiver.post(
        reverse("lot-new"),
        lot_data(**{"goods-currency": "VND", "goods-amount": "90000000", "goods-rate": "0,0000303127"}),
    )
    lot = Lot.objects.get()
    assert lot.charges.get(kind="goods").rate == Decimal("0.0000303127")
    assert booking.cost_of(lot, "GBP") == Decimal("2728.14") + Decimal("33.10") + Decimal("12.50")


def test_the_home_currency_stays_once_a_charge_is_reckoned_in_it(logged_in: Callable[..., Client]) -> None:
    owner, shop = logged_in(Role.OWNER), {"name": "Heron & Vane", "currency": "EUR"}
    assert owner.post("/shop/", shop).status_code == 302
    a_lot(a_charge("10", currency="EUR"))
    refused = owner.post("/shop/", shop | {"currency": "USD", "name": "Heron"})
    assert "1 charge is reckoned in EUR: it stays EUR." in refused.content.decode()
    assert 'value="Heron"' in refused.content.decode() and Shop.own().currency == "EUR"
    assert owner.post("/shop/", shop | {"name": "Heron"}).status_code == 302


def test_so_many_pieces_are_asked_about(receiver: Client) -> None:
    make_type("12AX7")
    lot = a_lot()
    asked = receiver.post(reverse("line-new", args=[lot]), line_data(expected="100000"))
    assert "100000 pieces in one line? If that is right, send it again." in asked.content.decode()
    assert not lot.lines.exists()
    receiver.post(reverse("line-new", args=[lot]), line_data(expected="100000", sure="expected=100000"))
    assert lot.lines.get().expected == 100000


def test_the_last_rate_of_a_currency_is_offered_again(receiver: Client) -> None:
    a_lot(a_charge("10", currency="USD", rate="0.7"))
    a_lot(a_charge("10", currency="USD", rate="0.81"))
    page = receiver.get(reverse("lot-new"))
    assert page.context["known"]["rates"] == {"USD": "0.81"}
    assert page.context["known"]["suppliers"] == {"Brackenfield Surplus": "GBP"}


def test_exactly_one_field_has_the_cursor(receiver: Client) -> None:
    lot = a_lot()
    for address in (reverse("lot-new"), f"/lots/{lot}/?add=1", reverse("lot-edit", args=[lot])):
        assert receiver.get(address).content.decode().count(" autofocus") == 1, address


def test_after_an_error_the_cursor_is_on_the_field_to_put_right(receiver: Client) -> None:
    make_type()
    lot_page = receiver.post(reverse("lot-new"), lot_data(**{"freight-rate": ""})).content.decode()
    line_page = receiver.post(reverse("line-new", args=[a_lot()]), line_data(expected="")).content.decode()
    for page, name in ((lot_page, "freight-rate"), (line_page, "expected")):
        (tag,) = [tag for tag in page.split("<") if " autofocus" in tag]
        assert f'name="{name}"' in tag


def test_several_bills_of_a_kind_and_a_rebate_are_typed_on_one_page(receiver: Client) -> None:
    rebate = {"freight-2-amount": "-1.37", "freight-2-currency": "USD", "freight-2-rate": "0.8"}
    data = lot_data(**rebate, **{"freight-2-note": "carrier, May", "import-tax-amount": "57.12"})
    asked = receiver.post(reverse("lot-new"), data).content.decode()
    assert "A rebate of USD\xa01.37, which lowers what the lot cost?" in asked and "<details open>" in asked
    receiver.post(reverse("lot-new"), data | {"freight-2-sure": "amount=-1.37"})
    lot = Lot.objects.get()
    assert [str(c.amount) for c in lot.charges.filter(kind="freight").order_by("pk")] == ["41.370", "-1.370"]
    # 240.00 + 33.10 + 12.50, less 1.10 (1.096 rounded); the tax that is claimed back is no cost
    assert booking.cost_of(lot, "GBP") == Decimal("284.50")
    page = receiver.get(lot.get_absolute_url()).content.decode()
    assert "Freight rebate" in page and "carrier, May" in page
    assert "Import tax to claim back, not in the cost" in page and "GBP\xa057.12" in page
    form = receiver.get(reverse("lot-edit", args=[lot])).content.decode()
    assert 'name="freight-2-amount" value="-1.37"' in form and 'name="freight-3-amount"' in form
    receiver.post(reverse("lot-edit", args=[lot]), lot_data())
    assert "freight rebate USD\xa01.37 at 0.8 (carrier, May) → no more freight" in lot.entries.first().text
    assert lot.charges.count() == 3


def test_rebates_above_what_was_charged_are_refused(receiver: Client) -> None:
    data = lot_data(**{"goods-amount": "-300", "goods-sure": "amount=-300"})
    page = receiver.post(reverse("lot-new"), data).content.decode()
    assert "credits and rebates would come to GBP\xa0194.40 more than lot" in page and not Lot.objects.exists()


def test_changing_a_lot_writes_what_changed_and_shares_anew(receiver: Client) -> None:
    lot = a_lot(a_charge("100.00"), a_charge("5", kind="other"))
    booking.add_lines(lot, [a_line(3)], None)
    receiver.post(
        reverse("lot-edit", args=[lot]),
        lot_data(
            **{
                "goods-amount": "120",
                "goods-currency": "GBP",
                "goods-rate": "1",
                "freight-amount": "",
                "duty-amount": "",
            }
        ),
    )
    assert lot.lines.get().cost == Decimal("120.00")
    text = lot.entries.get(action="lot-changed").text
    assert "goods GBP\xa0100.00 → goods GBP\xa0120.00" in text
    assert "other charges GBP\xa05.00 → no other charges" in text
    assert "line 1 105.00 → 120.00" in lot.entries.filter(action="cost-shared")[0].text


def test_saving_a_lot_unchanged_writes_nothing(receiver: Client) -> None:
    receiver.post(reverse("lot-new"), lot_data())
    lot = Lot.objects.get()
    booking.add_lines(lot, [a_line(3)], None)
    before = lot.entries.count()
    receiver.post(reverse("lot-edit", args=[lot]), lot_data())
    assert lot.entries.count() == before


# Lines


def test_lines_are_added_one_after_the_other_and_come_back_for_the_next(receiver: Client) -> None:
    lot, _ = a_lot(), make_type("12AX7")
    for expected in ("240", "60"):
        answer = receiver.post(reverse("line-new", args=[lot]), line_data(expected=expected))
        assert answer["Location"] == f"/lots/{lot}/?add=1"
    assert [(line.number, line.expected) for line in lot.lines.all()] == [(1, 240), (2, 60)]


def test_the_next_line_starts_with_the_condition_and_place_of_the_last(receiver: Client) -> None:
    lot = a_lot()
    booking.add_lines(lot, [a_line(3, place=make_place("C3"))], None)
    form = receiver.get(f"/lots/{lot}/?add=1").context["form"]
    assert (form["condition"].value(), form["place"].value()) == ("used", "C3")


def test_a_type_is_known_by_any_of_its_names(receiver: Client) -> None:
    lot, type = a_lot(), make_type("12AX7")
    Alias.objects.create(type=type, designation="ECC83", source=source())
    receiver.post(reverse("line-new", args=[lot]), line_data(type="ecc 83"))
    assert lot.lines.get().type == type


def test_a_new_maker_and_place_are_added_in_place(receiver: Client) -> None:
    lot, _ = a_lot(), make_type("12AX7")
    answer = receiver.post(reverse("line-new", args=[lot]), line_data(maker="Tarnwell", place="B-7"), follow=True)
    line = lot.lines.get()
    assert (line.maker, line.place) == (Maker.objects.get(name="Tarnwell"), Place.objects.get(code="B-7"))
    assert "“Tarnwell” was not known and is added as a new maker." in answer.content.decode()
    assert "“B-7” was not known and is added as a new place." in answer.content.decode()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"type": "99ZZ9"}, "No valve type is called “99ZZ9”."),
        ({"expected": "0"}, "greater than or equal to 1"),
        ({"expected": "-5"}, "greater than or equal to"),
        ({"expected": "10000012"}, "the scanner fired in this field"),
        ({"expected": "20000012"}, "Was something scanned into this field?"),
        ({"counted": "-1"}, "greater than or equal to 0"),
        ({"weight": "-1"}, "greater than or equal to 0"),
        ({"condition": "mint"}, "Select a valid choice"),
        ({"place": "10000012"}, "10000012 is the serial of a valve"),
        ({"weight": "0"}, "no piece would be left to carry it"),
        ({"counted": "0"}, "no piece would be left to carry it"),
    ],
)
def test_a_bad_line_is_named_on_the_lot_page_and_kept(receiver: Client, changes: dict, message: str) -> None:
    lot, _ = a_lot(), make_type("12AX7")
    page = receiver.post(reverse("line-new", args=[lot]), line_data(**{"note": "torn box", **changes}))
    text = page.content.decode()
    assert page.status_code == 200 and message in text
    assert not lot.lines.exists()
    assert 'value="torn box"' in text
    for name, value in changes.items():
        assert name == "condition" or f'value="{value}"' in text


def test_a_line_is_changed_with_an_entry_that_says_how(receiver: Client) -> None:
    lot = a_lot()
    line = booking.add_lines(lot, [a_line(10)], None)[0]
    receiver.post(
        reverse("line-edit", args=[lot, 1]),
        line_data(expected="10", counted="8", weight="2.5", condition="used", place="A4"),
    )
    line.refresh_from_db()
    assert (line.counted, line.weight, str(line.place)) == (8, Decimal("2.5"), "A4")
    text = lot.entries.get(action="line-changed").text
    assert text == "Line 1: counted – → 8; cost weight 1 → 2.5; place – → A4."


def test_a_mistaken_type_and_mark_are_corrected_on_the_valves_too(receiver: Client) -> None:
    lot = a_lot()
    line = booking.add_lines(lot, [a_line(3)], None)[0]
    valves = booking.allot_serials(line, None, None)
    other = Maker.objects.create(name="Tarnwell")
    valves[2].maker = other
    valves[2].save()
    make_type("12AU7")
    receiver.post(
        reverse("line-edit", args=[lot, 1]), line_data(type="12AU7", maker="Osmunda", expected="3", condition="used")
    )
    assert {(str(v.type), str(v.maker)) for v in line.valves.all()} == {("12AU7", "Osmunda"), ("12AU7", "Tarnwell")}


def test_the_type_is_settled_once_anything_stands_on_it(receiver: Client) -> None:
    from grading.models import Reading
    from tests.factories import make_shift

    lot = a_lot()
    line = booking.add_lines(lot, [a_line(3)], None)[0]
    valve = booking.allot_serials(line, None, None)[0]
    point = valve.type.test_sections[0].test_point  # of one section: the valve's state is still received
    assert point is not None
    Reading.objects.create(valve=valve, section=1, test_point=point, shift=make_shift(), anode_current_ma=1.2)
    make_type("12AU7")
    page = receiver.post(reverse("line-edit", args=[lot, 1]), line_data(type="12AU7", expected="3"))
    assert "Valves of line 1 have records as 12AX7, so the line stays 12AX7." in page.content.decode()
    line.refresh_from_db()
    assert str(line.type) == "12AX7"
    # its mark may still be put right
    receiver.post(reverse("line-edit", args=[lot, 1]), line_data(maker="Osmunda", expected="3"))
    valve.refresh_from_db()
    assert str(valve.maker) == "Osmunda"


# Sharing the cost


def test_the_cost_is_shared_by_weight_times_pieces() -> None:
    lot = a_lot(a_charge("100.00"))
    booking.add_lines(lot, [a_line(10, "1"), a_line(5, "4"), a_line(7, "0")], None)
    assert [line.cost for line in lot.lines.all()] == [Decimal("33.33"), Decimal("66.67"), Decimal(0)]


def test_the_pieces_of_a_line_differ_by_a_minor_unit_at_most() -> None:
    lot = a_lot(a_charge("100.00"))
    line = booking.add_lines(lot, [a_line(3)], None)[0]
    line.refresh_from_db()
    assert [line.cost_of(n, "GBP") for n in range(3)] == [Decimal("33.34"), Decimal("33.33"), Decimal("33.33")]


def test_old_and_new_shares_are_written_whenever_they_change() -> None:
    lot = a_lot(a_charge("100.00"))
    by = make_user("rosa", Role.RECEIVING)
    booking.add_lines(lot, [a_line(10)], by)
    booking.add_lines(lot, [a_line(10)], by)
    entry = lot.entries.filter(action="cost-shared")[0]
    assert entry.text == ("Cost GBP\xa0100.00 shared over 20 pieces: line 1 100.00 → 50.00, line 2 0.00 → 50.00.")
    assert entry.by == by


def test_sharing_again_without_a_change_is_silent() -> None:
    lot = a_lot(a_charge("100.00"))
    booking.add_lines(lot, [a_line(10)], None)
    before = Entry.objects.count()
    booking.share_cost(lot, None)
    assert Entry.objects.count() == before


def test_many_changed_shares_are_all_written_down() -> None:
    lot = a_lot(a_charge("1000.00"))
    booking.add_lines(lot, [a_line(10) for _ in range(100)], None)
    entries = lot.entries.filter(action="cost-shared")
    assert all(len(entry.text) <= 400 for entry in entries)
    said = " ".join(entry.text for entry in entries)
    assert all(f"line {number} 0.00 → 10.00" in said for number in range(1, 101))


def test_a_cost_without_a_piece_to_carry_it_is_refused() -> None:
    lot = a_lot(a_charge("100.00"))
    with pytest.raises(booking.NothingCarriesTheCost, match="no piece would be left"):
        booking.add_lines(lot, [a_line(10, counted=0)], None)
    assert not lot.lines.exists()


def test_a_lot_that_cost_nothing_may_be_empty() -> None:
    lot = a_lot(a_charge("0"))
    booking.add_lines(lot, [a_line(10, counted=0)], None)
    assert lot.lines.get().cost == 0


def test_the_lot_page_says_what_is_not_shared_yet(receiver: Client) -> None:
    lot = a_lot(a_charge("100.00"))
    assert "GBP\xa0100.00 of this is on no line yet." in receiver.get(lot.get_absolute_url()).content.decode()
    booking.add_lines(lot, [a_line(3)], None)
    page = receiver.get(lot.get_absolute_url()).content.decode()
    assert "on no line yet" not in page
    assert "33.33–33.34" in page


amounts = st.decimals(min_value=0, max_value=100_000, places=2)
rates = st.decimals(min_value="0.000001", max_value=2000, places=6)
lines = st.lists(
    st.tuples(st.integers(1, 40), st.none() | st.integers(0, 40), st.decimals(min_value=0, max_value=999, places=3)),
    min_size=1,
    max_size=6,
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(home=st.sampled_from(["GBP", "JPY", "KWD"]), paid=st.tuples(amounts, rates, amounts), lines=lines)
def test_the_pieces_always_add_up_to_what_the_lot_cost(
    home: str, paid: tuple[Decimal, Decimal, Decimal], lines: list[tuple[int, int | None, Decimal]]
) -> None:
    Shop.objects.update_or_create(pk=1, defaults={"currency": home})
    goods, rate, duty = paid
    lot = a_lot(
        Charge(kind="goods", amount=goods, currency="EUR", rate=rate),
        Charge(kind="duty", amount=Decimal(int(duty)), currency=home),
    )
    made = [
        Line(type=make_type(), condition="used", expected=expected, counted=counted, weight=weight)
        for expected, counted, weight in lines
    ]
    cost = booking.cost_of(lot, home)
    if cost and not any(line.pieces * line.weight for line in made):
        with pytest.raises(booking.NothingCarriesTheCost):
            booking.add_lines(lot, made, None)
        return
    booking.add_lines(lot, made, None)
    stored = list(lot.lines.all())
    assert sum(line.cost for line in stored) == cost
    for line in stored:
        if line.pieces:
            assert sum(line.cost_of(position, home) for position in range(line.pieces)) == line.cost


# Progress and the pages


def test_the_lot_page_shows_progress_in_counts_and_as_a_bar(receiver: Client) -> None:
    line = make_line(count=10)
    make_valves(line=line, count=4)
    line.valves.filter(position__lt=3).update(state=State.GRADED)
    page = receiver.get(line.lot.get_absolute_url()).content.decode()
    assert page.count("3 graded, 7 received") == 2  # of the lot, and of its line
    assert page.count('class="state-graded" style="width: 30.00%"') == 2
    tally = tally_lots([line.lot_id])[line.lot_id]
    assert (tally.pieces, tally.serialised, tally.in_bulk, tally.state) == (10, 4, 6, State.RECEIVED)


def queries_for(client: Client, address: str) -> int:
    Shop.own()  # made on first use
    with CaptureQueriesContext(connection) as queries:
        assert client.get(address).status_code == 200
    return len(queries)


def test_the_queries_of_the_lot_page_do_not_grow(receiver: Client) -> None:
    lot = make_lot()
    counts = []
    for lines in (1, 40):
        for _ in range(lines):
            make_valves(line=make_line(count=3, lot=lot, place=make_place()), count=2)
        counts.append(queries_for(receiver, lot.get_absolute_url()))
    assert counts[0] == counts[1] < 25


def test_the_queries_of_the_list_do_not_grow(receiver: Client) -> None:
    counts = []
    for lots in (1, 40):
        for _ in range(lots):
            lot = a_lot(a_charge("10"), a_charge("2", kind="freight"))
            make_valves(line=make_line(count=3, lot=lot), count=2)
        counts.append(queries_for(receiver, reverse("lots")))
    assert counts[0] == counts[1] < 25


def test_lots_are_filtered_by_supplier_state_date_and_type(receiver: Client) -> None:
    old = make_line(make_type("6V6"), lot=make_lot(received_on=date(2025, 1, 2), state=State.LISTED)).lot
    new = make_line(lot=make_lot(received_on=date(2026, 5, 1), supplier=make_supplier("Quillmere Trading"))).lot

    def found(**query: Any) -> list[Lot]:
        return [row.lot for row in receiver.get(reverse("lots"), query).context["rows"]]

    assert found() == [new, old]
    assert found(supplier=old.supplier_id) == [old]
    assert found(state="listed") == [old]
    assert found(since="2026-01-01") == [new]
    assert found(until="2026-01-01") == [old]
    assert found(type="6v6") == [old]


def test_an_unknown_type_in_the_filter_is_said_and_finds_nothing(receiver: Client) -> None:
    make_line()
    answer = receiver.get(reverse("lots"), {"type": "99ZZ9"})
    assert "No valve type is called “99ZZ9”." in answer.content.decode()
    assert answer.context["rows"] == []


def test_everybody_reads_and_only_receiving_changes(logged_in) -> None:
    lot = make_line().lot
    sales = logged_in(Role.SALES)
    assert sales.get(lot.get_absolute_url()).status_code == 200
    assert "Add a line" not in sales.get(f"{lot.get_absolute_url()}?add=1").content.decode()
    for address in ("/lots/new/", f"/lots/{lot}/edit/", f"/lots/{lot}/lines/new/", f"/lots/{lot}/1/"):
        assert sales.post(address, {}).status_code == 403


def test_a_lot_or_line_that_is_not_there_is_not_found(receiver: Client) -> None:
    lot = make_line().lot
    assert receiver.get("/lots/L9999/").status_code == 404
    assert receiver.get(reverse("line-edit", args=[lot, 2])).status_code == 404
