"""The main job in a real browser, by keyboard alone: a lot comes in, a certified matched quad goes out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from django.contrib.auth.models import User
from django.core.management import call_command

from grading.models import MatchedSet, Tester
from stockroom.models import Lot, Order, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.keyboard import Keyboard, at_the_keyboard

# Anode current and gm of each section, as the meters of an invented tester might show them.
READINGS = [
    ("1.20", "1.60", "1.18", "1.58"),
    ("1.21", "1.61", "1.19", "1.59"),
    ("1.22", "1.62", "1.20", "1.60"),
    ("1.19", "1.59", "1.18", "1.57"),
    ("1.05", "1.45", "1.04", "1.46"),
    ("0.80", "1.10", "1.15", "1.55"),  # a weak section
]


@pytest.fixture
def keyboard(served: Any, browser: Any, person: Callable[..., User]) -> Iterator[Keyboard]:
    call_command("load_types", verbosity=0)
    call_command("load_policy", verbosity=0)
    person(Role.OWNER, name="owner")
    Tester.objects.create(name="Bench one")
    with at_the_keyboard(browser, served.url) as somebody:
        yield somebody


def pdf_behind(keyboard: Keyboard) -> pypdfium2.PdfDocument:
    """The document behind the link under the cursor."""
    answer = keyboard.page.request.get(keyboard.link())
    assert answer.ok and answer.headers["content-type"] == "application/pdf"
    return pypdfium2.PdfDocument(answer.body())


def symbols(document: pypdfium2.PdfDocument) -> list[str]:
    """What a scanner reads on the first page at 300 dots an inch."""
    picture = document[0].render(scale=300 / 72).to_pil()
    return [symbol.text for symbol in zxingcpp.read_barcodes(picture)]


def test_a_lot_comes_in_and_a_certified_matched_quad_goes_out(keyboard: Keyboard) -> None:
    # Log in: the cursor is where the name goes.
    keyboard.type("owner").press("Tab").type("a-long-test-password").go()

    # Receive: the supplier is new, the goods are paid in euro, the freight at home.
    keyboard.tab_to("Lots").go().tab_to("Book in a lot").go()
    keyboard.type("Brackenfield Surplus")
    keyboard.tab_to("Amount").type("100.00").press("Tab")
    keyboard.press("Control+a").type("EUR").press("Tab").press("Control+a").type("0.85")
    keyboard.tab_to("Amount").type("7.01").tab_to("Save").go()
    lot = Lot.objects.get()
    assert lot.supplier.name == "Brackenfield Surplus" and lot.supplier.lots.count() == 1

    keyboard.tab_to("Type").type("ECC83")  # an alias: the lot holds 12AX7
    keyboard.tab_to("Marked maker").type("Marrowby")
    keyboard.tab_to("Condition").choose("NOS boxed")
    keyboard.tab_to("Expected").type("7").tab_to("Counted").type("6")
    keyboard.tab_to("Add the line").go()
    assert "short 1" in keyboard.words and "GBP 92.01" in keyboard.words.replace("\u00a0", " ")
    keyboard.tab_to("No more lines").go()

    keyboard.tab_to("Serials").go().tab_to("Give serials").go()
    valves = list(Valve.objects.order_by("serial"))
    assert len(valves) == 6 and {str(valve.type) for valve in valves} == {"12AX7"}

    # Labels: every symbol on the sheet says a serial.
    keyboard.scan_or_find(lot.number).tab_to("Labels").go()
    keyboard.page.keyboard.press("Escape")
    sheet = labels_of(keyboard)
    assert {valve.serial for valve in valves} <= set(symbols(sheet))

    # Bench: start the shift, scan, type, Enter.
    keyboard.tab_to("Bench").go().tab_to("Start the shift").go()
    for valve, readings in zip(valves, READINGS, strict=True):
        keyboard.type(valve.serial).go()
        assert "lethal voltages" in keyboard.words and keyboard.at().startswith("Anode current")
        keyboard.type(readings[0]).enter().type(readings[1]).enter().enter()
        keyboard.type(readings[2]).enter().type(readings[3]).enter().go()
        assert keyboard.at().startswith("Scan or type a serial")
    assert "Usable" in keyboard.words or "Good" in keyboard.words
    weak = valves[5]
    weak.refresh_from_db()
    assert weak.state == State.GRADED and weak.grades.get(current=True).rank > 1

    # Match: the quad that the readings hold; nobody has studied the tester, so the policy supposes 1 % of scatter.
    keyboard.tab_to("Sets").go().tab_to("Make sets from stock").go()
    keyboard.type("12AX7").tab_to("Within %").press("Control+a").type("7").tab_to("Find sets").go()
    keyboard.tab_to("Take set 1").press("Space").tab_to("Make the ticked sets").go()
    quad = MatchedSet.objects.get()
    assert {member.valve for member in quad.members.all()} == set(valves[:4])

    # The certificate shows every member, and its symbols can be scanned.
    keyboard.tab_to("Issue the certificate").go().tab_to("Certificate").press("Shift")
    certificate = pdf_behind(keyboard)
    text = "".join(page.get_textpage().get_text_bounded() for page in certificate).replace(" ", "")
    assert all(valve.serial in text for valve in valves[:4]) and "lethal" in text
    assert quad.number in symbols(certificate)

    # Order: one matched quad, the best two grades, within 7 %.
    keyboard.tab_to("Orders").go().tab_to("New order").go()
    keyboard.tab_to("or a new one").type("Ada Quill").tab_to("Save and add lines").go()
    keyboard.tab_to("Type").type("12AX7").tab_to("Pieces in each").press("Control+a").type("4")
    keyboard.tab_to("Grade").choose("Good or better").tab_to("Within %").type("7")
    keyboard.tab_to("Add the line").go()
    keyboard.tab_to("Propose").go()
    assert quad.number in keyboard.words
    keyboard.tab_to("Set aside").go()
    order = Order.objects.get()
    assert order.state == Order.State.RESERVED

    keyboard.tab_to("Pull from the shelves").go()
    keyboard.type("99999999").go()
    assert "check digit" in keyboard.words  # a bad scan is said, and the cursor stays
    for valve in valves[:4]:
        keyboard.press("Control+a").type(valve.serial).go()
    assert "pulled" in keyboard.words

    # The parcel: a valve of another order is caught, each of its own is scanned into it.
    keyboard.tab_to("Pack and send").go()
    keyboard.type(valves[4].serial).go()
    assert "Wrong valve" in keyboard.words
    for valve in valves[:4]:
        keyboard.press("Control+a").type(valve.serial).go()
    assert "All 4 are in the parcel" in keyboard.words
    keyboard.tab_to("Carrier").type("Post").tab_to("Mark as despatched").go()

    order.refresh_from_db()
    assert order.state == Order.State.DESPATCHED
    assert {valve.state for valve in Valve.objects.filter(pk__in=[v.pk for v in valves[:4]])} == {State.DESPATCHED}

    # The valve's page tells the whole story.
    keyboard.scan_or_find(valves[0].serial)
    for told in ("serials given", "Tested at Bench one", quad.number, f"Set aside for {order}", "Sent to Ada Quill"):
        assert told in keyboard.words
    call_command("check_states")


def labels_of(keyboard: Keyboard) -> pypdfium2.PdfDocument:
    """Ask for the sheet on the labels page as its form would send it."""
    form = keyboard.page.evaluate(
        """() => { const f = document.querySelector("main form");
            return f.action.split("?")[0] + "?" + new URLSearchParams(new FormData(f)); }"""
    )
    answer = keyboard.page.request.get(form)
    assert answer.ok and answer.headers["content-type"] == "application/pdf"
    return pypdfium2.PdfDocument(answer.body())
