"""Identifying a valve: its code is read in every way, one is chosen, and what does not agree is said.

Makers, source codes and dates are invented; the types' years are set by the tests.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from catalog.loading import first_years_changed, load
from catalog.models import Source, ValveType
from catalog.reference.rows import Reference
from stockroom.marks import identity
from stockroom.marks.identity import DealtWithAlready, MarksSeen, NoSuchReading, Register
from stockroom.marks.pure.construction import FEATURES, UnknownWord
from stockroom.marks.pure.datecodes import Form
from stockroom.models import DateReading, Entry, Line, Maker, MarkWarning, SeenFeature, SourceCode, Valve
from stockroom.models.identity import read_alternative
from stockroom.site.people import Role
from tests.factories import graded, make_line, make_type, make_user, make_valve, make_valves
from tests.keyboard import Keyboard
from tests.reference import cut_down, the_reference

pytestmark = pytest.mark.django_db

WEEK_18 = "EIA|900|week 18 of 1961"


@pytest.fixture
def by() -> User:
    return make_user("rowan", Role.RECEIVING)


@pytest.fixture
def type_() -> ValveType:
    made = make_type()
    made.first_registered = 1947
    made.first_registered_source = Source.objects.create(key="book", title="A made-up handbook", kind="handbook")
    made.save()
    return made


@pytest.fixture
def makers(db: None) -> tuple[Maker, Maker]:
    """Dunvarrow has the number 900, Brindlemoor 901."""
    ours = Maker.objects.create(name="Dunvarrow", first_year=1938, last_year=1968)
    other = Maker.objects.create(name="Brindlemoor")
    SourceCode.objects.create(maker=ours, code="900")
    SourceCode.objects.create(maker=other, code="901")
    return ours, other


@pytest.fixture
def line(type_: ValveType, makers: tuple[Maker, Maker]) -> Line:
    return make_line(type_, 6, maker=makers[0])


@pytest.fixture
def valve(line: Line) -> Valve:
    return make_valve(line=line, maker=line.maker)


def marks_seen(valve: Valve, **seen_marks: Any) -> MarksSeen:
    return MarksSeen(**{"type": valve.type, "maker": valve.maker, **seen_marks})


def subjects(valve: Valve) -> list[str]:
    return sorted(valve.warnings.open().values_list("subject", flat=True))


# What is kept


def test_the_chosen_reading_keeps_every_other_with_its_points_and_reasons(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="118", chosen="YEAR_WEEK||week 18 of 1961"), by)
    saved = valve.date_readings.get()
    assert (saved.words, str(saved.earliest)[:4], saved.current) == ("week 18 of 1961", "1961", True)
    words = [one["words"] for one in saved.alternatives]
    assert {"week 18 of 1951", "week 18 of 1971", "source code 118, no date"} <= set(words)
    assert any("before 12AX7 was first registered or sold, 1947 (-4)" in one["reasons"] for one in saved.alternatives)
    assert all(read_alternative(one).words == one["words"] for one in saved.alternatives)


def test_another_choice_takes_the_place_of_the_first_and_leaves_it_on_record(valve: Valve, by: User) -> None:
    for year in (1961, 1951):
        identity.record(valve, marks_seen(valve, code="118", chosen=f"YEAR_WEEK||week 18 of {year}"), by)
    assert [(one.words, one.current) for one in valve.date_readings.all()] == [
        ("week 18 of 1951", True),
        ("week 18 of 1961", False),
    ]


def test_the_same_sheet_twice_is_no_news(valve: Valve, by: User) -> None:
    seen_marks = marks_seen(
        valve, code="900-6118", chosen=WEEK_18, features={"mica": "notched"}, condition={"print": "worn"}
    )
    assert identity.record(valve, seen_marks, by)
    assert not identity.record(valve, seen_marks, by)
    assert (valve.date_readings.count(), Entry.objects.filter(action="identified").count()) == (1, 1)


def test_an_undecided_code_keeps_all_it_may_mean(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="118"), by)
    saved = valve.date_readings.get()
    assert saved.reading is None and len(saved.readings) == len(saved.alternatives) > 5


def test_a_code_that_no_rule_reads_is_kept_as_it_is_stamped(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="⊙ 7K~2"), by)
    valve.refresh_from_db()
    assert valve.date_code == "⊙ 7K~2" and valve.date_readings.get().alternatives == []


def test_a_reading_that_the_code_cannot_have_is_refused(valve: Valve, by: User) -> None:
    with pytest.raises(NoSuchReading, match="cannot be read so"):
        identity.record(valve, marks_seen(valve, code="118", chosen="EIA|900|week 3 of 1952"), by)
    assert not DateReading.objects.exists()


def test_an_emptied_field_is_taken_back(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="118", features={"glass": "clear"}, condition={"print": "worn"}), by)
    identity.record(valve, marks_seen(valve), by)
    valve.refresh_from_db()
    assert valve.date_code == "" and not valve.features.exists() and valve.condition.print == ""
    assert not valve.date_readings.filter(current=True).exists() and valve.date_readings.count() == 1
    text = str(Entry.objects.filter(action="identified").first())
    assert "code as stamped 118 → –" in text and "glass clear → –" in text and "print worn → –" in text


def test_a_word_that_is_not_on_the_lists_is_refused(valve: Valve) -> None:
    for wrong in (
        {"features": {"getter shape": "enormous"}},
        {"features": {"colour of money": "green"}},
        {"condition": {"print": "halo"}},
    ):
        with pytest.raises(UnknownWord, match="There are: "):
            marks_seen(valve, **wrong)


def test_a_changed_type_withdraws_the_grade_and_the_code_is_ranked_anew(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="118", chosen="YEAR_WEEK||week 18 of 1961"), by)
    graded(valve)
    other = make_type("12AT7")
    identity.record(valve, marks_seen(valve, type=other, code="118", chosen="YEAR_WEEK||week 18 of 1961"), by)
    valve.refresh_from_db()
    assert valve.type == other and not valve.grades.filter(current=True).exists()
    first, second = valve.date_readings.order_by("pk")
    assert [one["points"] for one in first.alternatives] != [one["points"] for one in second.alternatives]


# The line's other valves


def test_the_lines_other_valves_put_their_decade_first(valve: Valve, by: User) -> None:
    for other in make_valves(line=valve.line, count=2):
        identity.record(other, MarksSeen(code="900-6120", chosen="EIA|900|week 20 of 1961"), by)
    ranked = identity.rank_code(
        "118", valve.type, valve.line.lot.received_on, identity.others_of_line(valve.line, [valve.pk]), Register()
    )
    assert ranked[0].reading.detail == "week 18 of 1961" and identity.leader(ranked) == ranked[0].reading.key
    assert "2 of 2 other valves of the line can be read like it (+3)" in ranked[0].reasons


def test_nothing_leads_where_the_first_two_have_the_same_points(valve: Valve) -> None:
    ranked = identity.rank_code("118", valve.type, valve.line.lot.received_on, [], Register())
    assert ranked[0].points == ranked[1].points and identity.leader(ranked) == ""


def test_a_whole_line_is_recorded_alike_where_nothing_was_recorded(valve: Valve, by: User) -> None:
    others = make_valves(line=valve.line, count=3)
    identity.record(others[0], MarksSeen(code="118", features={"glass": "blue"}), by)
    seen_marks = MarksSeen(
        code="900-6118", chosen=WEEK_18, features={"glass": "clear", "mica": "notched"}, condition={"print": "worn"}
    )
    assert identity.spread(Valve.objects.filter(line=valve.line), seen_marks, by) == 4
    codes = dict(Valve.objects.values_list("serial", "date_code"))
    assert codes.pop(others[0].serial) == "118" and set(codes.values()) == {"900-6118"}
    assert set(SeenFeature.objects.filter(valve=others[0]).values_list("feature", "word")) == {
        ("glass", "blue"),
        ("mica", "notched"),
    }
    assert identity.spread(Valve.objects.filter(line=valve.line), seen_marks, by, over=True) == 1
    assert set(Valve.objects.values_list("date_code", flat=True)) == {"900-6118"}


def test_what_the_sheet_leaves_empty_is_left_alone_on_the_line_and_so_is_the_type(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="118", condition={"print": "worn"}), by)
    identity.spread([valve], MarksSeen(type=make_type("12AT7"), features={"glass": "clear"}), by, over=True)
    valve.refresh_from_db()
    assert (str(valve.type), valve.date_code, valve.condition.print) == ("12AX7", "118", "worn")


def test_the_queries_do_not_grow_with_the_line(line: Line, by: User, django_assert_max_num_queries: Any) -> None:
    make_valves(line=line, count=90)
    seen_marks = MarksSeen(
        maker=line.maker,
        code="901-6118",
        chosen="EIA|901|week 18 of 1961",
        features={"glass": "clear"},
        condition={"print": "worn"},
    )
    with django_assert_max_num_queries(40):
        identity.spread(Valve.objects.filter(line=line), seen_marks, by)
    assert MarkWarning.objects.open().count() == 90


# Warnings


def test_print_and_code_that_differ_are_a_likely_relabel_and_no_verdict(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="901-6118", chosen="EIA|901|week 18 of 1961"), by)
    shown = identity.marks_of(valve)
    assert shown.sentence.startswith("A likely re-label: the print says Dunvarrow, but source code 901 is that of Brin")
    assert "not that anything is false" in shown.sentence
    assert "A likely re-label" in Entry.objects.get(action="marks-disagree").text


def test_construction_date_and_pack_are_compared(valve: Valve, by: User) -> None:
    assert valve.maker is not None
    identity.learn(valve.maker, valve.type, "getter shape", "square", "", by)
    seen_marks = marks_seen(
        valve,
        code="1946-11",
        chosen="YEAR_MONTH||November 1946",
        features={"getter shape": "halo"},
        pack_marks="contract 77, packed JAN 1940",
    )
    identity.record(valve, seen_marks, by)
    assert subjects(valve) == ["a feature of construction", "date and pack", "date and type"]


def test_a_code_of_several_meanings_has_the_benefit_of_each(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="118"), by)
    assert subjects(valve) == []
    identity.record(valve, marks_seen(valve, code="118", chosen="YEAR_WEEK||week 18 of 1941"), by)
    assert subjects(valve) == ["date and type"]


def test_a_warning_clears_when_the_marks_agree_and_stays_in_the_history(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="901-6118", chosen="EIA|901|week 18 of 1961"), by)
    identity.record(valve, marks_seen(valve, code="900-6118", chosen=WEEK_18), by)
    warning = valve.warnings.get()
    assert warning.cleared_at and subjects(valve) == []
    assert Entry.objects.get(action="marks-agree").text.startswith("No longer so: the print says Dunvarrow")
    assert identity.marks_of(valve).settled == [warning]


def test_a_dismissed_warning_stays_dismissed_while_its_reason_is_the_same(valve: Valve, by: User) -> None:
    seen_marks = marks_seen(valve, code="901-6118", chosen="EIA|901|week 18 of 1961")
    identity.record(valve, seen_marks, by)
    warning = valve.warnings.get()
    identity.dismiss(warning, "bought in by the maker, seen often", by)
    with pytest.raises(DealtWithAlready):
        identity.dismiss(warning, "again", by)
    identity.record(
        valve, marks_seen(valve, code="901-6118", chosen=seen_marks.chosen, condition={"print": "worn"}), by
    )
    assert subjects(valve) == [] and valve.warnings.count() == 1
    assert identity.warnings_by_line([valve.line_id]) == {}


def test_a_reason_has_the_same_words_in_whatever_order_the_features_were_seen(valve: Valve, by: User) -> None:
    """So that what was dismissed stays dismissed."""
    assert valve.maker is not None
    seen = {"glass": "blue", "mica": "square", "plate shape": "box"}
    for feature, word in (("plate shape", "ribbed"), ("mica", "notched"), ("glass", "clear")):
        identity.learn(valve.maker, valve.type, feature, word, "", by)
    identity.record(valve, marks_seen(valve, features=seen), by)
    identity.dismiss(valve.warnings.get(), "looked at", by)
    SeenFeature.objects.all().delete()
    for feature in reversed(FEATURES):
        if feature in seen:
            SeenFeature.objects.create(valve=valve, feature=feature, word=seen[feature])
    identity.reassess([valve], by)
    assert subjects(valve) == [] and valve.warnings.count() == 1
    assert valve.warnings.get().reason.startswith("the plate shape is box")


def test_what_cannot_be_compared_is_said(valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="777-6118", chosen="EIA|777|week 18 of 1961"), by)
    assert "source code 777 is not in the register" in identity.marks_of(valve).unchecked


# The reference files say another first year


@pytest.fixture(scope="module")
def files() -> Reference:
    ours = cut_down(the_reference(), "EL84")
    return replace(ours, types={name: replace(row, related=()) for name, row in ours.types.items()})


def seen_marks(files: Reference, designation: str, year: int | None, source: str) -> Reference:
    """The files, with another first year of one type."""
    row = replace(files.types[designation], first_registered=year, first_registered_source=year and source)
    return replace(files, types={**files.types, designation: row})


def test_a_corrected_first_year_raises_and_clears_warnings(files: Reference, by: User) -> None:
    load(seen_marks(files, "EL84", 1950, "wikipedia-kt66"))
    valve = make_valve(make_type("EL84"))
    identity.record(valve, MarksSeen(code="1951-11", chosen="YEAR_MONTH||November 1951"), by)
    assert subjects(valve) == []
    load(seen_marks(files, "EL84", 1953, "wikipedia-kt66"))
    assert subjects(valve) == ["date and type"]
    assert "before EL84 was first registered or sold, 1953" in valve.warnings.get().reason
    load(seen_marks(files, "EL84", 1953, "memory"))
    assert subjects(valve) == []
    assert any("too near the first year of EL84" in said for said in identity.marks_of(valve).unchecked)
    load(seen_marks(files, "EL84", 1954, "memory"))
    assert "about 1954, from memory" in valve.warnings.open().get().reason


def test_files_that_say_the_same_years_ask_about_no_valve(files: Reference, by: User) -> None:
    load(files)
    identity.record(make_valve(make_type("EL84")), MarksSeen(code="1951-11"), by)
    heard: list[set[int]] = []

    def listen(types: set[int], **_: object) -> None:
        heard.append(types)

    first_years_changed.connect(listen)
    try:
        load(files)
        load(seen_marks(files, "EL84", None, ""))
    finally:
        first_years_changed.disconnect(listen)
    assert heard == [{make_type("EL84").pk}]


def test_many_valves_are_assessed_again_in_a_few_queries(
    line: Line, by: User, django_assert_max_num_queries: Any
) -> None:
    make_valves(line=line, count=90)
    identity.spread(line.valves.all(), MarksSeen(code="1951-11", chosen="YEAR_MONTH||November 1951"), by)
    ValveType.objects.filter(pk=line.type_id).update(first_registered=1953)
    with django_assert_max_num_queries(16):
        assert identity.years_changed([line.type_id]) == 90
    assert MarkWarning.objects.open().filter(subject="date and type").count() == 90


def test_a_first_year_is_never_out_of_the_years_that_valves_were_made_in() -> None:
    rows = the_reference().types.values()
    years = {row.designation: row.first_registered for row in rows if row.first_registered}
    assert len(years) > 120 and all(1920 <= year <= 1970 for year in years.values())
    # A number that follows another in one series was not registered before it.
    series = [years[name] for name in sorted(years) if re.fullmatch(r"[5-7]\d{3}A?", name)]
    assert len(series) > 20 and series == sorted(series)


# Pages


@pytest.fixture
def client(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.BENCH)


def filled(page: Any, **changes: str) -> dict[str, str]:
    """What the sheet would send as it stands, with changes."""
    form = page.context["form"]
    seen_marks = {bound.html_name: bound.value() or "" for bound in form}
    return {**seen_marks, "shown": form.token, "reading": form.chosen, **changes}


def test_the_page_shows_what_the_code_can_mean_before_it_saves(client: Client, valve: Valve) -> None:
    address = reverse("valve-identify", args=[valve.serial])
    page = client.post(address, filled(client.get(address), code="901-6118"))
    assert "source code 901, week 18 of 1961</strong> (Brindlemoor)" in " ".join(page.content.decode().split())
    assert not DateReading.objects.exists()
    answer = client.post(address, filled(page), follow=True)
    assert "A likely re-label" in answer.content.decode()
    assert valve.date_readings.get().source_code == "901"


def test_a_code_changed_after_the_choice_is_read_again(client: Client, valve: Valve) -> None:
    address = reverse("valve-identify", args=[valve.serial])
    page = client.post(address, filled(client.get(address), code="900-6118"))
    page = client.post(address, filled(page, code="900-6218", reading=WEEK_18))
    assert "week 18 of 1962" in page.content.decode() and not DateReading.objects.exists()


def test_a_wrong_type_keeps_what_was_typed(client: Client, valve: Valve) -> None:
    address = reverse("valve-identify", args=[valve.serial])
    page = client.post(address, filled(client.get(address), type="12ZZ9", note="a scratch below the print"))
    assert "No valve type is called “12ZZ9”" in page.content.decode()
    assert "a scratch below the print" in page.content.decode()


def test_a_new_maker_is_added_and_said(client: Client, valve: Valve) -> None:
    address = reverse("valve-identify", args=[valve.serial])
    page = client.post(address, filled(client.get(address), maker="Halvory"), follow=True)
    assert "“Halvory” was not known and is added as a new maker." in page.content.decode()
    valve.refresh_from_db()
    assert str(valve.maker) == "Halvory"


def test_the_page_records_the_rest_of_the_line_alike(client: Client, valve: Valve) -> None:
    make_valves(line=valve.line, count=2)
    address = reverse("valve-identify", args=[valve.serial])
    page = client.post(address, filled(client.get(address), code="900-6118"))
    client.post(address, filled(page, spread="empty", **{"feature glass": "clear"}))
    assert list(Valve.objects.values_list("date_code", flat=True)) == ["900-6118"] * 3
    assert SeenFeature.objects.filter(feature="glass", word="clear").count() == 3


def test_a_line_is_identified_on_its_own_page(client: Client, valve: Valve) -> None:
    address = reverse("line-identify", args=[valve.line.lot.number, valve.line.number])
    page = client.post(address, filled(client.get(address), code="901-6118"))
    answer = client.post(address, filled(page, spread="over"), follow=True)
    assert "1 valve of line" in answer.content.decode() and "have marks" not in answer.content.decode()
    assert "1 valve has marks that do not agree" in answer.content.decode()


def test_a_warning_stands_on_the_valve_the_line_the_lot_and_the_list(client: Client, valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="901-6118", chosen="EIA|901|week 18 of 1961"), by)
    lot = valve.line.lot
    for address in (valve.get_absolute_url(), reverse("line-marks", args=[lot.number, 1]), reverse("warnings")):
        assert "source code 901 is that of Brindlemoor" in client.get(address).content.decode()
    assert "1 do not agree" in client.get(lot.get_absolute_url()).content.decode()


def test_a_warning_is_dismissed_with_a_reason_only(client: Client, valve: Valve, by: User) -> None:
    identity.record(valve, marks_seen(valve, code="901-6118", chosen="EIA|901|week 18 of 1961"), by)
    address = reverse("warning-dismiss", args=[valve.warnings.get().pk])
    assert "Say why the warning is nothing" in client.post(address, {"because": " "}, follow=True).content.decode()
    assert valve.warnings.open().exists()
    page = client.post(address, {"because": "made for them, as the box says"}, follow=True).content.decode()
    assert "A likely re-label: the print" not in page.split("<h2>History</h2>")[0]
    assert "made for them, as the box says" in page
    assert "made for them" in client.get(reverse("warnings"), {"status": "dismissed"}).content.decode()
    assert "made for them" not in client.get(reverse("warnings")).content.decode()


def test_the_page_of_a_lines_marks_asks_a_fixed_number_of_queries(
    client: Client, line: Line, by: User, django_assert_max_num_queries: Any
) -> None:
    make_valves(line=line, count=40)
    seen_marks = MarksSeen(
        maker=line.maker,
        code="901-6118",
        chosen="EIA|901|week 18 of 1961",
        features={"glass": "clear"},
        condition={"print": "worn"},
    )
    identity.spread(Valve.objects.filter(line=line), seen_marks, by)
    with django_assert_max_num_queries(18):
        client.get(reverse("line-marks", args=[line.lot.number, line.number]))


def cursor_of(page: Any) -> list[str]:
    return re.findall(r'name="([^"]+)"[^>]* autofocus', page.content.decode())


def test_the_cursor_stands_on_the_code_on_what_is_wrong_or_on_the_reading(
    client: Client, valve: Valve, by: User
) -> None:
    address = reverse("valve-identify", args=[valve.serial])
    assert cursor_of(client.get(address)) == ["code"]
    asked = client.post(address, filled(client.get(address), code="118"))
    assert cursor_of(asked) == ["reading"]
    wrong = client.post(address, filled(client.get(address), code="118", type="no such type"))
    assert cursor_of(wrong) == ["type"]
    identity.record(valve, marks_seen(valve, code="118", chosen="YEAR_WEEK||week 18 of 1961"), by)
    assert cursor_of(client.get(address)) == ["code"]


def test_the_station_takes_one_valve_after_the_other(client: Client, valve: Valve) -> None:
    station = reverse("identify")
    assert "check digit" in client.get(station, {"serial": "10000013"}).content.decode()
    sheet_page = client.get(station, {"serial": valve.serial}, follow=True)
    seen_marks = filled(sheet_page, **{"feature mica": "notched"})
    answer = client.post(sheet_page.request["PATH_INFO"] + "?next=scan", seen_marks)
    assert answer["Location"] == station
    assert "mica notched" in client.get(station).content.decode()


def test_every_form_and_word_fits_its_field() -> None:
    assert all(len(form.name) <= 20 for form in Form)
    for name, choice in FEATURES.items():
        for word in choice.words:
            SeenFeature(valve=Valve(pk=1), feature=name, word=word).clean_fields(exclude=["valve"])


def test_a_valve_is_identified_without_a_mouse(served: Any, browser: Any) -> None:
    user = make_user("rowan", Role.BENCH)
    user.set_password("a-long-test-password")
    user.save()
    first = make_valve(line=make_line(make_type(), 1))
    page = browser.new_page()
    board = Keyboard(page, f"{served.url}{reverse('identify')}")

    def cursor_comes_to(name: str) -> None:
        page.wait_for_function("name => document.activeElement.name === name", arg=name)

    board.type("rowan").press("Tab").type("a-long-test-password").go()
    cursor_comes_to("serial")
    board.type(first.serial).go()
    cursor_comes_to("code")
    board.type("900-6118").go()
    cursor_comes_to("reading")
    assert board.at().startswith("source code 900, week 18 of 1961")
    board.press("Tab")
    for key in ("r", "g", "h"):
        board.press(key).enter()
    board.tab_to("Save").go()
    page.close()
    assert dict(SeenFeature.objects.values_list("feature", "word")) == {
        "plate shape": "ribbed",
        "plate finish": "grey",
        "getter shape": "halo",
    }
    assert first.date_readings.get().words == "source code 900, week 18 of 1961"
