"""Sealed packs from the draw to the parcel and back, by a person at the keyboard with a scanner and no mouse."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

import pytest
from django.contrib.auth.models import User

from stockroom.models import Customer, Line, Order, Packing, Place, Return, SamplingPlan, Valve
from stockroom.sealed import plans
from stockroom.site.people import Role
from tests.factories import graded, make_line, make_lot, make_policy, make_type
from tests.keyboard import Keyboard, at_the_keyboard


@pytest.fixture
def keyboard(served: Any, browser: Any, person: Callable[..., User]) -> Iterator[Keyboard]:
    person(Role.OWNER, name="owner")
    make_policy()
    line = make_line(
        make_type(),
        50,
        condition=Line.Condition.SEALED,
        lot=make_lot(received_on=date(2024, 5, 2)),
        place=Place.objects.create(code="S2"),
    )
    plans.describe(line, Packing(carton_size=10, pack_date="5312"), None)
    plans.label_packs(line, None)
    Customer.objects.create(name="Ada Quill")
    with at_the_keyboard(browser, served.url) as somebody:
        yield somebody


def test_sealed_packs_are_drawn_accepted_ordered_pulled_sent_and_taken_back_without_a_mouse(keyboard: Keyboard) -> None:
    keyboard.type("owner").press("Tab").type("a-long-test-password").go()
    line = Line.objects.get()

    # What the date on the packs means.
    keyboard.tab_to("Office").go().tab_to("Sealed stock").go().tab_to(f"{line}").go()
    keyboard.tab_to("Not decided")
    for _ in range(4):
        if keyboard.press("ArrowDown").at().startswith("week 12 of 1953"):
            break
    keyboard.go()
    assert "5312 is read as week 12 of 1953." in keyboard.words

    # The plan as it is proposed, the whole draw opened.
    keyboard.tab_to("Plan how many to open").go().tab_to("Save and draw").go()
    plan = SamplingPlan.objects.get()
    keyboard.go()
    assert plan.packs.count() == plan.sample_size
    for valve in Valve.objects.filter(pack__plan=plan):
        graded(valve)
    keyboard.scan_or_find(line.lot.number).tab_to("Sealed packs").go()
    assert "✓ Accept" in keyboard.words
    keyboard.tab_to("Save").go()
    assert "Saved: accept" in keyboard.words

    # An order for one; its label is scanned off the shelf.
    keyboard.tab_to("Orders").go().tab_to("New order").go().choose("Ada Quill").tab_to("Save and add lines").go()
    keyboard.type("12AX7").enter().type("1").enter().type("1").enter().choose("in sealed packs").enter()
    keyboard.enter().enter().type("12.00").enter().go()
    assert "sealed and sample-tested, not tested" in keyboard.words
    assert keyboard.at() == "Set aside the best for every open line"
    keyboard.go().go()
    (valve,) = Valve.objects.filter(allocations__live=True)
    assert "carton" in keyboard.words and "S2" in keyboard.words
    keyboard.type(valve.serial).go()
    assert keyboard.at() == "Pack and send"
    keyboard.go().type(valve.serial).go()
    assert keyboard.at() == "Mark as despatched"
    keyboard.go()
    order = Order.objects.get()
    assert order.state == Order.State.DESPATCHED

    # It comes back, its seal intact.
    keyboard.tab_to("Serial").type(valve.serial).press("Tab").choose("not wanted").press("Tab").type(
        "one too many"
    ).press("Tab").choose("seal intact")
    keyboard.tab_to("Record the return").go()
    assert Return.objects.get().seal == Return.Seal.INTACT and "still sealed" in keyboard.words


def test_packs_are_described_with_enter_alone_and_an_exact_plan_shows_its_own_fields(keyboard: Keyboard) -> None:
    keyboard.type("owner").press("Tab").type("a-long-test-password").go()
    line = Line.objects.get()
    keyboard.scan_or_find(f"{line.lot.number}/{line.number}").tab_to("Describe the packs").go()
    assert keyboard.at() == "Pieces in a carton"
    keyboard.type("5").enter()
    assert keyboard.at() == "Contract marks as printed"
    keyboard.type("N 1123 BATCH 4").enter()
    assert keyboard.at() == "Pack date as printed"
    keyboard.type("Mar 1961").go()
    packing = Packing.objects.get()
    assert (packing.carton_size, packing.contract_marks, packing.pack_date) == (5, "N 1123 BATCH 4", "Mar 1961")
    assert "Mar 1961 can mean 1 thing only" in keyboard.words

    keyboard.tab_to("Plan how many to open").go()
    assert keyboard.at() == "AQL, % nonconforming" and "Acceptable quality" not in keyboard.words
    for _ in range(3):  # back over the level and the link to the method
        keyboard.press("Shift+Tab")
    assert keyboard.at() == "ISO 2859-1, single sampling"
    keyboard.press("ArrowDown")
    assert "Inspection level" not in keyboard.words
    keyboard.tab_to("Acceptable quality").type("3").go()
    assert keyboard.at() == "Acceptable quality, % bad" and "Hypergeometric distribution" in keyboard.words


def test_the_cursor_stands_on_the_decision_once_the_sample_has_its_verdict(keyboard: Keyboard) -> None:
    keyboard.type("owner").press("Tab").type("a-long-test-password").go()
    line = Line.objects.get()
    keyboard.scan_or_find(f"{line.lot.number}/1").tab_to("Plan how many to open").go()
    keyboard.tab_to("Save and draw").go().go()
    for valve in Valve.objects.all():
        graded(valve)
    keyboard.scan_or_find(f"{line.lot.number}/1")
    assert keyboard.at() == "Decision"
