"""What the public finds, reads and takes away as a file, without a login, a script or a picture."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from decimal import Decimal
from html.parser import HTMLParser
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from catalog.models import Alias
from grading.issued import issuing
from grading.listings import feeds, publishing
from grading.sets import making
from stockroom.models import Listing, Maker, Shop, Valve
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_type, make_user, make_valve, make_valves, source

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


def listed(valves: list[Valve], by: User, title: str, price: str = "48", currency: str = "GBP") -> Listing:
    return publishing.publish(valves, title, "As found.", Decimal(price), currency, by)


def single(by: User, designation: str, title: str, price: str = "48", **fields: Any) -> Listing:
    valve = make_valve(make_type(designation, **fields.pop("type", {})), **fields)
    graded(valve)
    return listed([valve], by, title, price)


def found(**asked: str) -> set[str]:
    return {listing.title for listing, _, _ in Client().get("/for-sale/", asked).context["rows"]}


class Words(HTMLParser):
    """A page as a text browser shows it: its words alone, without scripts and styles."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.hidden = 0
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.hidden += tag in ("script", "style", "title")
        self.words += [value for name, value in attrs if name == "alt" and value]

    def handle_endtag(self, tag: str) -> None:
        self.hidden -= tag in ("script", "style", "title")

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.words.append(data)


def read(address: str) -> str:
    page = Client().get(address).content.decode()
    return " ".join(" ".join(Words(page).words).split())


# The list


def test_a_type_is_found_by_its_name_an_alias_and_the_name_on_the_glass(by: User) -> None:
    single(by, "12AX7", "one", as_marked="7025X")
    single(by, "EL34", "other")
    Alias.objects.create(type=make_type("12AX7"), designation="ECC83", source=source())
    for name in ("12AX7", "12ax7", "ECC83", "7025x"):
        assert found(name=name) == {"one"}, name
    assert found(name="othe") == {"other"}, "any words of the title"
    assert found() == {"one", "other"} and found(name="EF86") == set()


def test_the_list_is_narrowed_by_maker_base_and_price_in_the_shops_currency(by: User) -> None:
    maker = Maker.objects.create(name="Halvory")
    single(by, "12AX7", "small", "20", maker=maker)
    single(by, "5U4G", "large", "60", type={"base": "octal"})
    valve = make_valve(make_type("12AX7"))
    graded(valve)
    listed([valve], by, "abroad", "30", "EUR")
    assert found(maker=str(maker.pk)) == {"small"}
    assert found(base="octal") == {"large"} and found(base="B9A") == {"small", "abroad"}
    assert found(least="30") == {"large"} and found(most="59,99") == {"small"}
    page = Client().get("/for-sale/", {"least": "cheap"}).content.decode()
    assert "Price from, GBP" in page and "“cheap”" in page, "what is no price is said to be none"


def test_the_list_is_narrowed_by_grade_and_by_how_many_are_sold_together(by: User) -> None:
    valves = make_valves(make_type(), 4)
    graded_all([(valve, 1.2, gm) for valve, gm in zip(valves, (1.6, 1.61, 1.6, 1.3), strict=True)])
    making.make_set(valves[:2], 5, by)
    listed(list(Valve.objects.filter(memberships__live=True)), by, "pair")
    listed([valves[2]], by, "excellent")
    listed([valves[3]], by, "good")
    untested = make_valve(make_type())
    listed([untested], by, "untested")
    assert found(grade="Excellent") == {"pair", "excellent"} and found(grade="Good") == {"good"}
    assert found(grade="untested") == {"untested"} and found(grade="sealed") == set()
    assert found(size="2") == {"pair"} and found(size="1") == {"excellent", "good", "untested"}
    assert found(size="more") == set() and found(size="1", grade="Good") == {"good"}


def test_the_questions_of_the_list_do_not_grow_with_it(by: User) -> None:
    Shop.own()
    counts = []
    for count in (2, 10):
        for number in range(count):
            single(by, "12AX7", f"{count} {number}")
        with CaptureQueriesContext(connection) as queries:
            Client().get("/for-sale/", {"grade": "Excellent", "name": "12AX7"})
        counts.append(len(queries))
    assert counts[0] == counts[1]


# Everything can be read as words


def test_the_terms_stand_on_every_public_page_as_the_owner_wrote_them(
    by: User, logged_in: Callable[..., Client]
) -> None:
    terms = {"phone": "+44 1632 960 417", "delivery_terms": "Sent on Tuesdays.", "return_terms": "Thirty days."}
    shown = {"name": "Heron & Vane", "currency": "GBP", "takes_enquiries": "on", **terms}
    logged_in(Role.OWNER).post("/shop/", shown)
    assert Shop.own().delivery_terms == "Sent on Tuesdays."
    listing = single(by, "12AX7", "one")
    certificate = issuing.issue(make_certifiable(), by)
    for address in (
        "/for-sale/",
        listing.get_absolute_url(),
        f"{listing.get_absolute_url()}ask/",
        "/for-sale/feeds/",
        "/certificates/keys/",
        certificate.get_absolute_url(),
    ):
        words = read(address)
        assert all(term in words for term in ("Heron & Vane", *terms.values())), address


