"""What search engines are told of an item, read and checked by programs that know nothing of ours.

- The JSON-LD of the page is taken out of the HTML by Python's own parser and read by RDFLib, by the W3C Recommendation
  “JSON-LD 1.1” (16 July 2020), and checked by pySHACL, by the W3C Recommendation “Shapes Constraint Language (SHACL)”
  (20 July 2017).
- The shapes are “Schema.org SHACL shapes” (http://datashapes.org/schema, version 2021-04-21), made of the official
  vocabulary and shipped with pySHACL: which class has which property, and what its values are.
- The site map is checked beside the names that https://www.sitemaps.org/protocol.html gives (from memory).
"""

from __future__ import annotations

import json
import pickle
from decimal import Decimal
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pyshacl
import pytest
from django.test import Client
from rdflib import RDF, RDFS, Graph, Literal, Namespace, URIRef

from grading.listings import publishing
from grading.sets import making
from stockroom.models import Listing, Maker, Shop, Valve
from stockroom.site.people import Role
from tests.factories import graded_all, make_type, make_user, make_valves

pytestmark = [pytest.mark.django_db, pytest.mark.filterwarnings("ignore:ConjunctiveGraph:DeprecationWarning")]
SCHEMA, SH = Namespace("http://schema.org/"), Namespace("http://www.w3.org/ns/shacl#")
ODD = 'A “pair” </script><script>alert("1")</script> & <b>more</b>'


