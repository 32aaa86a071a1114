"""A valve's marks against its type, its maker's letters and its construction, as the pages say it.

Type codes are those of fixtures/marks.toml; makers, letters and years are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from catalog.models import Alias, RelatedType, ValveType
from stockroom.marks import identity
from stockroom.marks.identity import IdentityError, MarksSeen
from stockroom.marks.pure.identification import YearsKnown
from stockroom.marks.register import Register
from stockroom.models import Entry, KnownConstruction, Line, Maker, SourceCode, Valve
from stockroom.site.people import Role
from tests.factories import make_line, make_type, make_user, make_valve, make_valves, source

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("rowan", Role.RECEIVING)


@pytest.fixture
def client(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.BENCH, Role.RECEIVING)


def alias(type_: ValveType, *names: str) -> None:
    for name in names:
        Alias.objects.create(type=type_, designation=name, source=source())


@pytest.fixture
def type_() -> ValveType:
    """12AX7 beside 12AU7 and EL84, each with the names that its codes and service numbers lead to."""
    alias(make_type("EL84"), "6BQ5")
    alias(make_type("12AU7"), "ECC82", "CV491")
    made = make_type("12AX7")
    alias(made, "ECC83", "CV492")
    return made


@pytest.fixture
def maker() -> Maker:
    return Maker.objects.create(name="Dunvarrow")


@pytest.fixture
def valve(type_: ValveType, maker: Maker) -> Valve:
    return make_valve(line=make_line(type_, 3, maker=maker), maker=maker)


def stamped(valve: Valve, code: str, by: User, **seen: Any) -> list[str]:
    """The open warnings once the valve is recorded with this code."""
    identity.record(valve, MarksSeen(type=valve.type, maker=valve.maker, code=code, **seen), by)
    return sorted(valve.warnings.open().values_list("subject", flat=True))


# Type code and type number


def test_a_type_code_of_another_type_is_the_strongest_sign_of_a_relabel(valve: Valve, by: User, client: Client) -> None:
    assert stamped(valve, "rX2 B5D3", by) == ["type code and print"]
    page = client.get(valve.get_absolute_url()).content.decode()
    assert "A likely re-label: it is taken for 12AX7, but rX2 is the type code of EL84." in page
    assert "type code of EL84" in page and "from memory" in page


@pytest.mark.parametrize("code", ["I61 B5D3", "mC1/B5D", "I61∆5D3", "ZZ1 B5D3", "I61", "rX2"])
def test_a_type_code_that_agrees_is_unknown_or_stands_alone_warns_of_nothing(valve: Valve, by: User, code: str) -> None:
    assert stamped(valve, code, by) == []


@pytest.mark.parametrize("code", ["CV492", "CV 492 KB/D 3/61", "ECC83 731", "JAN 12AX7 1952"])
def test_a_name_of_the_valves_own_type_among_the_marks_agrees(valve: Valve, by: User, code: str) -> None:
    assert stamped(valve, code, by) == []


@pytest.mark.parametrize("code", ["CV491", "ECC82 731", "JAN-CZZ-12AU7 1952", "6BQ5"])
def test_another_types_name_among_the_marks_is_said(valve: Valve, by: User, code: str) -> None:
    assert stamped(valve, code, by) == ["type number among the marks"]


@pytest.mark.parametrize("code", ["5751", "731", "X63", "4-55", "CV9999", "900-5751", "XYZ12345"])
def test_figures_that_can_be_a_date_or_are_nobodys_name_are_held_against_nothing(
    valve: Valve, by: User, code: str
) -> None:
    make_type("5751")
    make_type("X63")
    assert stamped(valve, code, by) == []


def test_figures_that_are_a_date_and_a_types_name_lead_to_no_date(valve: Valve) -> None:
    make_type("5751")
    received = valve.line.lot.received_on
    register = Register()
    assert identity.leader(identity.rank_code("5751", valve.type, received, [], register)) == ""
    assert [one.means for one in register.said("5751", valve.type)] == ["may be a type’s number as well as a date"]


def test_a_type_code_of_the_same_valve_in_another_quality_is_only_said(valve: Valve, by: User) -> None:
    special = make_type("7025")
    RelatedType.objects.create(type=special, other=valve.type, how="special quality", source=source())
    valve.type = special
    valve.save()
    assert stamped(valve, "I61 B5D3", by) == []
    assert "I61 is the type code of 12AX7, near to 7025" in identity.marks_of(valve).unchecked


def test_a_type_put_right_takes_the_warning_away(valve: Valve, by: User) -> None:
    stamped(valve, "rX2 B5D3", by)
    identity.record(valve, MarksSeen(type=make_type("EL84"), maker=valve.maker, code="rX2 B5D3"), by)
    assert not valve.warnings.open().exists()


# Letters and signs of makers


def test_letters_of_a_maker_are_kept_with_it_and_compared_with_the_print(
    client: Client, valve: Valve, maker: Maker, by: User
) -> None:
    stamped(valve, "JAN-CZZ 1952", by)
    assert "the letters CZZ are not in the register" in identity.marks_of(valve).unchecked
    other = Maker.objects.create(name="Brindlemoor")
    typed = {"name": "Brindlemoor", "letters": "czz, KB/D", "plants": "∆ b", "source_codes": "900"}
    page = client.post(reverse("maker-edit", args=[other.pk]), typed, follow=True).content.decode()
    kept = set(other.source_codes.values_list("kind", "code"))
    assert kept == {("letters", "CZZ"), ("letters", "KB/D"), ("plant", "Δ"), ("plant", "b"), ("number", "900")}
    assert "CZZ, KB/D" in page
    assert [one.subject for one in valve.warnings.open()] == ["print and code"]
    assert "the letters CZZ are those of Brindlemoor" in valve.warnings.open().get().reason
    client.post(reverse("maker-edit", args=[other.pk]), {**typed, "letters": ""})
    assert not valve.warnings.open().exists()


def test_the_shops_register_holds_contract_letters_and_k_codes_and_reads_them(
    client: Client, valve: Valve, maker: Maker, by: User
) -> None:
    """Whose letters they are is the shop's word; a stamp typed with spaces around the stroke is looked at again too."""
    other = Maker.objects.create(name="Brindlemoor")
    stamp = "CV492 KB / D 3/61"
    (only, *_) = identity.rank_code(stamp, valve.type, valve.line.lot.received_on, [], Register())
    assert stamped(valve, stamp, by, chosen=only.reading.key) == []
    said = {one.text: one.means for one in Register().said("CV492 KB/D 3/61", valve.type)}
    assert said["KB/D"] == "letters nobody here has"
    client.post(reverse("maker-edit", args=[other.pk]), {"name": "Brindlemoor", "letters": "/d CBM"})
    assert "the letters KB/D are those of Brindlemoor" in valve.warnings.open().get().reason
    assert {one.text: one.means for one in Register().said("JAN-CBM K/D", valve.type)} == {
        "CBM": "letters of Brindlemoor",
        "K/D": "letters of Brindlemoor",
    }
    client.post(reverse("maker-edit", args=[maker.pk]), {"name": "Dunvarrow", "letters": "KB/D"})
    assert not valve.warnings.open().exists()


