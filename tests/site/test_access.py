"""Who may open what: every address of the site stands in the table below, or the first test fails.

ANYONE needs no login. LOOK is for everybody with a role. A set of roles is for those roles and the owner,
whether the page is read or sent.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from catalog.models import KeptPosition
from grading.issued.pure import signing
from grading.models import (
    HouseNominal,
    IssuedCertificate,
    MatchedSet,
    Policy,
    PriceDraft,
    PriceRule,
    Quantity,
    Reading,
    ReferenceValve,
    SigningKey,
    Stop,
    Study,
    TesterCondition,
)
from grading.sets import runs
from grading.sets.runs import Ask
from stockroom.models import (
    Counter,
    Customer,
    Despatch,
    Enquiry,
    Listing,
    Maker,
    Order,
    Place,
    ReturnCase,
    ShopTypeCode,
    Supplier,
    Valve,
)
from stockroom.site.people import Role
from tests.factories import graded, make_line, make_policy, make_tester, make_type, make_valves

ANYONE, LOOK = "anyone", "look"
RECEIVING, BENCH, SALES, OWNER = {Role.RECEIVING}, {Role.BENCH}, {Role.SALES}, {Role.OWNER}


class World:
    """One of everything, with the arguments that addresses take."""

    def __init__(self) -> None:
        make_policy()
        type_ = make_type()
        line = make_line(type_, 8)
        self.valve: Valve = make_valves(type_, 3, line=line)[0]
        graded(self.valve)
        self.reading = Reading.objects.filter(valve=self.valve).first()
        self.tester = make_tester()
        self._instruments()
        asks: dict[str, Any] = {"effect": "price", "amount": 5, "reason": "first"}
        self.price_rule = PriceRule.objects.create(number=1, currency="GBP", **asks)
        self.price_draft = PriceDraft.objects.create(**asks)
        self.supplier: Supplier = line.lot.supplier
        self.maker = Maker.objects.create(name="Marrowby")
        self.type_code = ShopTypeCode.objects.create(code="Q7", type=make_type(), source="from memory", reason="carton")
        self.place = Place.objects.create(code="Z9")
        self.customer = Customer.objects.create(name="Ada Quill")
        self.order = Order.objects.create(number="R0001", customer=self.customer)
        self.order_line = self.order.lines.create(type=type_)
        self.despatch = Despatch.objects.create(number="D0001", order=self.order)
        self.back = ReturnCase.objects.create(number="B0001", order=self.order, words="hums")
        self.set = MatchedSet.objects.create(
            number="S00001", type=type_, size=2, tolerance_percent=5, policy=Policy.current()
        )
        ask = Ask(size=2, tiers=(("within 5 %", 5, 10),), best_grades=2)
        self.run = runs.start(type_, ask, None)
        self.listing = Listing.objects.create(number="A00001", title="One", price=5, currency="GBP")
        self.enquiry = Enquiry.objects.create(
            listing=self.listing,
            name="Orla",
            email="o@penhale.example",
            answered_at=timezone.now(),
            declined_because="?",
        )
        for series in ("order", "despatch", "return", "set", "listing", "certificate"):
            Counter.take(series)  # the numbers given above are taken
        key = SigningKey.objects.create(kid="k", x=signing.jwk(bytes(32))["x"])
        self.certificate = IssuedCertificate.objects.create(number="M00001", valve=self.valve, payload="{}", key=key)
        self.person = User.objects.create_user("somebody")
        self.lot, self.line = line.lot, line
        details = {"supply_v": 300, "load_kohm": 100, "cathode_resistor_ohm": 1500}
        self.kept_position = KeptPosition.objects.create(
            name="Ours", made_for=type_, role="common cathode", details=details
        )

    def _instruments(self) -> None:
        """What hangs on a tester."""
        assert self.reading is not None
        about: dict[str, Any] = {"tester": self.tester, "test_point": self.reading.test_point}
        of: dict[str, Any] = {**about, "quantity": Quantity.GM}
        self.condition = TesterCondition.objects.create(**about, anode_voltage_v=200, judged_by="house nominal")
        self.house_nominal = HouseNominal.objects.create(**of, median=1.6, spread=0.1, count=10)
        self.study = Study.objects.create(**of, repeats=2, seed=1)
        self.study_reading = self.study.readings.create(
            valve=self.valve, operator=self.reading.shift.operator, repeat=1, value=1.6
        )
        self.reference = ReferenceValve.objects.create(
            name="R1", test_point=self.reading.test_point, quantity=Quantity.GM
        )
        self.check = self.reference.checks.create(shift=self.reading.shift, value=1.6)
        self.stop = Stop.objects.create(
            tester=self.tester, why="It drifts.", check_made=self.check, suspect_since=self.check.taken_at
        )


WHO: dict[str, tuple[Any, Callable[[World], list[Any]]]] = {
    "home": (LOOK, lambda w: []),
    "find": (LOOK, lambda w: []),
    "office": (LOOK, lambda w: []),
    "daybook": (LOOK, lambda w: []),
    "people": (OWNER, lambda w: []),
    "person-new": (OWNER, lambda w: []),
    "person": (OWNER, lambda w: [w.person.pk]),
    "shop": (OWNER, lambda w: []),
    "export": (OWNER, lambda w: []),
    "export-file": (OWNER, lambda w: [1]),
    "offers": (OWNER, lambda w: []),
    "offer-new": (OWNER, lambda w: []),
    "offer": (OWNER, lambda w: ["F0001"]),
    "offer-edit": (OWNER, lambda w: ["F0001"]),
    "offer-forecast": (OWNER, lambda w: ["F0001"]),
    "offer-decline": (OWNER, lambda w: ["F0001"]),
    "offer-buy": (OWNER, lambda w: ["F0001"]),
    "offer-line-new": (OWNER, lambda w: ["F0001"]),
    "offer-line-edit": (OWNER, lambda w: ["F0001", 1]),
    "offer-line-drop": (OWNER, lambda w: ["F0001", 1]),
    "offer-import": (OWNER, lambda w: ["F0001"]),
    "offer-import-columns": (OWNER, lambda w: ["F0001", 1]),
    "offer-import-preview": (OWNER, lambda w: ["F0001", 1]),
    "offer-import-take-in": (OWNER, lambda w: ["F0001", 1]),
    "ledger": (OWNER, lambda w: []),
    "ledger-open": (OWNER, lambda w: []),
    "ledger-profit": (OWNER, lambda w: []),
    "ledger-entries": (OWNER, lambda w: []),
    "ledger-rate": (OWNER, lambda w: [w.order.number]),
    "ledger-csv": (OWNER, lambda w: []),
    "desk": (OWNER, lambda w: []),
    "desk-work-out": (OWNER, lambda w: []),
    "desk-stock": (OWNER, lambda w: []),
    "desk-buying": (OWNER, lambda w: []),
    "desk-slow": (OWNER, lambda w: []),
    "desk-not-had": (OWNER, lambda w: []),
    "worth": (OWNER, lambda w: []),
    "worth-work-out": (OWNER, lambda w: []),
    "jobs": (LOOK, lambda w: []),
    "job": (LOOK, lambda w: [w.run.job.pk]),
    "job-stop": (BENCH | SALES, lambda w: [w.run.job.pk]),
    "job-retry": (BENCH | SALES, lambda w: [w.run.job.pk]),
    "health": (ANYONE, lambda w: []),
    "login": (ANYONE, lambda w: []),
    "logout": (LOOK, lambda w: []),
    "password": (LOOK, lambda w: []),
    "lots": (LOOK, lambda w: []),
    "lot-new": (RECEIVING, lambda w: []),
    "lot": (LOOK, lambda w: [w.lot.number]),
    "lot-edit": (RECEIVING, lambda w: [w.lot.number]),
    "lot-remove": (RECEIVING, lambda w: [w.lot.number]),
    "lot-count": (RECEIVING, lambda w: [w.lot.number]),
    "lot-import": (RECEIVING, lambda w: [w.lot.number]),
    "lot-import-columns": (RECEIVING, lambda w: [w.lot.number, 1]),
    "lot-import-preview": (RECEIVING, lambda w: [w.lot.number, 1]),
    "lot-import-take-in": (RECEIVING, lambda w: [w.lot.number, 1]),
    "line-new": (RECEIVING, lambda w: [w.lot.number]),
    "line-edit": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "line-remove": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "line-name": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "line-serials": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "discrepancies": (LOOK, lambda w: [w.lot.number]),
    "fault-new": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "fault-withdraw": (RECEIVING, lambda w: [1]),
    "fault-book-in": (RECEIVING, lambda w: [w.lot.number, 1]),
    "fault-write-off": (RECEIVING, lambda w: [w.lot.number, 1]),
    "claim-new": (RECEIVING, lambda w: [w.lot.number]),
    "claims": (LOOK, lambda w: []),
    "claim": (LOOK, lambda w: ["C0001"]),
    "claim-step": (RECEIVING, lambda w: ["C0001"]),
    "claim-credit": (RECEIVING, lambda w: ["C0001"]),
    "credit-strike-out": (RECEIVING, lambda w: [1]),
    "claim-pdf": (LOOK, lambda w: ["C0001"]),
    "sealed-lines": (LOOK, lambda w: []),
    "sealed": (LOOK, lambda w: [w.lot.number, w.line.number]),
    "sealed-packs": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "sealed-pack-labels": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "sealed-date": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "sealed-plan": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "sealed-open": (RECEIVING | BENCH, lambda w: [w.lot.number, w.line.number]),
    "sealed-decide": (RECEIVING, lambda w: [w.lot.number, w.line.number]),
    "sealed-listing-new": (SALES, lambda w: [w.lot.number, w.line.number]),
    "sealed-draw-list": (LOOK, lambda w: [w.lot.number, w.line.number]),
    "sealed-statement": (LOOK, lambda w: [w.lot.number, w.line.number]),
    "supplier-sampling": (LOOK, lambda w: [w.supplier.pk]),
    "supplier-sampling-say": (OWNER, lambda w: [w.supplier.pk]),
    "supplier-records": (LOOK, lambda w: []),
    "supplier-record": (LOOK, lambda w: [w.supplier.pk]),
    "suppliers": (LOOK, lambda w: []),
    "supplier-new": (RECEIVING, lambda w: []),
    "supplier": (LOOK, lambda w: [w.supplier.pk]),
    "supplier-edit": (RECEIVING, lambda w: [w.supplier.pk]),
    "makers": (LOOK, lambda w: []),
    "maker-new": (RECEIVING, lambda w: []),
    "maker": (LOOK, lambda w: [w.maker.pk]),
    "maker-edit": (RECEIVING, lambda w: [w.maker.pk]),
    "maker-learn": (RECEIVING | BENCH, lambda w: [w.maker.pk]),
    "maker-forget": (RECEIVING | BENCH, lambda w: [w.maker.pk, 1]),
    "type-codes": (LOOK, lambda w: []),
    "type-code-new": (RECEIVING | BENCH, lambda w: []),
    "type-code-edit": (RECEIVING | BENCH, lambda w: [w.type_code.pk]),
    "type-code-forget": (RECEIVING | BENCH, lambda w: [0]),
    "places": (LOOK, lambda w: []),
    "place-new": (RECEIVING, lambda w: []),
    "place": (LOOK, lambda w: [w.place.pk]),
    "place-edit": (RECEIVING, lambda w: [w.place.pk]),
    "move": (RECEIVING | BENCH | SALES, lambda w: []),
    "photographs": (LOOK, lambda w: []),
    "photographs-add": (RECEIVING | BENCH | SALES, lambda w: []),
    "photographs-public": (SALES, lambda w: []),
    "photograph": (LOOK, lambda w: [1]),
    "photograph-remove": (RECEIVING | BENCH | SALES, lambda w: [1]),
    "photograph-original": (LOOK, lambda w: [1]),
    "photograph-copy": (LOOK, lambda w: [1, "small"]),
    "public-photograph": (ANYONE, lambda w: [1, "small"]),
    "customers": (LOOK, lambda w: []),
    "customer-new": (SALES, lambda w: []),
    "customer": (LOOK, lambda w: [w.customer.pk]),
    "customer-edit": (SALES, lambda w: [w.customer.pk]),
    "types": (LOOK, lambda w: []),
    "type": (LOOK, lambda w: [w.valve.type.designation]),
    "type-new": (RECEIVING | BENCH | SALES, lambda w: []),
    "types-load": (OWNER, lambda w: []),
    "types-export": (LOOK, lambda w: []),
    "type-change": (OWNER, lambda w: [w.valve.type.designation]),
    "type-settings": (BENCH, lambda w: [w.valve.type.designation]),
    "type-versions": (LOOK, lambda w: [w.valve.type.designation]),
    "type-follow": (OWNER, lambda w: [w.valve.type.designation]),
    "type-call": (OWNER, lambda w: [w.valve.type.designation]),
    "type-export": (LOOK, lambda w: [w.valve.type.designation]),
    "type-regrade": (OWNER, lambda w: [w.valve.type.designation]),
    "valves": (LOOK, lambda w: []),
    "positions": (LOOK, lambda w: []),
    "does-it-go": (LOOK, lambda w: []),
    "position-new": (LOOK, lambda w: []),
    "position": (LOOK, lambda w: [w.kept_position.pk]),
    "position-edit": (LOOK, lambda w: [w.kept_position.pk]),
    "position-forget": (LOOK, lambda w: [w.kept_position.pk]),
    "socket": (LOOK, lambda w: [w.valve.type.designation]),
    "valve": (LOOK, lambda w: [w.valve.serial]),
    "valve-identify": (RECEIVING | BENCH, lambda w: [w.valve.serial]),
    "valve-clean": (RECEIVING | BENCH, lambda w: [w.valve.serial]),
    "identify": (RECEIVING | BENCH, lambda w: []),
    "line-marks": (LOOK, lambda w: [w.lot.number, w.line.number]),
    "line-identify": (RECEIVING | BENCH, lambda w: [w.lot.number, w.line.number]),
    "warnings": (LOOK, lambda w: []),
    "warning-dismiss": (RECEIVING | BENCH, lambda w: [1]),
    "valve-write-off": (RECEIVING | BENCH, lambda w: [w.valve.serial]),
    "bench": (BENCH, lambda w: []),
    "bench-start": (BENCH, lambda w: []),
    "bench-end": (BENCH, lambda w: []),
    "bench-choices": (BENCH, lambda w: []),
    "bench-take-up": (BENCH, lambda w: [w.line.pk]),
    "reading-correct": (BENCH, lambda w: [w.reading.pk]),
    "readings-import": (BENCH, lambda w: []),
    "readings-import-columns": (BENCH, lambda w: [1]),
    "readings-import-preview": (BENCH, lambda w: [1]),
    "readings-take-in": (BENCH, lambda w: [1]),
    "policies": (LOOK, lambda w: []),
    "policy-new": (OWNER, lambda w: []),
    "policy": (ANYONE, lambda w: [1]),
    "policy-effect": (OWNER, lambda w: [1]),
    "sets": (LOOK, lambda w: []),
    "sets-make": (BENCH | SALES, lambda w: []),
    "set-by-hand": (BENCH | SALES, lambda w: []),
    "set": (LOOK, lambda w: [w.set.number]),
    "demands": (LOOK, lambda w: []),
    "demand": (LOOK, lambda w: [w.valve.type.designation]),
    "demand-edit": (SALES, lambda w: [w.valve.type.designation]),
    "demand-accept": (SALES | BENCH, lambda w: [w.valve.type.designation]),
    "demand-plan": (SALES | BENCH, lambda w: [w.valve.type.designation]),
    "runs": (LOOK, lambda w: []),
    "run-new": (BENCH | SALES, lambda w: []),
    "run": (LOOK, lambda w: [w.run.pk]),
    "run-again": (BENCH | SALES, lambda w: [w.run.pk]),
    "run-accept": (BENCH | SALES, lambda w: [w.run.pk]),
    "run-swap": (BENCH | SALES, lambda w: [w.run.pk, 0]),
    "set-break": (BENCH | SALES, lambda w: [w.set.number]),
    "order-money": (LOOK, lambda w: [w.order.number]),
    "order-terms": (SALES, lambda w: [w.order.number]),
    "invoice-new": (SALES, lambda w: [w.order.number]),
    "payment-new": (SALES, lambda w: [w.order.number]),
    "credit-note-new": (SALES, lambda w: ["N0001"]),
    "invoice-pdf": (LOOK, lambda w: ["N0001"]),
    "packing-slip-pdf": (LOOK, lambda w: [w.order.number]),
    "money-rules": (OWNER, lambda w: []),
    "money-rule-new": (OWNER, lambda w: ["tax"]),
    "money-rule": (OWNER, lambda w: ["tax", 1]),
    "orders": (LOOK, lambda w: []),
    "order-new": (SALES, lambda w: []),
    "order": (LOOK, lambda w: [w.order.number]),
    "order-accept": (SALES, lambda w: [w.order.number, w.order_line.pk]),
    "order-line-drop": (SALES, lambda w: [w.order.number, w.order_line.pk]),
    "order-line-change": (SALES, lambda w: [w.order.number, w.order_line.pk]),
    "despatch-correct": (SALES, lambda w: [w.despatch.number]),
    "despatch-undo": (SALES, lambda w: [w.despatch.number]),
    "parcel-slip-pdf": (LOOK, lambda w: [w.despatch.number]),
    "order-candidates": (LOOK, lambda w: [w.order.number, w.order_line.pk]),
    "order-propose": (SALES, lambda w: [w.order.number, w.order_line.pk]),
    "order-fill": (SALES, lambda w: [w.order.number]),
    "order-hold": (SALES, lambda w: [w.order.number]),
    "order-pack": (SALES, lambda w: [w.order.number]),
    "order-pack-again": (SALES, lambda w: [w.order.number]),
    "order-leave-out": (SALES, lambda w: [w.order.number, w.order_line.pk]),
    "order-release": (SALES, lambda w: [w.order.number, w.order_line.pk, 1]),
    "order-listing": (SALES, lambda w: [w.order.number]),
    "order-pull": (SALES, lambda w: [w.order.number]),
    "order-despatch": (SALES, lambda w: [w.order.number]),
    "order-cancel": (SALES, lambda w: [w.order.number]),
    "order-take-back": (SALES | RECEIVING, lambda w: [w.order.number]),
    "returns": (LOOK, lambda w: []),
    "return-new": (SALES | RECEIVING, lambda w: [w.order.number]),
    "return": (LOOK, lambda w: [w.back.number]),
    "return-decide": (SALES, lambda w: [w.back.number]),
    "return-apart": (SALES, lambda w: [w.back.number]),
    "warranty": (LOOK, lambda w: []),
    "warranty-rule-new": (OWNER, lambda w: []),
    "listings": (LOOK, lambda w: []),
    "listing-new": (SALES, lambda w: []),
    "listing-end": (SALES, lambda w: [w.listing.number]),
    "listing-price": (SALES, lambda w: [w.listing.number]),
    "list-many": (SALES, lambda w: ["singles"]),
    "price-book": (LOOK, lambda w: []),
    "price-history": (LOOK, lambda w: []),
    "price-why": (LOOK, lambda w: []),
    "price-sales": (LOOK, lambda w: []),
    "price-rule": (LOOK, lambda w: [w.price_rule.number]),
    "price-rule-new": (OWNER, lambda w: ["price"]),
    "price-rule-change": (OWNER, lambda w: [w.price_rule.number]),
    "price-rule-end": (OWNER, lambda w: [w.price_rule.number]),
    "price-draft": (OWNER, lambda w: [w.price_draft.pk]),
    "price-draft-take": (OWNER, lambda w: [w.price_draft.pk]),
    "price-draft-again": (OWNER, lambda w: [w.price_draft.pk]),
    "for-sale": (ANYONE, lambda w: []),
    "item": (ANYONE, lambda w: [w.listing.number]),
    "feeds": (ANYONE, lambda w: []),
    "feed-csv": (ANYONE, lambda w: []),
    "feed-json": (ANYONE, lambda w: []),
    "robots": (ANYONE, lambda w: []),
    "site-map": (ANYONE, lambda w: []),
    "site-map-section": (ANYONE, lambda w: ["listings"]),
    "enquire": (ANYONE, lambda w: [w.listing.number]),
    "enquiries": (LOOK, lambda w: []),
    "enquiry": (LOOK, lambda w: [w.enquiry.pk]),
    "enquiry-take": (SALES, lambda w: [w.enquiry.pk]),
    "enquiry-decline": (SALES, lambda w: [w.enquiry.pk]),
    "issued-certificates": (LOOK, lambda w: []),
    "certificate-issue": (BENCH | SALES, lambda w: [w.set.number]),
    "valve-certificate-issue": (BENCH | SALES, lambda w: [w.valve.serial]),
    "certificate-withdraw": (SALES, lambda w: [w.certificate.number]),
    "issued-certificate": (ANYONE, lambda w: [w.certificate.token]),
    "certificate-copy": (ANYONE, lambda w: [w.certificate.token]),
    "issued-paper": (ANYONE, lambda w: [w.certificate.token]),
    "certificate-keys": (ANYONE, lambda w: []),
    "certificate-keys-jwks": (ANYONE, lambda w: []),
    "certificate-key-pem": (ANYONE, lambda w: [w.certificate.key.kid]),
    "signing-keys": (OWNER, lambda w: []),
    "signing-key-new": (OWNER, lambda w: []),
    "signing-key-compromised": (OWNER, lambda w: [w.certificate.key.kid]),
    "testers": (LOOK, lambda w: []),
    "tester-new": (OWNER, lambda w: []),
    "tester": (LOOK, lambda w: [w.tester.pk]),
    "tester-edit": (OWNER, lambda w: [w.tester.pk]),
    "tester-measures": (OWNER, lambda w: [w.tester.pk]),
    "calibration-new": (OWNER, lambda w: [w.tester.pk]),
    "condition-new": (OWNER, lambda w: [w.tester.pk]),
    "condition-end": (OWNER, lambda w: [w.condition.pk]),
    "house-learn": (OWNER, lambda w: [w.tester.pk]),
    "house-grade": (OWNER, lambda w: [w.tester.pk]),
    "house-nominal": (LOOK, lambda w: [w.house_nominal.pk]),
    "studies": (LOOK, lambda w: []),
    "study-new": (BENCH, lambda w: [w.tester.pk]),
    "study": (LOOK, lambda w: [w.study.pk]),
    "study-read": (BENCH, lambda w: [w.study.pk]),
    "study-finish": (BENCH, lambda w: [w.study.pk]),
    "study-set-aside": (OWNER, lambda w: [w.study.pk]),
    "tester-bears-on": (LOOK, lambda w: [w.tester.pk]),
    "study-give-up": (BENCH, lambda w: [w.study.pk]),
    "study-reading-correct": (BENCH, lambda w: [w.study_reading.pk]),
    "checks": (BENCH, lambda w: []),
    "check-correct": (BENCH, lambda w: [w.check.pk]),
    "reference-valves": (LOOK, lambda w: []),
    "reference-new": (OWNER, lambda w: []),
    "reference-use": (OWNER, lambda w: [w.reference.pk]),
    "reference-chart": (LOOK, lambda w: [w.reference.pk, w.tester.pk]),
    "reference-baseline": (OWNER, lambda w: [w.reference.pk, w.tester.pk]),
    "stop": (LOOK, lambda w: [w.stop.pk]),
    "stop-clear": (OWNER, lambda w: [w.stop.pk]),
    "labels": (LOOK, lambda w: []),
    "certificate": (LOOK, lambda w: [w.set.number]),
    "valve-certificate": (LOOK, lambda w: [w.valve.serial]),
    "pick-list-pdf": (LOOK, lambda w: [w.order.number]),
}


def names(patterns: Any = None) -> set[str]:
    found: set[str] = set()
    for pattern in patterns or get_resolver().url_patterns:
        if isinstance(pattern, URLResolver):
            found |= names(pattern.url_patterns)
        elif isinstance(pattern, URLPattern):
            found.add(pattern.name or str(pattern.pattern))
    return found


def test_every_address_of_the_site_stands_in_the_table() -> None:
    assert names() == set(WHO)


@pytest.fixture
def world(db: None) -> World:
    return World()


def refused(client: Client, url: str) -> bool:
    """Both to read and to send. A page that takes only one of them answers the other with 405, which is no refusal."""
    answers = {answer.status_code == 403 for answer in (client.get(url), client.post(url)) if answer.status_code != 405}
    assert len(answers) == 1, f"{url} treats reading and sending differently"
    return answers.pop()


def test_without_a_login_only_public_pages_open(world: World) -> None:
    wrong = []
    for name, (who, arguments) in WHO.items():
        answer = Client().get(reverse(name, args=arguments(world)))
        sent_to_login = answer.status_code == 302 and answer["Location"].startswith(reverse("login"))
        if sent_to_login != (who != ANYONE):
            wrong.append(name)
    assert not wrong


@pytest.mark.parametrize("role", [None, *Role], ids=str)
def test_each_role_opens_its_own_pages_and_no_others(
    world: World, logged_in: Callable[..., Client], role: Role | None
) -> None:
    client = logged_in(*([role] if role else []))
    for name, (who, arguments) in WHO.items():
        if name == "logout":
            continue
        if role is None and who != ANYONE:
            opens = name == "password"
            assert (client.get(reverse(name, args=arguments(world))).status_code == 403) != opens, name
            continue
        allowed = who in (ANYONE, LOOK) or role == Role.OWNER or role in who
        url = reverse(name, args=arguments(world))
        if who == LOOK:
            assert client.get(url).status_code != 403, f"{name} is closed to {role}"
        else:
            assert refused(client, url) == (not allowed), f"{name} for {role}"
