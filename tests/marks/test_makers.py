"""The register of makers: their numbers, their years, and how they are known to have built. All invented."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from stockroom.marks import identity
from stockroom.marks.identity import MarksSeen, Register
from stockroom.models import Entry, KnownConstruction, Maker, SourceCode, Valve
from stockroom.site.people import Role
from tests.factories import make_line, make_type, make_valve

pytestmark = pytest.mark.django_db


@pytest.fixture
def client(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.RECEIVING)


@pytest.fixture
def maker(db: None) -> Maker:
    return Maker.objects.create(name="Dunvarrow")


@pytest.fixture
def valve(maker: Maker) -> Valve:
    return make_valve(line=make_line(make_type(), 1, maker=maker), maker=maker)


def data(**changes: str) -> dict[str, str]:
    return {"name": "Dunvarrow", "source_codes": "", "first_year": "", "last_year": "", "note": "", **changes}


def test_a_maker_is_kept_with_its_numbers_and_years(client: Client) -> None:
    seen_marks = data(source_codes="900, 0901;902", first_year="1938", last_year="1968")
    page = client.post(reverse("maker-new"), seen_marks, follow=True).content.decode()
    maker = Maker.objects.get()
    assert (maker.first_year, maker.last_year) == (1938, 1968)
    assert [one.code for one in maker.source_codes.all()] == ["0901", "900", "902"]
    assert "0901, 900, 902" in page and "1938–1968" in page
    assert "0901, 900, 902" in client.get(reverse("makers"), {"code": "900"}).content.decode()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"source_codes": "900 9X1"}, "“9X1” is no source code"),
        ({"source_codes": "12345"}, "“12345” is no source code"),
        ({"source_codes": "٣٣٣"}, "is no source code"),
        ({"first_year": "38"}, "No valves were made in 38"),
        ({"first_year": "1968", "last_year": "1938"}, "1938 is before 1968"),
    ],
)
def test_what_cannot_be_is_refused_and_what_was_typed_stays(
    client: Client, changes: dict[str, str], message: str
) -> None:
    page = client.post(reverse("maker-new"), data(note="bought in much", **changes)).content.decode()
    assert message in page and "bought in much" in page and not Maker.objects.exists()


def test_a_number_of_two_makers_belongs_to_both(maker: Maker) -> None:
    other = Maker.objects.create(name="Brindlemoor")
    for one in (maker, other):
        identity.set_source_codes(one, ["900"], None)
    assert Register().owners("900") == ["Brindlemoor", "Dunvarrow"]


def test_a_number_taken_away_clears_and_one_given_raises_warnings(client: Client, maker: Maker, valve: Valve) -> None:
    other = Maker.objects.create(name="Brindlemoor")
    identity.record(valve, MarksSeen(maker=maker, code="901-6118", chosen="EIA|901|week 18 of 1961"), None)
    assert not valve.warnings.exists()
    address = reverse("maker-edit", args=[other.pk])
    client.post(address, data(name="Brindlemoor", source_codes="901"))
    assert "source code 901 is that of Brindlemoor" in valve.warnings.open().get().reason
    client.post(address, data(name="Brindlemoor", source_codes="955"))
    assert not valve.warnings.open().exists() and valve.warnings.count() == 1
    assert Entry.objects.filter(text="Maker Brindlemoor: source codes 901 → 955.").exists()


def test_changed_years_are_compared_anew(client: Client, maker: Maker, valve: Valve) -> None:
    identity.record(valve, MarksSeen(maker=maker, code="1961-18", chosen="YEAR_WEEK||week 18 of 1961"), None)
    client.post(reverse("maker-edit", args=[maker.pk]), data(last_year="1955"))
    assert valve.warnings.open().get().subject == "date and maker"


def test_a_known_construction_is_added_and_forgotten_on_the_page(client: Client, maker: Maker, valve: Valve) -> None:
    identity.record(valve, MarksSeen(maker=maker, features={"getter shape": "halo"}), None)
    learn = reverse("maker-learn", args=[maker.pk])
    seen_marks = {"type": "12AX7", "seen": "getter shape|square", "note": "sealed stock"}
    page = client.post(learn, seen_marks, follow=True).content.decode()
    assert "Dunvarrow is known with getter shape square (12AX7)." in page
    assert "where Dunvarrow is known with square" in valve.warnings.open().get().reason
    client.post(learn, seen_marks)
    known = KnownConstruction.objects.get()
    client.post(reverse("maker-forget", args=[maker.pk, known.pk]))
    assert not KnownConstruction.objects.exists() and not valve.warnings.open().exists()


def test_a_construction_of_no_type_holds_for_every_type(maker: Maker) -> None:
    type_, other = make_type(), make_type("12AT7")
    identity.learn(maker, None, "glass", "smoked", "", None)
    identity.learn(maker, type_, "glass", "clear", "", None)
    identity.learn(maker, None, "glass", "smoked", "again", None)
    by_type = [Register().for_type(one.pk)[0].construction["glass"] for one in (type_, other)]
    assert by_type == [frozenset({"smoked", "clear"}), frozenset({"smoked"})]


def test_a_construction_that_is_no_word_keeps_the_page(client: Client, maker: Maker) -> None:
    page = client.post(reverse("maker-learn", args=[maker.pk]), {"type": "12ZZ9", "seen": "glass|wooden", "note": "x"})
    assert "No valve type is called “12ZZ9”" in page.content.decode() and not KnownConstruction.objects.exists()


def test_a_renamed_maker_keeps_its_warnings_in_its_new_name(client: Client, maker: Maker, valve: Valve) -> None:
    SourceCode.objects.create(maker=Maker.objects.create(name="Brindlemoor"), code="901")
    identity.record(valve, MarksSeen(maker=maker, code="901-6118", chosen="EIA|901|week 18 of 1961"), None)
    client.post(reverse("maker-edit", args=[maker.pk]), data(name="Dunvarrow Works"))
    assert "the print says Dunvarrow Works" in valve.warnings.open().get().reason


def test_a_key_beyond_any_table_is_no_maker(client: Client) -> None:
    assert client.post(reverse("maker-forget", args=[2**63, 1])).status_code == 404