def test_the_page_lists_what_came_with_the_program_with_its_sources(client: Client) -> None:
    page = client.get(reverse("type-codes")).content.decode()
    assert "GZ37" in page and "Heerlen, the Netherlands" in page and "platycerus.hatenablog.com" in page


@pytest.mark.parametrize(
    ("typed", "message"), [({"letters": "K8/D"}, "“K8/D” is not of this kind"), ({"plants": "BB"}, "no plant sign")]
)
def test_letters_of_no_known_shape_are_refused(
    client: Client, maker: Maker, typed: dict[str, str], message: str
) -> None:
    page = client.post(reverse("maker-edit", args=[maker.pk]), {"name": "Dunvarrow", **typed}).content.decode()
    assert message in page and not SourceCode.objects.exists()


def test_a_colleagues_codes_stay_when_a_maker_is_saved_from_an_older_page(client: Client, maker: Maker) -> None:
    identity.set_source_codes(maker, ["900", "901"], None)
    old = {"name": "Dunvarrow", "initial-name": "Dunvarrow", "source_codes": "", "initial-source_codes": ""}
    client.post(reverse("maker-edit", args=[maker.pk]), {**old, "note": "saved from an older page"})
    assert [one.code for one in maker.source_codes.all()] == ["900", "901"]


# Construction has years


def test_a_feature_with_years_dates_a_valve_without_a_code(
    client: Client, valve: Valve, maker: Maker, by: User
) -> None:
    typed = {"seen": "getter shape|halo", "type": "", "first_year": "1958", "last_year": "1966", "note": "cartons"}
    page = client.post(reverse("maker-learn", args=[maker.pk]), typed, follow=True).content.decode()
    assert "1958 to 1966" in page
    stamped(valve, "", by, features={"getter shape": "halo"})
    said = "1958 to 1966, by its construction (getter shape halo 1958 to 1966)"
    for address in (valve.get_absolute_url(), reverse("valve-identify", args=[valve.serial])):
        assert said in client.get(address).content.decode()
    line = valve.line
    assert said in client.get(reverse("line-marks", args=[line.lot.number, line.number])).content.decode()


def test_a_code_outside_the_years_of_a_feature_is_warned_of_and_the_years_settle_an_open_one(
    valve: Valve, maker: Maker, by: User
) -> None:
    identity.learn(maker, valve.type, "getter shape", "halo", "", by, YearsKnown(1958, 1966))
    halo = {"features": {"getter shape": "halo"}}
    assert stamped(valve, "JUN 1953", by, **halo) == ["date and construction"]
    assert stamped(valve, "JUN 1960", by, **halo) == []
    alternatives = identity.marks_of(valve).reading.alternatives  # type: ignore[union-attr]
    assert any("its construction is of 1958 to 1966 (+2)" in one["reasons"] for one in alternatives)