def make_certifiable() -> Valve:
    valve = make_valve(make_type())
    graded(valve, ia=1.18, gm=1.58)
    return valve


def test_a_text_browser_reads_all_of_an_item_and_of_a_certificate(by: User) -> None:
    listing = single(by, "12AX7", "A fine valve")
    words = read(listing.get_absolute_url())
    for part in (
        "A fine valve",
        "GBP 48.00",
        "As found.",
        "Ia, mA",
        "gm, mA/V",
        "Excellent",
        "Decision rule",
        "Caution",
    ):
        assert part in words.replace("\N{NO-BREAK SPACE}", " "), part
    certificate = issuing.issue(make_certifiable(), by)
    words = read(certificate.get_absolute_url())
    for part in (
        "It stands.",
        "1.58",
        "mA/V",
        "Decision rule",
        "Traceability",
        certificate.key.kid,
        certificate.signature,
    ):
        assert part in words, part


@pytest.mark.parametrize("name", ["for-sale", "item", "ask", "feeds", "keys", "certificate"])
def test_a_public_page_has_one_heading_a_title_a_description_and_one_address(name: str, by: User) -> None:
    Shop.objects.update_or_create(pk=1, defaults={"web_address": "https://heron.example/"})
    listing = single(by, "12AX7", "A fine valve")
    certificate = issuing.issue(make_certifiable(), by)
    address = {
        "for-sale": "/for-sale/",
        "item": listing.get_absolute_url(),
        "ask": f"{listing.get_absolute_url()}ask/",
        "feeds": "/for-sale/feeds/",
        "keys": "/certificates/keys/",
        "certificate": certificate.get_absolute_url(),
    }[name]
    page = Client().get(address, {"more": "said"}).content.decode()
    assert page.count("<h1>") == 1 and re.search(r"<title>\s*\S", page)
    assert len(re.findall(r'<meta name="description" content="[^"]{10,}">', page)) == 1
    assert f'<link rel="canonical" href="https://heron.example{address}">' in page


def test_what_was_asked_for_is_no_page_of_its_own_for_search_engines() -> None:
    assert "noindex" in Client().get("/for-sale/", {"name": "12AX7"}).content.decode()
    assert "noindex" not in Client().get("/for-sale/").content.decode()


# The list as a file


def test_the_csv_has_a_row_a_listing_under_the_columns_that_are_told(by: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feeds, "CHUNK", 2)
    for number in range(5):
        single(by, "12AX7", f"=listing {number}", "1248.5")
    answer = Client().get("/for-sale.csv")
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode())))
    assert [row["title"] for row in rows] == [f"\\=listing {number}" for number in range(5)]
    assert rows[0] | {"serials": ""} == {
        "number": "A00001",
        "title": "\\=listing 0",
        "type": "12AX7",
        "as_marked": "",
        "marked_maker": "",
        "base": "B9A",
        "pieces": "1",
        "sold_as": "single",
        "tested": "tested",
        "grades": "Excellent",
        "condition": "NOS boxed",
        "price": "1248.50",
        "currency": "GBP",
        "listed_on": rows[0]["listed_on"],
        "address": "http://testserver/for-sale/A00001/",
        "image": "",
        "serials": "",
    }
    told = read("/for-sale/feeds/")
    assert all(column.name in told and column.holds in told for column in feeds.COLUMNS)


def test_the_json_comes_in_pages_with_every_value_its_unit_and_its_uncertainty(
    by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stockroom.site.web.ROWS", 2)
    for number in range(3):
        single(by, "12AX7", f"listing {number}")
    first = json.loads(Client().get("/for-sale.json").content)
    assert (first["page"], first["pages"], first["next"]) == (1, 2, "http://testserver/for-sale.json?page=2")
    last = json.loads(Client().get(first["next"]).content)
    assert [one["title"] for one in first["items"] + last["items"]] == ["listing 0", "listing 1", "listing 2"]
    assert last["next"] is None
    (item,) = last["items"]
    assert item["values"][1] == {
        "serial": item["serials"],
        "section": 1,
        "quantity": "gm",
        "unit": "mA/V",
        "value": "1.6",
        "expanded_uncertainty": "",
    }


def test_what_is_set_aside_or_ended_is_in_no_feed(by: User) -> None:
    listing = single(by, "12AX7", "gone")
    single(by, "12AX7", "there")
    publishing.end(listing, by)
    assert [one["title"] for one in json.loads(Client().get("/for-sale.json").content)["items"]] == ["there"]
    assert b"gone" not in b"".join(Client().get("/for-sale.csv").streaming_content)


def test_the_questions_of_a_feed_do_not_grow_with_it(by: User) -> None:
    Shop.own()
    counts = []
    for count in (2, 10):
        for number in range(count):
            single(by, "12AX7", f"{count} {number}")
        with CaptureQueriesContext(connection) as queries:
            Client().get("/for-sale.json")
            list(Client().get("/for-sale.csv").streaming_content)
        counts.append(len(queries))
    assert counts[0] == counts[1]
