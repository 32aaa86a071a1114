"""Condition and cleaning: structured facts on the valve's page and in what the public reads."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.contrib.auth.models import User
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse

from catalog.models import CAUTION_SENTENCES
from catalog.reference.vocabulary import CAUTIONS
from grading.listings import publishing
from stockroom.marks import identity
from stockroom.marks.identity import MarksSeen
from stockroom.marks.pure.construction import CONDITION
from stockroom.models import Cleaning, Condition, Entry, Valve
from stockroom.site.people import Role
from tests.factories import graded, make_line, make_type, make_user, make_valve, make_valves

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("rowan", Role.RECEIVING)


@pytest.fixture
def client(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.RECEIVING)


@pytest.fixture
def valve(db: None) -> Valve:
    return make_valve(make_type())


def test_the_condition_is_kept_in_words_and_its_changes_in_the_daybook(valve: Valve, by: User) -> None:
    identity.record(valve, MarksSeen(condition={"print": "clear", "pins": "dull"}, pack_marks="JUN 1953"), by)
    identity.record(valve, MarksSeen(condition={"print": "worn", "pins": "dull"}, pack_marks="JUN 1953"), by)
    condition = Condition.objects.get()
    assert condition.words == {"print": "worn", "pins": "dull"} and condition.by == by
    assert "print clear → worn" in str(Entry.objects.filter(action="identified").first())


def test_every_word_of_every_fact_fits_its_field() -> None:
    for name, choice in CONDITION.items():
        for word in choice.words:
            Condition(**{name: word}).clean_fields(exclude=["valve"])
        with pytest.raises(ValidationError):
            Condition(**{name: "enormous"}).clean_fields(exclude=["valve"])


def test_the_valves_page_shows_condition_and_cleaning(client: Client, valve: Valve, by: User) -> None:
    identity.record(valve, MarksSeen(condition={"base": "slight play", "seal": "came opened"}, note="chipped tip"), by)
    identity.clean(valve, "dry", "a soft brush", by)
    page = client.get(valve.get_absolute_url()).content.decode()
    for words in ("slight play", "came opened", "chipped tip", "Dusted dry, not over the print (a soft brush)"):
        assert words in page


def test_the_public_reads_print_pins_and_box_as_far_as_they_are_recorded(by: User) -> None:
    valves = make_valves(make_type(), 2)
    for valve in valves:
        graded(valve)
    assert "Print" not in publishing.describe(valves)
    identity.record(
        valves[0], MarksSeen(condition={"print": "worn", "pins": "dull", "box": "plain", "seal": "none"}), by
    )
    identity.record(valves[1], MarksSeen(condition={"print": "clear", "pins": "dull"}, note="for us alone"), by)
    text = publishing.describe(valves)
    assert "Print: clear (1 of 2), worn (1 of 2). Pins: dull. Box: plain (1 of 2)." in text
    assert "for us alone" not in text and "Seal" not in text


def test_cleaning_is_cautioned_by_what_the_type_may_hold(client: Client) -> None:
    for caution, words in (
        ("radioactive", "Do not scrape or grind it"),
        ("mercury", "If the glass is cracked, stop"),
        ("asbestos", "may hold asbestos in its base"),
        ("beryllia", "beryllium oxide, poisonous as dust"),
    ):
        valve = make_valve(make_type(f"type {caution}", cautions=[caution]))
        page = client.get(reverse("valve-clean", args=[valve.serial])).content.decode()
        assert words in page and CAUTION_SENTENCES[caution] in page
        assert "Print on many valves comes off" in page and "mineral fibre" in page
    plain = client.get(reverse("valve-clean", args=[make_valve(make_type()).serial])).content.decode()
    assert "Do not scrape or grind it" not in plain and "cracked, stop" not in plain


def test_every_caution_has_its_sentence() -> None:
    assert set(CAUTION_SENTENCES) == CAUTIONS


def test_a_cleaning_is_recorded_on_its_page(client: Client, valve: Valve) -> None:
    address = reverse("valve-clean", args=[valve.serial])
    assert "Its marks are not all written down" in client.get(address).content.decode()
    page = client.post(address, {"how": "", "note": "glass fibre pencil"})
    assert "glass fibre pencil" in page.content.decode() and not Cleaning.objects.exists()
    client.post(address, {"how": "pins", "note": "glass fibre pencil"})
    assert str(Cleaning.objects.get()) == "Pins or contacts cleaned (glass fibre pencil)"
    assert Entry.objects.get(action="cleaned").valve == valve


def test_a_line_with_recorded_marks_keeps_its_type(client: Client, by: User) -> None:
    valve = make_valve(line=make_line(make_type(), 1))
    identity.record(valve, MarksSeen(code="118"), by)
    make_type("12AT7")
    seen_marks = {
        "type": "12AT7",
        "maker": "",
        "condition": "used",
        "expected": "1",
        "counted": "1",
        "weight": "1",
        "place": "",
        "note": "",
    }
    page = client.post(reverse("line-edit", args=[valve.line.lot.number, 1]), seen_marks)
    assert "have records as 12AX7" in page.content.decode()
