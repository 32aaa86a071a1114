"""What somebody types of a type is read, kept whole or refused with words: nothing is lost, nothing lands elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from catalog.loading import load
from catalog.models import Basing, Source, TypeVersion, ValveType
from catalog.naming import name_read
from catalog.reference import files
from catalog.reference.rows import Reference
from stockroom.models import Counter, Line
from stockroom.site.people import Role
from stockroom.types import keeping
from stockroom.types.forms import read_heaters
from tests.factories import make_line, make_lot, make_type, source
from tests.types.test_the_shops_own_word import OURS, el84, filled, gm, newer, with_gm

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.OWNER)


def entered(client: Client, name: str, **fields: str) -> str:
    """What the page says after a type of this name was sent."""
    source()
    return client.post(reverse("type-new"), {"designation": name, **fields}, follow=True).content.decode()


# A new type


@pytest.mark.parametrize(
    ("typed", "volts", "amperes"),
    [
        ("6.3 V 300 mA", "6.3", "0.3"),
        ("6,3V/0,3A", "6.3", "0.3"),
        ("6,3 V, 0,3 A", "6.3", "0.3"),
        ("7 V at 300mA", "7", "0.3"),
        ("6.3 0.5", "6.3", "0.5"),
        ("6.3V0.3A", "6.3", "0.3"),
    ],
)
def test_a_heater_is_read_as_people_write_it(typed: str, volts: str, amperes: str) -> None:
    (heater,) = read_heaters(typed)
    assert (heater["voltage_v"], heater["current_a"]) == (Decimal(volts), Decimal(amperes))


def test_two_heaters_are_read_with_their_wiring() -> None:
    assert read_heaters("12.6 V 150 mA series; 6.3 V 0.3 A parallel") == [
        {"wiring": "series", "voltage_v": Decimal("12.6"), "current_a": Decimal("0.15")},
        {"wiring": "parallel", "voltage_v": Decimal("6.3"), "current_a": Decimal("0.3")},
    ]


@pytest.mark.parametrize("typed", ["6.3.3 V 0.3 A", ". .", "6.3 V", "300 mA", "6.3 V 0.3 A 1"])
def test_a_heater_that_cannot_be_read_is_said_and_kept(owner: Client, typed: str) -> None:
    page = entered(owner, "QX1", heater=typed)
    assert "give volts and amperes" in page and f'value="{typed}"' in page
    assert not ValveType.objects.exists()


def test_two_names_typed_in_one_are_two_names_of_the_new_type(owner: Client) -> None:
    for name in ("PYX88/7ZZ8", "PYX89 (CV77777)"):
        entered(owner, name)
    for name in ("PYX88", "7ZZ8", "PYX88/7ZZ8", "PYX89", "CV77777", "PYX89 (CV77777)"):
        assert ValveType.objects.named(name).exists(), name
    assert set(ValveType.objects.values_list("designation", flat=True)) == {"PYX88", "PYX89"}


def test_two_names_on_a_new_line_stay_as_written_and_find_it(logged_in: Callable[..., Client]) -> None:
    source()
    receiver, lot = logged_in(Role.RECEIVING), make_lot()
    typed = {"type": "PYX88/7ZZ8", "condition": "used", "expected": "4", "weight": "1", "new_type": "on"}
    receiver.post(reverse("line-new", args=[lot.number]), typed)
    line = Line.objects.select_related("type").get()
    assert (line.type.designation, line.called) == ("PYX88", "PYX88/7ZZ8")
    receiver.post(reverse("line-edit", args=[lot.number, 1]), {**typed, "expected": "5"})
    line.refresh_from_db()
    assert (line.expected, ValveType.objects.count()) == (5, 1)


def test_a_new_type_of_two_names_one_of_which_is_another_types_is_refused(reference: None, owner: Client) -> None:
    page = entered(owner, "PCX99/ECC83")
    assert "“ECC83” already means 12AX7" in page
    assert not ValveType.objects.filter(designation__startswith="PCX99").exists()


@pytest.mark.parametrize(
    "name", ["new", "QX/versions", "QX/change", "QX/../2", "QX//2", "unknown", "not identified", "?"]
)
def test_a_name_whose_page_nobody_could_open_is_refused(owner: Client, name: str) -> None:
    assert "is no name of a type" in entered(owner, name)
    assert not ValveType.objects.exists()


def test_a_name_that_is_too_long_in_latin_letters_is_said_in_words(owner: Client) -> None:
    assert "is no name of a type" in entered(owner, "Щ" * 20)


def test_a_base_is_known_by_any_of_its_words(owner: Client) -> None:
    for name, base in (("QX1", "noval"), ("QX2", "B9A"), ("QX3", "Noval, 9 pins (B9A)"), ("QX4", "loctal")):
        entered(owner, name, base=base)
    bases = dict(ValveType.objects.values_list("designation", "basing__base"))
    assert bases == {"QX1": "B9A", "QX2": "B9A", "QX3": "B9A", "QX4": "loctal"}


def test_two_bases_that_begin_alike_stay_two(owner: Client) -> None:
    first, second = "stout pins in two rings, first sort", "stout pins in two rings, other sort"
    entered(owner, "QX1", base=first)
    entered(owner, "QX2", base=second)
    assert dict(ValveType.objects.values_list("designation", "basing__base")) == {"QX1": first, "QX2": second}


# The box at the top


@pytest.mark.parametrize("name", ["A2900", "B1152", "C3101", "L4711", "R1155", "S2001"])
def test_a_type_named_like_one_of_our_numbers_is_found_in_the_box(owner: Client, name: str) -> None:
    page = owner.get(reverse("find"), {"q": name}, follow=True)
    assert page.status_code == 200 and f"{reverse('type-new')}?name={name}" in page.content.decode()
    entered(owner, name)
    assert owner.get(reverse("find"), {"q": name})["Location"] == reverse("type", args=[name])


def test_our_own_number_comes_before_a_type_of_that_name(owner: Client) -> None:
    entered(owner, "R1155")
    Counter.take("order", 1155)
    assert owner.get(reverse("find"), {"q": "r1155"})["Location"] == reverse("order", args=["R1155"])


@pytest.mark.parametrize("name", ["7551", "6146-1", "45"])
def test_a_type_of_figures_alone_that_is_not_on_file_can_be_entered_from_the_box(owner: Client, name: str) -> None:
    page = owner.get(reverse("find"), {"q": name}, follow=True).content.decode()
    assert f"{reverse('type-new')}?name={name}" in page and "a serial has 8" in page


# Correcting


def test_a_field_that_is_emptied_stays_empty(reference: None, owner: Client) -> None:
    load(newer(note="wrong", table={"note": "wrong"}))
    owner.post(reverse("type-change", args=["EL84"]), filled(owner, "EL84", note="", heater=""))
    assert el84().note == "" and not el84().heaters.exists()
    load(newer(note="wrong again", table={"note": "wrong again"}))
    assert el84().note == "" and not el84().heaters.exists()
    assert "wrong again" in owner.get(reverse("type-versions", args=["EL84"])).content.decode()


def test_pins_without_a_base_are_not_lost(reference: None, owner: Client) -> None:
    entered(owner, "QX1")
    page = owner.post(
        reverse("type-change", args=["QX1"]), filled(owner, "QX1", pins="h, 1:k, 1:a, h")
    ).content.decode()
    assert "which base" in page and "h, 1:k, 1:a, h" in page


def test_a_wrong_base_is_taken_away(reference: None, owner: Client) -> None:
    entered(owner, "QX1", base="octal")
    owner.post(reverse("type-change", args=["QX1"]), filled(owner, "QX1", base=""))
    assert ValveType.objects.get(designation="QX1").basing is None
    load(OURS)
    assert ValveType.objects.get(designation="QX1").basing is None


def test_a_name_that_is_taken_away_is_no_longer_what_the_shop_calls_it(reference: None, owner: Client) -> None:
    owner.post(reverse("type-call", args=["EL84"]), {"name": "N709"})
    assert str(el84()) == "N709"
    names = filled(owner, "EL84")["names"].replace("N709", "ZZ84")
    owner.post(reverse("type-change", args=["EL84"]), filled(owner, "EL84", names=names))
    assert str(el84()) == "EL84"


def test_what_another_changed_meanwhile_is_not_overwritten_unseen(reference: None, owner: Client) -> None:
    shown = filled(owner, "EL84", note="ours")
    keeping.change(el84(), with_gm(el84(), "12"), None, reason="the other's sheet")
    page = owner.post(reverse("type-change", args=["EL84"]), shown).content.decode()
    assert "while the page was open" in page and 'value="ours"' in page and gm(el84()) == 12


def test_a_publication_that_is_not_on_the_list_can_be_cited(reference: None, owner: Client) -> None:
    cited = {"s1p0-gm_ma_per_v": "12", "another": "Sheet in the box, 1958", "at": "page 2"}
    owner.post(reverse("type-change", args=["EL84"]), filled(owner, "EL84", **cited))
    point = el84().sections.get().test_point
    assert point is not None and point.cited == "Sheet in the box, 1958, page 2"
    owner.post(reverse("type-change", args=["EL84"]), filled(owner, "EL84", **{**cited, "s1p0-gm_ma_per_v": "13"}))
    assert Source.objects.filter(title="Sheet in the box, 1958").count() == 1


def test_settings_said_twice_are_one_section_put_right(reference: None, logged_in: Callable[..., Client]) -> None:
    entered(logged_in(Role.RECEIVING), "QX1")
    bench = logged_in(Role.BENCH)
    said = {"kind": "triode", "sections": 2, "anode_voltage_v": 90, "grid_voltage_v": "-1.3"}
    for volts in (90, 120, 120):
        bench.post(reverse("type-settings", args=["QX1"]), {**said, "anode_voltage_v": volts})
    sections = ValveType.objects.get(designation="QX1").sections.all()
    assert [section.kind for section in sections] == ["triode", "triode"]
    assert [point.name for point in sections[0].test_points.all()] == ["120 V, as set here", "90 V, as set here"]


# A newer reference, and another shop's file


def test_a_name_that_the_shop_gave_stays_when_a_newer_reference_gives_it_to_another(reference: None) -> None:
    wanted = keeping.table_in_force(el84())
    wanted["aliases"] = [*wanted["aliases"], {"designation": "ZZ84", "source": "memory"}]
    keeping.change(el84(), wanted, None, reason="on the carton")
    other = make_type("QX1")
    table = {"designation": "QX1", "kind": "triode", "aliases": [{"designation": "ZZ84", "source": "memory"}]}
    types = {**OURS.types, "QX1": files.read_type(table, "test", {"memory"}, {})}
    both = Reference(OURS.sources, OURS.basings, types, OURS.by_name)
    loaded = load(both)
    assert ValveType.objects.named("ZZ84").get() == el84() != other
    assert "ZZ84 is EL84 here, not QX1." in loaded.left


def _kin_of(name: str, other: str) -> None:
    kin = {"designation": other, "how": "near", "note": "taller", "source": "memory"}
    table = {"designation": name, "related": [kin]}
    keeping.change(ValveType.objects.get(designation=name), table, None, reason="x")


def test_types_that_name_each_other_go_in_one_file(reference: None, owner: Client) -> None:
    for name in ("QX1", "QX2"):
        keeping.enter({"designation": name}, None)
    for name, other in (("QX1", "QX2"), ("QX2", "QX1")):
        _kin_of(name, other)
    text = owner.get(reverse("types-export")).content.decode()
    ValveType.objects.filter(designation__in=["QX1", "QX2"]).delete()
    page = _loaded(owner, text)
    assert "Kept: QX1, QX2." in page
    assert ValveType.objects.get(designation="QX1").related.get().other.designation == "QX2"


def test_a_kin_that_is_not_on_file_here_is_left_out_and_said(reference: None, owner: Client) -> None:
    for name in ("QX1", "QX2"):
        keeping.enter({"designation": name}, None)
    _kin_of("QX1", "QX2")
    text = owner.get(reverse("type-export", args=["QX1"])).content.decode()
    ValveType.objects.filter(designation__in=["QX1", "QX2"]).delete()
    page = _loaded(owner, text)
    assert "Kept: QX1." in page and "QX2" in page and "not on file" in page


def test_a_file_leaves_the_basing_that_other_types_share_and_the_names_given_here(
    reference: None, owner: Client
) -> None:
    """Another shop's file says otherwise of the basing: EL84 has it from now on, its neighbours keep theirs."""
    wanted = keeping.table_in_force(el84())
    wanted["aliases"] = [*wanted["aliases"], {"designation": "ZZ84", "source": "memory"}]
    keeping.change(el84(), wanted, None, reason="on the carton")
    basing = el84().basing
    assert basing is not None
    neighbour = basing.types.exclude(designation="EL84").first()
    assert neighbour is not None
    as_was = [pin.electrodes for pin in basing.pins.all()]
    text = keeping.as_file([el84()]).replace("ZZ84", "ZZ85").replace('"ic"', '"nc"', 1)
    assert text != keeping.as_file([el84()])
    _loaded(owner, text)
    neighbour.refresh_from_db()
    assert neighbour.basing is not None
    assert [pin.electrodes for pin in neighbour.basing.pins.all()] == as_was
    assert el84().basing != neighbour.basing
    assert ValveType.objects.named("ZZ84").get() == ValveType.objects.named("ZZ85").get() == el84()


