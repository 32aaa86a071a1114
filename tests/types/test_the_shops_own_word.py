"""The owner corrects what is known of a type; a newer reference leaves it, and old grades keep their figures."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from catalog.loading import load
from catalog.models import Basing, KeptPosition, TestPoint, TypeVersion, ValveType
from catalog.reference.own import changed, in_force
from catalog.reference.rows import Reference
from grading.models import Grade
from stockroom.jobs.worker import work_off
from stockroom.models import Entry, Valve
from stockroom.site.people import Role
from stockroom.types import keeping
from tests.factories import graded, make_policy, make_valve
from tests.reference import cut_down, the_reference

pytestmark = pytest.mark.django_db

OURS = cut_down(the_reference(), "EL84")


@pytest.fixture
def owner(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.OWNER)


def el84() -> ValveType:
    return ValveType.objects.get(designation="EL84")


def gm(type_: ValveType) -> float | None:
    point = type_.sections.get().test_point
    assert point is not None
    return point.gm_ma_per_v


def filled(client: Client, name: str, **changes: Any) -> dict[str, Any]:
    """The form of the type as its page shows it, with these changes."""
    sheet = client.get(reverse("type-change", args=[name])).context["sheet"]
    data: dict[str, Any] = {}
    for form in [sheet.type_form, sheet.why_form, *(form for section in sheet.sections for form in section.all)]:
        for field in form:
            value = field.value()
            data[field.html_name] = "" if value is None else getattr(value, "pk", value)
    return {**data, "reason": "read on the sheet in the box", **changes}


def with_gm(type_: ValveType, value: str) -> dict[str, Any]:
    table = keeping.table_in_force(type_)
    (block,) = table["section"]
    points = [{**block["test_point"][0], "gm_ma_per_v": Decimal(value)}, *block["test_point"][1:]]
    return {**table, "section": [{**block, "test_point": points}]}


def newer(**fields: Any) -> Reference:
    """The reference as it would be with another EL84."""
    row = OURS.types["EL84"]
    table = {**row.table, **fields.pop("table", {})}
    types = {**OURS.types, "EL84": replace(row, table=table, **fields)}
    return Reference(OURS.sources, OURS.basings, types, OURS.by_name)


def test_a_correction_on_the_page_is_a_version_with_source_reason_and_daybook(reference: None, owner: Client) -> None:
    sent = owner.post(
        reverse("type-change", args=["EL84"]), filled(owner, "EL84", **{"s1p0-gm_ma_per_v": "12", "at": "page 3"})
    )
    assert sent.status_code == 302, sent.content.decode()
    assert gm(el84()) == 12
    version = el84().versions.filter(origin=TypeVersion.Origin.SHOP).get()
    assert version.reason == "read on the sheet in the box" and version.by is not None
    assert "12" in version.says and "anode_dissipation_max_w" in version.says
    assert "mutual conductance 11.3 → 12 mA/V" in Entry.objects.get(action="type-changed").text
    assert TestPoint.objects.get(section__type=el84(), position=0).source_place == "page 3"
    page = owner.get(reverse("type-versions", args=["EL84"])).content.decode()
    assert "11.3" in page and "The shop says" in page
    assert "The shop itself says part of this" in owner.get("/types/EL84/").content.decode()


def test_a_form_sent_back_unchanged_changes_nothing(reference: None, owner: Client) -> None:
    before = list(TypeVersion.objects.values_list("pk"))
    for name in ("EL84", "12AX7", "GZ34", "6N1P", "0A2", "EABC80"):
        owner.post(reverse("type-change", args=[name]), filled(owner, name))
    assert list(TypeVersion.objects.values_list("pk")) == before


def test_a_newer_reference_leaves_the_shops_word_and_shows_where_it_differs(reference: None, owner: Client) -> None:
    keeping.change(el84(), with_gm(el84(), "12"), None, reason="sheet")
    newer_note = newer(note="rewritten", table={"note": "rewritten"})
    load(newer_note)
    assert gm(el84()) == 12 and el84().note == "rewritten"
    assert "EL84: note" in Entry.objects.get(action="reference-loaded").text
    page = owner.get(reverse("type-versions", args=["EL84"])).content.decode()
    assert "11.3" in page and "12" in page


def test_the_shop_can_follow_the_reference_again(reference: None, owner: Client) -> None:
    keeping.change(el84(), with_gm(el84(), "12"), None, reason="sheet")
    owner.post(reverse("type-follow", args=["EL84"]), {"reason": "misread"})
    assert gm(el84()) == 11.3
    assert not el84().own_versions
    assert el84().versions.filter(origin=TypeVersion.Origin.SHOP).count() == 2


def test_a_type_entered_here_takes_what_a_newer_reference_knows_and_keeps_what_the_shop_said(reference: None) -> None:
    """The reference lacks EL84 here, and then has it."""
    KeptPosition.objects.filter(made_for__designation="EL84").delete()
    ValveType.objects.filter(designation="EL84").delete()
    entered = keeping.enter({"designation": "el84", "note": "our own note"}, None)
    load(OURS)
    now = el84()
    assert now.pk == entered.pk and gm(now) == 11.3 and now.note == "our own note"


def test_a_type_that_the_reference_files_under_another_name_is_renamed_with_its_goods(reference: None) -> None:
    KeptPosition.objects.filter(made_for__designation="EL84").delete()
    ValveType.objects.filter(designation="EL84").delete()
    entered = keeping.enter({"designation": "6BQ5"}, None)
    valve = make_valve(entered)
    load(OURS)
    valve = Valve.objects.select_related("type").get(pk=valve.pk)
    assert valve.type.designation == "EL84" and str(valve.type) == "6BQ5"


def test_a_point_that_is_no_longer_given_leaves_the_bench_and_keeps_its_readings(reference: None) -> None:
    make_policy()
    valve = make_valve(el84())
    graded(valve, ia=48, gm=11.3)
    (block,) = OURS.types["EL84"].sections
    renamed = replace(block.test_points[0], name="renamed")
    load(newer(sections=(replace(block, test_points=(renamed,)),), table={"note": "renamed"}))
    section = el84().sections.get()
    assert section.test_point is not None and section.test_point.name == "renamed"
    assert section.test_points.get(name="250 V").withdrawn


def test_other_settings_need_another_name(reference: None) -> None:
    table = with_gm(el84(), "12")
    table["section"][0]["test_point"][0]["anode_voltage_v"] = Decimal(200)
    with pytest.raises(keeping.TypeRefused, match="other settings another name"):
        keeping.change(el84(), table, None, reason="sheet")


def test_old_grades_keep_their_nominal_and_a_regrade_gives_the_new_one(reference: None, owner: Client) -> None:
    make_policy()
    valve = make_valve(el84())
    old = graded(valve, ia=48, gm=11.3)
    page = owner.get(reverse("type-change", args=["EL84"])).content.decode()
    assert "1 valve in house" in page and "1 grade" in page
    keeping.change(el84(), with_gm(el84(), "16"), None, reason="sheet")
    old.refresh_from_db()
    assert old.current and {row["nominal"] for row in old.measured} == {48, 11.3}
    owner.post(reverse("type-regrade", args=["EL84"]), {"work-out": "1"})
    work_off()
    assert "1 would get another grade" in " ".join(
        owner.get(reverse("type-regrade", args=["EL84"])).content.decode().split()
    )
    owner.post(reverse("type-regrade", args=["EL84"]))
    work_off()
    old.refresh_from_db()
    new = Grade.objects.get(valve=valve, current=True)
    assert not old.current and {row["nominal"] for row in new.measured} == {48, 16} and new.rank > old.rank


def test_names_are_added_and_a_wrong_one_taken_away(reference: None, owner: Client) -> None:
    names = filled(owner, "EL84")["names"].replace("N709", "ZZ84")
    owner.post(reverse("type-change", args=["EL84"]), filled(owner, "EL84", names=names))
    assert ValveType.objects.named("ZZ84").get() == el84()
    assert not ValveType.objects.named("N709").exists()
    load(OURS)
    assert ValveType.objects.named("ZZ84").exists() and not ValveType.objects.named("N709").exists()


def test_a_name_of_another_type_is_refused(reference: None, owner: Client) -> None:
    page = owner.post(reverse("type-change", args=["EL84"]), filled(owner, "EL84", names="ECC83")).content.decode()
    assert "already means 12AX7" in page


def test_any_base_with_any_pins_can_be_described(reference: None, owner: Client) -> None:
    owner.post(reverse("type-new"), {"designation": "QX14", "base": "14 stout pins in two rings"})
    pins = "h, 1:g1, 1:k, 1:a, nc, nc, nc, nc, nc, nc, nc, nc, ic, h"
    changes = {"pins": pins, "s1-kind": "triode", "cathode": "indirect", "heater": "6.3 0.5"}
    sent = owner.post(reverse("type-change", args=["QX14"]), filled(owner, "QX14", **changes))
    assert sent.status_code == 302, re.findall("wrong.*", sent.content.decode())
    basing = Basing.objects.get(types__designation="QX14")
    assert basing.pins.count() == 14 and basing.base_name == "14 stout pins in two rings"
    assert "cathode, section 1" in owner.get("/types/QX14/").content.decode()
    load(OURS)
    assert Basing.objects.get(types__designation="QX14").pins.count() == 14


def test_a_type_goes_to_another_shop_as_a_file(reference: None, owner: Client) -> None:
    keeping.enter({"designation": "QX88", "kind": "double triode", "note": "as heard"}, None)
    keeping.change(el84(), with_gm(el84(), "12"), None, reason="sheet")
    text = owner.get(reverse("types-export")).content.decode()
    ValveType.objects.filter(designation="QX88").delete()
    keeping.follow_reference(el84(), None, reason="another shop")
    upload = SimpleUploadedFile("types.toml", text.encode())
    owner.post(reverse("types-load"), {"file": upload, "reason": "from a friend"})
    assert ValveType.objects.named("QX88").get().note == "as heard" and gm(el84()) == 12


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("type = 3", "two brackets"),
        ("[[tipe]]", "nothing that a file of types holds"),
        ("[[type", "cannot be read"),
        ('[[type]]\ndesignation = "QX1"\nkind = "kettle"', "kettle"),
        ('[[type]]\ndesignation = "QX1"\nbasing = "nowhere"', "nowhere"),
        ('[[type]]\ndesignation = "QX1"\n[[type]]\ndesignation = "---"', "no name"),
    ],
)
def test_a_file_that_cannot_be_is_refused_whole(reference: None, text: str, says: str) -> None:
    with pytest.raises(keeping.TypeRefused, match=says):
        keeping.take_file(text, None, reason="try")
    assert not ValveType.objects.filter(designation="QX1").exists()


def test_only_the_owner_corrects(reference: None, logged_in: Callable[..., Client]) -> None:
    receiver = logged_in(Role.RECEIVING)
    assert receiver.get(reverse("type-change", args=["EL84"])).status_code == 403
    assert receiver.get(reverse("type-new")).status_code == 200


def test_what_the_shop_says_and_what_changed_are_each_others_inverse() -> None:
    reference = OURS.types["EL84"].table
    wanted = {
        **reference,
        "note": "x",
        "aliases": [*reference["aliases"][1:], {"designation": "ZZ84", "source": "memory"}],
    }
    both = in_force(reference, changed(reference, wanted))
    assert {one["designation"] for one in both.pop("aliases")} == {one["designation"] for one in wanted.pop("aliases")}
    assert both == wanted
