"""Type codes that the shop enters itself, beside those of fixtures/marks.toml. The codes Q7 and ZZ are invented."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from catalog.models import Alias, ValveType
from stockroom.marks import identity
from stockroom.marks.identity import MarksSeen
from stockroom.marks.register import Register
from stockroom.models import Entry, ShopTypeCode, Valve
from stockroom.site.people import Role
from tests.factories import make_line, make_type, make_user, make_valve, source

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("rowan", Role.RECEIVING)


@pytest.fixture
def client(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.RECEIVING)


@pytest.fixture
def other() -> ValveType:
    made = make_type("EL84")
    Alias.objects.create(type=made, designation="6BQ5", source=source())
    return made


@pytest.fixture
def valve(other: ValveType) -> Valve:
    type_ = make_type("12AX7")
    Alias.objects.create(type=type_, designation="ECC83", source=source())
    return make_valve(line=make_line(type_, 1))


def data(**changes: str) -> dict[str, str]:
    entered = {"code": "Q7", "type": "6BQ5", "plant": "", "first_year": "", "last_year": "", "source": "from memory"}
    return {**entered, "reason": "a sealed carton", **changes}


def stamped(valve: Valve, code: str, by: User) -> None:
    identity.record(valve, MarksSeen(type=valve.type, code=code), by)


def open_warnings(valve: Valve) -> list[str]:
    return list(valve.warnings.open().values_list("subject", flat=True))


def test_a_code_that_is_entered_warns_of_a_valve_that_is_in_house_already(
    client: Client, valve: Valve, by: User
) -> None:
    stamped(valve, "Q72 B5D3", by)
    assert open_warnings(valve) == []
    page = client.post(reverse("type-code-new"), data(), follow=True).content.decode()
    assert "Type code Q7 for EL84 is saved. 1 valve in house with it in the stamp looked at again." in page
    assert "a sealed carton" in page and ShopTypeCode.objects.get().type.designation == "EL84"
    assert open_warnings(valve) == ["type code and print"]
    assert "Q72 is the type code of EL84" in valve.warnings.open().get().reason
    assert "the shop’s own: from memory" in client.get(valve.get_absolute_url()).content.decode()
    assert Entry.objects.filter(text="Type code Q7 for EL84 added, from memory. a sealed carton").exists()


def test_a_code_that_is_forgotten_takes_its_warning_away_and_stays_in_the_daybook(
    client: Client, valve: Valve, by: User
) -> None:
    client.post(reverse("type-code-new"), data())
    stamped(valve, "Q72 B5D3", by)
    assert open_warnings(valve) == ["type code and print"]
    page = client.post(reverse("type-code-forget", args=[ShopTypeCode.objects.get().pk]), follow=True).content.decode()
    assert "Type code Q7 for EL84 is no longer held." in page and not ShopTypeCode.objects.exists()
    assert open_warnings(valve) == []
    assert Entry.objects.filter(action="type-code-changed", text__contains="no longer held").exists()


def test_a_correction_is_written_down_with_its_own_reason_and_looks_at_the_old_code_and_the_new(
    client: Client, valve: Valve, by: User
) -> None:
    client.post(reverse("type-code-new"), data())
    stamped(valve, "Q72 B5D3", by)
    address = reverse("type-code-edit", args=[ShopTypeCode.objects.get().pk])
    page = client.post(address, data(code="ZZ", reason="")).content.decode()
    assert "This field is required" in page and ShopTypeCode.objects.get().code == "Q7"
    client.post(address, data(code="ZZ", reason="misread"))
    assert open_warnings(valve) == []
    assert Entry.objects.filter(text="Type code Q7 for EL84: type code Q7 → ZZ. misread").exists()


def test_the_shops_own_goes_before_what_the_file_says(client: Client, valve: Valve, by: User) -> None:
    stamped(valve, "I61 B5D3", by)  # the file: ECC83, which is this type
    assert open_warnings(valve) == []
    client.post(reverse("type-code-new"), data(code="I6"))
    assert open_warnings(valve) == ["type code and print"]
    assert Register().type_code("I61", "I61 B5D3") == ("I6", ("EL84",), "the shop’s own: from memory")


def test_a_code_with_two_types_of_its_own_agrees_with_either(client: Client, valve: Valve, by: User) -> None:
    for type_ in ("6BQ5", "ECC83"):
        client.post(reverse("type-code-new"), data(type=type_))
    stamped(valve, "Q72 B5D3", by)
    assert open_warnings(valve) == []


@pytest.mark.parametrize(
    ("held_for", "warned"),
    [
        ({"plant": "B"}, True),
        ({"plant": "∆"}, False),
        ({"first_year": "1952", "last_year": "1956"}, True),
        ({"first_year": "1956", "last_year": "1959"}, False),
    ],
)
def test_a_code_holds_for_the_plant_and_the_years_it_was_entered_for(
    client: Client, valve: Valve, by: User, held_for: dict[str, str], warned: bool
) -> None:
    client.post(reverse("type-code-new"), data(**held_for))
    assert ShopTypeCode.objects.exists()
    stamped(valve, "Q72 B5D3", by)
    assert bool(open_warnings(valve)) is warned


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"code": "77"}, "“77” is no type code"),
        ({"code": "Q-7"}, "“Q-7” is no type code"),
        ({"plant": "7"}, "“7” is no plant sign"),
        ({"type": "QX99"}, "No valve type is called “QX99”"),
        ({"first_year": "1962", "last_year": "1958"}, "1958 is before 1962"),
        ({"last_year": "58"}, "No valves were made in 58"),
        ({"source": ""}, "This field is required"),
    ],
)
def test_what_cannot_be_a_type_code_is_refused_and_what_was_typed_stays(
    client: Client, other: ValveType, changes: dict[str, str], message: str
) -> None:
    page = client.post(reverse("type-code-new"), data(**changes)).content.decode()
    assert message in page and "a sealed carton" in page and not ShopTypeCode.objects.exists()


def test_a_code_is_entered_once_for_a_type_and_plant(client: Client, other: ValveType) -> None:
    client.post(reverse("type-code-new"), data())
    page = client.post(reverse("type-code-new"), data(type="EL84")).content.decode()
    assert "already exists" in page and ShopTypeCode.objects.count() == 1