def test_a_file_that_files_a_type_under_another_of_its_names_is_of_the_type_on_file(
    reference: None, owner: Client
) -> None:
    text = '[[type]]\ndesignation = "6BQ5"\nnote = "theirs"\naliases = [{ designation = "EL84", source = "memory" }]\n'
    assert "Kept: EL84." in _loaded(owner, text)
    assert el84().note == "theirs"


def test_a_source_of_the_same_key_but_another_title_is_kept_apart(reference: None, owner: Client) -> None:
    key, title = Source.objects.exclude(kind="memory").values_list("key", "title")[0]
    text = (
        f'[[source]]\nkey = "{key}"\ntitle = "Another book altogether"\nkind = "data sheet"\n'
        f'[[type]]\ndesignation = "QX1"\nheaters = [{{ voltage_v = 6.3, current_a = 0.3 }}]\nheater_source = "{key}"\n'
    )
    _loaded(owner, text)
    cited = ValveType.objects.get(designation="QX1").heater_source
    assert cited is not None and cited.title == "Another book altogether"
    assert Source.objects.get(key=key).title == title


def _loaded(owner: Client, text: str) -> str:
    upload = SimpleUploadedFile("types.toml", text.encode())
    said = {"file": upload, "reason": "from a friend"}
    return owner.post(reverse("types-load"), said, follow=True).content.decode()