class Scripts(HTMLParser):
    """The data in a page's script elements, and how many elements there are that would run."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.data: list[str] = []
        self.running = 0
        self.inside = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "script":
            self.inside = dict(attrs).get("type") == "application/ld+json"
            self.running += not self.inside

    def handle_data(self, data: str) -> None:
        if self.inside:
            self.data.append(data)

    def handle_endtag(self, tag: str) -> None:
        self.inside = False


@cache
def shapes() -> Graph:
    """The shapes that pySHACL ships, of the classes that we use and those above them, and what a choice may be."""
    store, name = pickle.loads((Path(pyshacl.__file__).parent / "assets" / "schema.pickle").read_bytes())
    everything = Graph(store=store, identifier=name)
    wanted = {SCHEMA[name] for name in ("Product", "Offer", "PropertyValue", "Brand", "Organization")}
    for one in list(wanted):
        wanted |= set(everything.transitive_objects(one, RDFS.subClassOf))
    found = Graph()
    for choice in (SCHEMA.ItemAvailability, SCHEMA.OfferItemCondition):
        for triple in everything.triples((None, RDF.type, choice)):
            found.add(triple)
    for one in wanted:
        for triple in everything.triples((one, None, None)):
            found.add(triple)
        for shape in everything.objects(one, SH.property):
            found += everything.cbd(shape)
    return found


def told(page: str) -> Graph:
    """The page's data as triples; the context is the vocabulary's own namespace, so that nothing is fetched."""
    (data,) = Scripts(page).data
    said = json.loads(data)
    assert said.pop("@context") == "https://schema.org"
    links = {name: {"@type": "@id"} for name in ("url", "image", "availability", "itemCondition")}
    context = {"@vocab": "http://schema.org/", **links}
    text = json.dumps({"@context": context, **said}).replace("https://schema.org/", "http://schema.org/")
    return Graph().parse(data=text, format="json-ld")


def unknown_properties(graph: Graph) -> list[tuple[str, str]]:
    """Properties that the vocabulary gives to no class of the thing which has them."""
    found = []
    for thing, class_ in graph.subject_objects(RDF.type):
        above = set(shapes().transitive_objects(class_, RDFS.subClassOf)) | {class_}
        known = {
            path
            for one in above
            for shape in shapes().objects(one, SH.property)
            for path in shapes().objects(shape, SH.path)
        }
        assert known, f"{class_} is no class of the vocabulary"
        found += [(str(class_), str(one)) for one in graph.predicates(thing) if one not in {*known, RDF.type}]
    return found


def checked(graph: Graph) -> tuple[bool, str]:
    """What may be chosen, such as InStock, is of the vocabulary and beside the data: a choice is nothing else."""
    choices = Graph()
    for kind in (SCHEMA.ItemAvailability, SCHEMA.OfferItemCondition):
        for one in shapes().subjects(RDF.type, kind):
            choices.add((one, RDF.type, kind))
    conforms, _, text = pyshacl.validate(graph + choices, shacl_graph=shapes(), ont_graph=shapes(), inference="none")
    return conforms, text


@pytest.fixture
def listing() -> Listing:
    shop = {
        "name": "Heron & Vane",
        "email": "a@heron.example",
        "phone": "+44 1632 960 000",
        "address": "1 Quay\nTolwick",
    }
    Shop.objects.update_or_create(pk=1, defaults={**shop, "web_address": "https://heron.example"})
    maker = Maker.objects.create(name="Halvory")
    graded_all(
        [(valve, 1.2, gm) for valve, gm in zip(make_valves(make_type(), 2, maker=maker), (1.6, 1.62), strict=True)]
    )
    by = make_user("sal", Role.SALES)
    making.make_set(list(Valve.objects.order_by("serial")), 5, by)
    return publishing.publish(list(Valve.objects.all()), ODD, ODD, Decimal("1248.5"), "GBP", by)


def test_an_item_is_a_valid_product_with_its_offer_and_all_its_readings(listing: Listing) -> None:
    graph = told(Client().get(listing.get_absolute_url()).content.decode())
    conforms, why = checked(graph)
    assert conforms, why
    assert unknown_properties(graph) == []
    (offer,) = graph.subjects(RDF.type, SCHEMA.Offer)
    assert str(graph.value(offer, SCHEMA.price)) == "1248.50" and str(graph.value(offer, SCHEMA.priceCurrency)) == "GBP"
    assert graph.value(offer, SCHEMA.availability) == SCHEMA.InStock
    assert graph.value(offer, SCHEMA.itemCondition) == SCHEMA.NewCondition
    product = URIRef(f"https://heron.example{listing.get_absolute_url()}#product")
    assert str(graph.value(product, SCHEMA.sku)) == listing.number
    readings = {
        str(graph.value(one, SCHEMA.name)): f"{graph.value(one, SCHEMA.value)} {graph.value(one, SCHEMA.unitText)}"
        for one in graph.objects(product, SCHEMA.additionalProperty)
        if graph.value(one, SCHEMA.unitText)
    }
    last = Valve.objects.order_by("serial").last()
    assert readings[f"gm, section 2 of {last}"] == "1.62 mA/V" and len(readings) == 8


def test_the_checker_finds_what_is_wrong(listing: Listing) -> None:
    """Else that it finds nothing would say nothing."""
    page = Client().get(listing.get_absolute_url()).content.decode()
    graph = told(page)
    (offer,) = graph.subjects(RDF.type, SCHEMA.Offer)
    graph.set((offer, SCHEMA.seller, Literal("Heron & Vane")))
    graph.set((offer, SCHEMA.availability, SCHEMA.OnTheShelf))
    conforms, why = checked(graph)
    assert not conforms and "Offer-seller" in why and "Offer-availability" in why
    graph.add((offer, SCHEMA.voltage, Literal(250)))
    assert unknown_properties(graph) == [("http://schema.org/Offer", "http://schema.org/voltage")]


def test_what_somebody_typed_cannot_leave_the_script(listing: Listing) -> None:
    page = Client().get(listing.get_absolute_url()).content.decode()
    scripts = Scripts(page)
    said: dict[str, Any] = json.loads(scripts.data[0])
    assert said["name"] == ODD and said["description"] == ODD
    assert scripts.running == Scripts(Client().get("/for-sale/feeds/").content.decode()).running


def test_what_is_gone_is_out_of_stock(listing: Listing) -> None:
    publishing.end(listing, None)
    graph = told(Client().get(listing.get_absolute_url()).content.decode())
    (offer,) = graph.subjects(RDF.type, SCHEMA.Offer)
    assert graph.value(offer, SCHEMA.availability) == SCHEMA.OutOfStock


def test_the_site_map_leads_to_every_listing_by_files_of_bounded_length(
    listing: Listing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("grading.listings.site_map.ListingMap.limit", 2)
    more = [Listing(number=f"A9000{n}", title="One", price=5, currency="GBP") for n in range(4)]
    Listing.objects.bulk_create(more)
    client, space = Client(), "{http://www.sitemaps.org/schemas/sitemap/0.9}"
    assert "Sitemap: https://heron.example/sitemap.xml" in client.get("/robots.txt").content.decode()
    index = ElementTree.fromstring(client.get("/sitemap.xml").content)
    files = [one.text or "" for one in index.iter(f"{space}loc")]
    assert index.tag == f"{space}sitemapindex" and len(files) == 4
    pages = []
    for file in files:
        urls = ElementTree.fromstring(client.get(file.removeprefix("http://testserver")).content)
        found = [one.text or "" for one in urls.iter(f"{space}loc")]
        assert urls.tag == f"{space}urlset" and len(found) <= 3
        pages += found
    assert {f"http://testserver{one.get_absolute_url()}" for one in [listing, *more]} <= set(pages)