def test_what_is_known_of_the_type_itself_goes_before_what_is_known_of_every_type(
    valve: Valve, maker: Maker, by: User
) -> None:
    identity.learn(maker, None, "getter shape", "halo", "", by, YearsKnown(1950, None))
    identity.learn(maker, valve.type, "getter shape", "halo", "", by, YearsKnown(1958, 1966))
    known = Register().maker("Dunvarrow", valve.type_id)
    assert known and known.built == {("getter shape", "halo"): YearsKnown(1958, 1966)}


def test_years_said_again_are_corrected_in_place_and_years_turned_round_are_refused(maker: Maker, by: User) -> None:
    for years in (YearsKnown(1958, 1966), YearsKnown(1957, 1966)):
        identity.learn(maker, None, "mica", "square", "", by, years)
    assert KnownConstruction.objects.get().first_year == 1957
    assert Entry.objects.filter(action="maker-changed").count() == 2
    with pytest.raises(IdentityError, match="1957 is before 1966"):
        identity.learn(maker, None, "mica", "square", "", by, YearsKnown(1966, 1957))


# Two people at one valve


def shown(page: Any) -> dict[str, str]:
    """All that the page would send untouched, with what it had shown."""
    form = page.context["form"]
    fields = {bound.html_name: bound.value() or "" for bound in form}
    names = {bound.html_initial_name: bound for bound in form if bound.field.show_hidden_initial}
    hidden = {name: form.data.get(name, bound.value() or "") for name, bound in names.items()}
    return {**fields, **hidden, "shown": form.token, "reading": form.chosen, "initial-reading": form.shown_reading}


def test_two_people_who_write_down_different_marks_of_one_valve_keep_both(client: Client, valve: Valve) -> None:
    address = reverse("valve-identify", args=[valve.serial])
    mine, hers = shown(client.get(address)), shown(client.get(address))
    client.post(address, {**hers, "feature mica": "square", "pack_marks": "LOT 7", "maker": "Halvory"})
    client.post(address, {**mine, "condition print": "worn", "note": "a scratch"})
    valve.refresh_from_db()
    assert dict(valve.features.values_list("feature", "word")) == {"mica": "square"}
    assert (valve.condition.print, valve.condition.note, valve.condition.pack_marks) == ("worn", "a scratch", "LOT 7")
    assert str(valve.maker) == "Halvory"


def test_a_code_that_a_colleague_has_read_meanwhile_is_left_alone(client: Client, valve: Valve, by: User) -> None:
    address = reverse("valve-identify", args=[valve.serial])
    mine = shown(client.get(address))
    key = "YEAR_WEEK||week 18 of 1961"
    identity.record(valve, MarksSeen(type=valve.type, maker=valve.maker, code="118", chosen=key), by)
    again = shown(client.get(address))
    assert client.post(address, {**mine, "feature mica": "square"}).status_code == 302
    assert client.post(address, {**again, "condition print": "worn"}).status_code == 302
    valve.refresh_from_db()
    assert (valve.date_code, valve.date_readings.get().words) == ("118", "week 18 of 1961")


def test_the_same_field_changed_by_two_is_asked_about(client: Client, valve: Valve) -> None:
    address = reverse("valve-identify", args=[valve.serial])
    mine, hers = shown(client.get(address)), shown(client.get(address))
    client.post(address, {**hers, "feature mica": "square"})
    page = client.post(address, {**mine, "feature mica": "notched"})
    assert "Somebody has changed this to “square” while the page was open" in page.content.decode()
    assert valve.features.get().word == "square"
    client.post(address, {**shown(page), "feature mica": "notched"})
    assert valve.features.get().word == "notched"


def test_the_same_code_read_in_two_ways_is_asked_about(client: Client, valve: Valve, by: User) -> None:
    address = reverse("valve-identify", args=[valve.serial])
    identity.record(valve, MarksSeen(type=valve.type, maker=valve.maker, code="118"), by)
    mine, hers = shown(client.get(address)), shown(client.get(address))
    client.post(address, {**hers, "reading": "YEAR_WEEK||week 18 of 1961"})
    page = client.post(address, {**mine, "reading": "YEAR_WEEK||week 18 of 1971"})
    assert "Somebody has read this as week 18 of 1961 meanwhile" in page.content.decode()
    assert valve.date_readings.get(current=True).words == "week 18 of 1961"


def test_a_line_without_type_words_costs_no_reading_of_the_names(
    type_: ValveType, by: User, django_assert_max_num_queries: Any
) -> None:
    line: Line = make_line(type_, 5)
    valves = make_valves(line=line, count=5)
    with django_assert_max_num_queries(30):
        identity.spread(valves, MarksSeen(code="900-5731"), by)


# Glass that nobody had read


def test_a_piece_that_was_not_identified_is_named_and_may_be_of_a_type_never_met(client: Client, by: User) -> None:
    line = make_line(ValveType.objects.not_identified(), 2)
    valve = make_valve(line=line)
    address = reverse("valve-identify", args=[valve.serial])
    page = client.post(address, {**shown(client.get(address)), "type": "QX99"})
    assert "It is not on file: enter it as a new type" in page.content.decode()
    client.post(address, {**shown(page), "type": "QX99", "new_type": "on"})
    valve.refresh_from_db()
    assert (valve.type.designation, valve.line.type.is_identified) == ("QX99", False)
