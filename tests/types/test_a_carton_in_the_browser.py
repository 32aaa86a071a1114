"""A carton of a type that the shop has never heard of, by keyboard in a real browser: from spreadsheet to sale."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import User
from openpyxl import Workbook

from catalog.models import ValveType
from stockroom.models import Line, Listing, Lot, Order, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import make_place, make_policy, source
from tests.keyboard import Keyboard, at_the_keyboard


@pytest.fixture
def keyboard(served: Any, browser: Any, person: Callable[..., User]) -> Iterator[Keyboard]:
    """At a shop without a single type on file."""
    source()
    make_policy()
    make_place("B7")
    person(Role.OWNER, name="owner")
    with at_the_keyboard(browser, served.url) as somebody:
        yield somebody


def test_a_carton_of_pcc88_from_spreadsheet_to_shelf_to_untested_sale(keyboard: Keyboard, tmp_path: Path) -> None:
    book = Workbook()
    for row in (["Type", "Condition", "Qty", "Unit price"], ["PCC88", "boxed", 3, 2]):
        book.active.append(row)
    book.save(tmp_path / "carton.xlsx")
    assert not ValveType.objects.exists()

    keyboard.type("owner").press("Tab").type("a-long-test-password").go()
    keyboard.tab_to("Lots").go().tab_to("Book in a lot").go()
    keyboard.type("Brackenfield Surplus").tab_to("Amount").type("6.00").tab_to("Save").go()
    lot = Lot.objects.get()

    # The list names a type that nobody has entered: it is entered on the way.
    keyboard.scan_or_find(lot.number).tab_to("Import").go()
    keyboard.page.set_input_files("[name=file]", str(tmp_path / "carton.xlsx"))
    keyboard.tab_to("Preview").go()
    keyboard.tab_to("Preview").go()
    assert "no type is called so" in keyboard.words
    keyboard.tab_to("enter PCC88 as a new type").press("Space").tab_to("Apply").go()
    keyboard.tab_to("Import 1 line, 3 pieces").go()
    line = Line.objects.select_related("type").get()
    assert (line.type.designation, line.pieces) == ("PCC88", 3)
    assert line.type.aliases.filter(designation="7DJ8").exists()  # known to mean the same

    # Counted, each with a serial, and the first on its shelf.
    keyboard.tab_to("Count").go().type("3").go()
    keyboard.tab_to("Serials").go().tab_to("Give serials").go()
    first, second, _third = Valve.objects.order_by("serial")
    keyboard.tab_to("Office").go().tab_to("Move valves").go()
    keyboard.type("B7").go().type(first.serial).go()
    first.refresh_from_db()
    assert str(first.place) == "B7"

    # One is listed untested, another is asked for on the same order; both leave the house.
    keyboard.scan_or_find(first.serial).tab_to("List untested").go()
    keyboard.tab_to("Price").press("Control+a").type("9.50").go()
    listing = Listing.objects.get()
    assert listing.untested and "PCC88" in listing.title and "Sold untested" in keyboard.words
    keyboard.tab_to("Orders").go().tab_to("New order").go()
    keyboard.tab_to("or a new one").type("Ada Quill").tab_to("Save and add lines").go()
    order = Order.objects.get()
    keyboard.tab_to("Add what is listed").press("Enter").press("Tab").type(listing.number).go()
    keyboard.tab_to("Add a line").press("Enter").press("Tab").type("PCC88").tab_to("Pieces in each").press(
        "Control+a"
    ).type("1")
    keyboard.tab_to("Tested or not").choose("untested singles").tab_to("Add the line").go()
    keyboard.tab_to("Propose").go()
    assert "untested, as received" in keyboard.words and second.serial in keyboard.words
    keyboard.tab_to("Set aside").go().tab_to("Pull from the shelves").go()
    for valve in (first, second):
        keyboard.press("Control+a").type(valve.serial).go()
    keyboard.tab_to("Pack and send").go()
    for valve in (first, second):
        keyboard.press("Control+a").type(valve.serial).go()
    keyboard.tab_to("Mark as despatched").go()

    order.refresh_from_db()
    assert order.state == Order.State.DESPATCHED
    states = [valve.state for valve in Valve.objects.order_by("serial")]
    assert states == [State.DESPATCHED, State.DESPATCHED, State.RECEIVED]