def test_a_loaded_basing_that_is_the_same_leaves_no_copy_of_its_own(reference: None, owner: Client) -> None:
    """A later reference may correct the basing for every type on it."""
    before = Basing.objects.count()
    _loaded(owner, keeping.as_file([el84()]).replace("11.3", "12", 1))
    assert Basing.objects.count() == before and gm(el84()) == 12
    says = el84().versions.filter(origin=TypeVersion.Origin.SHOP)[0].says
    assert "[[basing]]" not in says


def test_words_for_unread_glass_are_the_same_on_a_form_and_in_a_list(logged_in: Callable[..., Client]) -> None:
    receiver, line = logged_in(Role.RECEIVING), make_line(make_type(), 3)
    typed = {"type": "Assorted", "condition": "used", "expected": "4", "weight": "1"}
    receiver.post(reverse("line-new", args=[line.lot.number]), typed)
    assert not line.lot.lines.get(number=2).type.is_identified


# What a carton says of two valves at once


@pytest.mark.parametrize(
    ("typed", "type_"),
    [("6L6GC/5881", "6L6GC"), ("5881/6L6WGC", "5881"), ("KT66/6L6GC", "KT66"), ("6AS7G/6080", "6AS7G")],
)
def test_a_carton_with_the_names_of_two_kin_is_of_the_first_and_keeps_both(
    reference: None, logged_in: Callable[..., Client], typed: str, type_: str
) -> None:
    receiver, lot = logged_in(Role.RECEIVING), make_lot()
    sent = {"type": typed, "condition": "used", "expected": "4", "weight": "1"}
    receiver.post(reverse("line-new", args=[lot.number]), sent)
    line = Line.objects.select_related("type").get()
    assert (line.type.designation, line.called) == (type_, typed)
    found = ValveType.objects.read_as(typed)
    assert found is not None and "a type of its own" in found.why


