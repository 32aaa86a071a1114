"""What the daybook says of a correction: what was, what is, with its unit, and why; one line, however much changed."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from catalog.models import ValveType
from catalog.reference.differing import differences
from stockroom.marks import identity
from stockroom.marks.pure.identification import YearsKnown
from stockroom.models import Entry, Maker, ShopTypeCode, Supplier
from stockroom.models.daybook import LONGEST
from stockroom.site.people import Role
from stockroom.site.saving import save_named
from stockroom.types import keeping
from tests.factories import make_supplier, make_type, make_user
from tests.reference import the_reference

pytestmark = pytest.mark.django_db


def el84() -> ValveType:
    return ValveType.objects.get(designation="EL84")


def last(action: str) -> str:
    return Entry.objects.filter(action=action).latest("pk").text


def corrected(change: Callable[[dict[str, Any]], object], reason: str = "the sheet in the box") -> str:
    """What the daybook says once the table of EL84 is changed so."""
    table = keeping.table_in_force(el84())
    section = {**table["section"][0]}
    section |= {"ratings": {**section["ratings"]}, "test_point": [dict(one) for one in section["test_point"]]}
    table["section"] = [section]
    change(table)
    keeping.change(el84(), table, None, reason=reason)
    return last("type-changed")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            lambda table: table["section"][0]["ratings"].update(anode_voltage_max_v=Decimal(400)),
            "EL84: section 1, greatest anode voltage 300 → 400 V. the sheet in the box",
        ),
        (
            lambda table: table["section"][0]["test_point"][0].update(
                anode_current_ma=Decimal("47.0"), load_note="cold"
            ),
            "EL84: section 1, test point 250 V, anode current 48 → 47 mA; "
            "section 1, test point 250 V, load note – → cold. the sheet in the box",
        ),
        (
            lambda table: table["section"][0]["test_point"][0].pop("gm_ma_per_v"),
            "EL84: section 1, test point 250 V, mutual conductance 11.3 mA/V → –. the sheet in the box",
        ),
        (
            lambda table: table.update(aliases=[*table["aliases"], {"designation": "QX1", "source": "memory"}]),
            "EL84: other name QX1 added. the sheet in the box",
        ),
        (
            lambda table: table.update(related=[one for one in table["related"] if one["designation"] != "7189"]),
            "EL84: related type 7189 (special quality, note higher anode voltage rating, 400 V) taken away. "
            "the sheet in the box",
        ),
        (
            lambda table: table.update(special_quality=True, cautions=[*table["cautions"][1:], "mercury"]),
            "EL84: caution high voltage taken away; caution mercury added; special quality – → yes. "
            "the sheet in the box",
        ),
    ],
)
def test_the_daybook_says_what_was_and_what_is_with_its_unit(
    reference: None, change: Callable[[dict[str, Any]], object], said: str
) -> None:
    assert corrected(change) == said


def test_what_is_a_row_of_its_own_is_said_with_its_first_values(reference: None) -> None:
    point = {"name": "200 V", "anode_voltage_v": Decimal(200), "screen_voltage_v": Decimal(200)}
    point |= {"grid_voltage_v": Decimal("-5"), "anode_current_ma": Decimal(38), "gm_ma_per_v": Decimal(11)}
    said = corrected(lambda table: table["section"][0]["test_point"].append({**point, "source": "memory"}))
    values = "anode voltage 200 V, screen voltage 200 V, grid voltage −5 V, anode current 38 mA, …"
    assert said == f"EL84: section 1, test point 200 V ({values}) added. the sheet in the box"


def test_a_long_text_is_said_from_where_it_parts(reference: None) -> None:
    note = "A power pentode for radio receivers and amplifiers, nine pins, made by many in great numbers"
    corrected(lambda table: table.update(note=f"{note} until about 1970."))
    assert corrected(lambda table: table.update(note=f"{note} until about 1980.")) == (
        "EL84: note “…about 1970.” → “…about 1980.”. the sheet in the box"
    )


def test_pins_are_said_one_by_one_and_a_basing_sent_back_as_it_was_is_no_change(reference: None) -> None:
    type_ = el84()
    assert type_.basing is not None
    table, basing = keeping.table_in_force(type_), keeping._basing_table(type_.basing)
    assert keeping.change(type_, table, None, reason="nothing", basing=basing) == []
    assert not Entry.objects.filter(action="type-changed").exists()
    pins = [*basing["pins"][:7], "nc", *basing["pins"][8:]]
    other = {**basing, "name": "EL84 as the shop says", "pins": pins}
    keeping.change(type_, {**table, "basing": other["name"]}, None, reason="looked into one", basing=other)
    said = last("type-changed")
    assert f"pin 8 {basing['pins'][7]} → nc" in said and "pin 7" not in said and said.endswith("looked into one")


def test_however_much_changed_it_is_one_line_that_ends_with_the_reason(reference: None) -> None:
    def much(table: dict[str, Any]) -> None:
        table["aliases"] = [{"designation": f"QX{number}", "source": "memory"} for number in range(300, 340)]

    reason = "a list of the names on cartons that came with the lot, read by two people on different days"
    said = corrected(much, reason)
    assert len(said) <= LONGEST and said.endswith(f" more. {reason}") and "other name QX300 added" in said


def test_following_the_reference_again_and_another_name_say_what_was(reference: None, client: Client) -> None:
    corrected(lambda table: table["section"][0]["test_point"][0].update(gm_ma_per_v=Decimal(12)))
    keeping.follow_reference(el84(), None, reason="misread")
    assert last("type-changed") == (
        "EL84 follows the reference again: section 1, test point 250 V, mutual conductance 12 → 11.3 mA/V. misread"
    )
    keeping.call(el84(), "6BQ5", None)
    assert last("type-called") == "EL84 is called 6BQ5 here, no longer EL84."
    keeping.call(el84(), "6BQ5", None)
    assert Entry.objects.filter(action="type-called").count() == 1


def test_the_versions_page_shows_units(reference: None, logged_in: Callable[..., Client]) -> None:
    corrected(lambda table: table["section"][0]["test_point"][0].update(gm_ma_per_v=Decimal(12)))
    page = logged_in(Role.OWNER).get(reverse("type-versions", args=["EL84"])).content.decode()
    assert "mutual conductance" in page and "<td>11.3 mA/V</td>" in page and "<td>12 mA/V</td>" in page


def test_every_type_differs_from_itself_in_nothing_and_from_nothing_in_something() -> None:
    for row in the_reference().types.values():
        assert differences(row.table, row.table) == []
        assert all(one.in_words for one in differences({}, row.table))


# Its sisters: the registers, suppliers, the shop


@pytest.fixture
def by() -> User:
    return make_user("rowan", Role.OWNER)


def test_a_corrected_type_code_says_which_source_it_stood_on(by: User) -> None:
    code = ShopTypeCode(code="Q7", type=make_type("12AX7"), source="from memory", reason="forty in a sealed carton")
    identity.keep_type_code(code, by)
    code.source = "A list of type codes of the years from 1955 on, as the plant's own people kept it, page 12"
    code.first_year, code.reason = 1955, "the list came"
    identity.keep_type_code(code, by)
    said = last("type-code-changed")
    assert said.startswith("Type code Q7 for 12AX7: used from – → 1955; source “from memory” → “A list of type codes")
    assert said.endswith(". the list came") and len(said) <= LONGEST


def test_corrected_years_of_a_construction_say_what_they_were(by: User) -> None:
    maker = Maker.objects.create(name="Dunvarrow")
    identity.learn(maker, None, "mica", "square", "", by, YearsKnown(1958, 1966))
    assert "no longer" not in last("maker-changed")
    identity.learn(maker, None, "mica", "square", "", by, YearsKnown(1957, 1966))
    assert last("maker-changed") == (
        "Maker Dunvarrow is known with mica square (every type, 1957 to 1966), "
        "no longer mica square (every type, 1958 to 1966)."
    )


def test_a_note_is_said_and_how_somebody_is_reached_is_not(by: User) -> None:
    supplier = make_supplier()
    supplier.note, supplier.contact = "pays late", "somebody@example.org"
    save_named(supplier, by)
    supplier = Supplier.objects.get(pk=supplier.pk)
    supplier.note, supplier.contact = "pays in time", "another@example.org"
    save_named(supplier, by)
    said = last("supplier-changed")
    assert "contact changed; note “pays late” → “pays in time”" in said and "example.org" not in said
    supplier.note = "pays in time, as long as the invoice goes to the office and to nobody in the warehouse"
    save_named(supplier, by)
    parts = "“…in time” → “…in time, as long as the invoice goes to the office and to …”"
    assert last("supplier-changed").endswith(f": note {parts}.")


def test_the_shops_own_data_say_what_they_were(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.OWNER)
    sent = {"name": "Heron & Vane", "currency": "EUR", "hold_days": "7"}
    client.post("/shop/", sent)
    said = last("shop")
    assert "name The valve shop → Heron & Vane" in said and "14 → 7" in said
    client.post("/shop/", sent)
    assert Entry.objects.filter(action="shop").count() == 1
