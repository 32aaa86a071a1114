"""Looking up what a type should be, and what else fits its socket."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.core.management import call_command
from django.test import Client

from catalog.models import Alias, TestPoint, ValveType
from stockroom.site.people import Role

pytestmark = pytest.mark.django_db


def test_loading_twice_changes_nothing(reference: None) -> None:
    before = set(TestPoint.objects.values_list("pk", "anode_current_ma"))
    call_command("load_types", verbosity=0)
    assert set(TestPoint.objects.values_list("pk", "anode_current_ma")) == before


def test_at_least_sixty_types_are_loaded_and_every_value_names_its_source(reference: None) -> None:
    assert ValveType.objects.count() >= 60
    assert all(point.cited for point in TestPoint.objects.select_related("source"))


def test_an_alias_that_the_files_no_longer_give_is_forgotten(reference: None) -> None:
    type_ = ValveType.objects.get(designation="12AX7")
    Alias.objects.create(type=type_, designation="WRONG1", source=type_.basing_source)
    call_command("load_types", verbosity=0)
    assert not Alias.objects.filter(designation="WRONG1").exists()


@pytest.mark.parametrize("name", ["12AX7", "12ax7", "ECC83", "ecc 83", "12-AX-7"])
def test_any_name_however_written_finds_the_type(reference: None, name: str) -> None:
    assert ValveType.objects.named(name).get().designation == "12AX7"


def test_an_alias_in_the_address_leads_to_the_type(reference: None, logged_in: Callable[..., Client]) -> None:
    assert logged_in(Role.RECEIVING).get("/types/ECC83/")["Location"] == "/types/12AX7/"


def test_the_page_shows_pins_nominals_sources_and_the_caution(
    reference: None, logged_in: Callable[..., Client]
) -> None:
    page = logged_in(Role.RECEIVING).get("/types/12AX7/").content.decode()
    for part in ("heater centre tap", "62.5", "From memory", "lethal voltages", "Noval", "noval"):
        if part.lower() not in page.lower():
            raise AssertionError(f"the page lacks {part}")


@pytest.mark.parametrize(
    ("query", "has", "lacks"),
    [
        ("name=ecc83", "12AX7", "6SN7GT"),
        ("kind=rectifier&name=5", "5Y3GT", "50C5"),
        ("base=octal&name=au", "6AU5GT", "12AU7"),
        ("heater=5.0&name=5", "5Y3GT", "50C5"),
        ("special_quality=true&name=57", "5751", ">5763<"),
        ("tradition=eastern&name=6n", "6N2P", ">6N7<"),
    ],
)
def test_the_list_filters(reference: None, logged_in: Callable[..., Client], query: str, has: str, lacks: str) -> None:
    page = logged_in(Role.RECEIVING).get(f"/types/?{query}").content.decode()
    table = page[page.index("<tbody>") :]
    assert has in table and lacks not in table