def test_a_heater_that_differs_is_said_where_the_first_of_two_kin_is_taken(reference: None) -> None:
    found = ValveType.objects.read_as("KT66/6L6GC")
    assert found is not None and "heater" in found.why


@pytest.mark.parametrize("typed", ["12AX7/12AU7", "EL34/EL84", "PCC88/PCC89"])
def test_two_names_of_no_kin_mean_no_type(reference: None, typed: str) -> None:
    assert ValveType.objects.read_as(typed) is None


def test_two_numbers_behind_the_same_letters_are_two_names(reference: None) -> None:
    found = ValveType.objects.read_as("PCL805/85")
    assert found is not None and ValveType.objects.get(pk=found.key).designation == "PCL805"


def test_a_makers_own_suffix_is_told_and_never_taken_for_certain(reference: None) -> None:
    assert ValveType.objects.read_as("12AX7LPS") is None
    read = name_read("12AX7LPS")
    assert read is not None and read.near[0].designation == "12AX7" and "LPS: a maker's own suffix" in read.near[0].why


def test_a_name_with_a_question_mark_that_a_list_has_as_new_is_the_one_on_file(
    reference: None, logged_in: Callable[..., Client]
) -> None:
    receiver, lot = logged_in(Role.RECEIVING), make_lot()
    sent = SimpleUploadedFile("list.csv", b"Type,Condition,Qty\nECC83?,used,2\nQX88?,used,1\nKT66/6L6GC,used,1\n")
    page = receiver.post(reverse("lot-import", args=[lot.number]), {"file": sent})["Location"]
    preview = reverse("lot-import-preview", args=[lot.number, int(page.rstrip("/").rsplit("/", 1)[1])])
    receiver.post(preview, {"new ecc83?": "on", "new qx88?": "on"})
    shown = receiver.get(preview).content.decode()
    assert "ECC83 (12AX7)" in shown and "KT66/6L6GC (KT66)" in shown
    receiver.post(preview.replace("preview", "take-in"))
    lines = Line.objects.select_related("type").order_by("number")
    assert [line.called_and_type for line in lines] == ["ECC83 (12AX7)", "QX88", "KT66/6L6GC (KT66)"]


@pytest.mark.parametrize(
    "says",
    [
        "heaters = 3",
        "section = [1]",
        "aliases = [{ designation = 3 }]",
        "basing = [1]",
        '[[type.section]]\nkind = "pentode"\ntest_point = 3',
        '[[type.section]]\nkind = "pentode"\n[[type.section.test_point]]\nx = 1',
    ],
)
@pytest.mark.parametrize("name", ["EL84", "QX1"])
def test_a_file_whose_rows_are_of_no_shape_is_refused_with_words(reference: None, name: str, says: str) -> None:
    with pytest.raises(keeping.TypeRefused):
        keeping.take_file(f'[[type]]\ndesignation = "{name}"\n{says}\n', None, reason="try")
