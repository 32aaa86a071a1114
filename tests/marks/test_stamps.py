"""What a stamp tells besides plain figures: two lines, inspection marks, eras, letters; and that any number tells none.

The stamps are of the trade's own kinds, from memory; makers and their codes are invented.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from django.conf import settings
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from catalog.reference.scripts import normal
from stockroom.marks.pure.datecodes import Form, Window, readings
from stockroom.marks.pure.identification import (
    MakerFacts,
    Marks,
    Ranked,
    Subject,
    TypeFacts,
    TypeNamed,
    YearsKnown,
    assess,
    built_between,
    leader,
    rank,
)
from stockroom.marks.pure.registers import BadMarksFile, read_codes
from stockroom.marks.pure.stamps import MarkKind, factory_code, marks_in, plant_sign, without_marks
from tests.reference import the_reference

FILE = read_codes(Path(settings.BASE_DIR) / "fixtures" / "marks.toml")
WINDOW = Window(1920, 2026)
RECEIVED = date(2026, 3, 2)
WESTERN = TypeFacts("12AX7", first_registered=1947)
EASTERN = TypeFacts("6N1P", tradition="eastern")


def ranked(stamp: str, facts: TypeFacts = WESTERN, **more: object) -> list[Ranked]:
    return rank(readings(stamp, WINDOW), facts, [], (), RECEIVED, **more)  # type: ignore[arg-type]


def likeliest(stamp: str, facts: TypeFacts = WESTERN) -> str:
    found = leader(ranked(stamp, facts))
    return found.reading.words if found else ""


def words(stamp: str) -> set[str]:
    return {one.words for one in readings(stamp, WINDOW)}


# Factory codes


@pytest.mark.parametrize(
    "stamp", ["I61 B5D3", "I61\nB5D3", "I61/B5D3", "I61 / B5D3", "I61, B5D3", "I61B5D3", "I61 B 5D3", "ECC83 I61 B5D3"]
)
def test_both_lines_of_a_factory_code_are_read_together_or_apart(stamp: str) -> None:
    assert words(stamp) >= {"week 3 of April 1955", "week 3 of April 1965", "week 3 of April 1975"}
    assert tuple(one.text for one in marks_in(stamp))[:2] == ("I61", "B")


@pytest.mark.parametrize(("stamp", "said"), [("mC1 B9A4", "week 4 of January 1969"), ("xf4 B8K", "October 1958")])
def test_the_first_line_may_be_any_letters_and_figures(stamp: str, said: str) -> None:
    assert said in words(stamp)


@pytest.mark.parametrize("triangle", "Δ∆△▲")
@pytest.mark.parametrize("between", ["", " ", "\n", "/"])
def test_every_triangle_is_the_same_sign_typed_together_or_apart(triangle: str, between: str) -> None:
    assert words(f"{triangle}4K3") == words("Δ4K3") >= {"week 3 of November 1964"}
    code = factory_code(f"GA2{between}{triangle}4K3")
    assert code and (code.first, code.plant) == ("GA2", "Δ")


@pytest.mark.parametrize("stamp", ["IS B2H3", "I6 B2H3", "A1/B2H3"])
def test_a_first_line_of_two_signs_dates_and_tells_no_type(stamp: str) -> None:
    assert "week 3 of August 1962" in words(stamp) and plant_sign(stamp) == "B"
    assert (code := factory_code(stamp)) and FILE.type_code(code.first) is None


def test_the_week_stands_in_the_code_from_about_1960() -> None:
    assert ranked("I61 B8D3")[0].reading.words == "week 3 of April 1968"
    assert ranked("I61 B8D")[0].reading.words == "April 1958"


def test_a_type_code_that_is_the_types_own_speaks_for_the_factory_code() -> None:
    line = [[one] for one in readings("I61 B5D3", Window(1960, 1969))]
    facts = TypeFacts("12AX7", 1947, type_codes=frozenset({"I6"}))
    first = rank(readings("I61 B5D4", WINDOW), facts, [], line, RECEIVED)[0]
    assert "I6 is a type code of 12AX7 (+2)" in first.reasons and first.reading.detail == "week 4 of April 1965"


def test_a_lots_letters_in_a_longer_text_are_no_first_line() -> None:
    assert readings("PACKED LOT A5B", WINDOW) == [] and marks_in("PACKED LOT A5B") == []


@pytest.mark.parametrize("stamp", ["731 B5D3", "12AX7 1955", "I61 B5N3", "I61 BB5D3", "I61"])
def test_what_only_looks_like_two_lines_is_none(stamp: str) -> None:
    assert factory_code(stamp) is None


# Eastern stamps


@pytest.mark.parametrize(
    ("stamp", "said"),
    [
        ("ОТК IX-72", "September 1972"),
        ("OTK IX-72", "September 1972"),
        ("II 58 ОТК", "February 1958"),
        ("IX 72 ОТК 5", "September 1972"),
        ("ОТК-3 VI-67", "June 1967"),
        ("XI-1968г.", "November 1968"),
        ("05.68 г.", "May 1968"),
        ("ОТК 05.68", "May 1968"),
        ("ІХ-72", "September 1972"),
        ("Х-72", "October 1972"),
        ("ХІ-68", "November 1968"),
        ("Ⅸ-72", "September 1972"),
        ("Ш-72", "March 1972"),
        ("У1-66", "June 1966"),
        ("1X-72", "September 1972"),
        ("◇ VII 84", "July 1984"),
        ("IV кв. 75", "quarter 4 of 1975"),
        ("ІV кв. 75 г.", "quarter 4 of 1975"),
        ("ІІ кв. 1974", "quarter 2 of 1974"),
        ("4-й кв. 75", "quarter 4 of 1975"),
        ("кв. III 75", "quarter 3 of 1975"),
        ("ОТК 0775", "July 1975"),
    ],
)
def test_inspection_marks_with_months_and_quarters_are_read(stamp: str, said: str) -> None:
    assert likeliest(stamp, EASTERN) == said


def test_an_inspectors_number_is_no_date() -> None:
    assert readings("ОТК 12", WINDOW) == []
    assert marks_in("ОТК 12") == [(MarkKind.INSPECTION, "ОТК 12")]


def test_a_month_by_its_cyrillic_letter_is_read_and_decides_nothing_alone() -> None:
    assert "March 1972" in words("В-72") and likeliest("В-72", EASTERN) == ""


# Eras, pairs of letters, months of one digit


@pytest.mark.parametrize(
    ("stamp", "said"),
    [("昭和36年5月", "May 1961"), ("S36.5", "May 1961"), ("昭36.5", "May 1961"), ("1975年5月", "May 1975")],
)
def test_era_years_are_read(stamp: str, said: str) -> None:
    assert likeliest(stamp, EASTERN) == said


def test_a_year_of_two_figures_may_be_of_the_era_or_of_the_century() -> None:
    assert words("36年5月") == {"May 1936", "May 1961"}


@pytest.mark.parametrize(
    ("stamp", "said"),
    [("46.4", "April 1946"), ("53/3", "March 1953"), ("53.2", "February 1953"), ("44-6", "June 1944")],
)
def test_a_month_of_one_digit_may_follow_the_year(stamp: str, said: str) -> None:
    assert words(stamp) == {said}


@pytest.mark.parametrize("stamp", ["EA", "KB", "AH", "BV", "YE"])
def test_two_letters_are_a_year_and_a_month_but_settle_no_year(stamp: str) -> None:
    found = readings(stamp, WINDOW)
    assert any("of the year that the maker marked" in one.words and one.earliest is None for one in found)
    assert likeliest(stamp) == ""


def test_the_letters_that_parts_bore_give_a_year_too() -> None:
    assert "February 1967" in words("YB") and "August 1969" in words("AH")


# No number is a date


SERIAL_LIKE = st.one_of(
    st.from_regex(r"\A[0-9]{6,10}\Z"),
    st.from_regex(r"\A[A-Z]{1,3}[0-9]{4,8}\Z").filter(lambda text: not text.startswith(("Q", "X", "V", "I"))),
    st.from_regex(r"\A[A-Z0-9]{5,9}\Z").filter(lambda text: any(one.isdigit() for one in text[:-2])),
    st.from_regex(r"\A(No|SN|№) ?[0-9]{5,9}\Z"),
    st.from_regex(r"\A[A-Z]{2}[0-9]{2}-[0-9]{4}-[A-Z]\Z"),
)
MONTHS = ("JAN", "FEB", "MAR", "APR", "MA", "JU", "AUG", "SEP", "OCT", "OKT", "NOV", "DE")


@examples(max_examples=30)
@given(SERIAL_LIKE.filter(lambda text: not any(month in text for month in MONTHS)), st.sampled_from([WESTERN, EASTERN]))
def test_a_number_of_any_kind_gives_no_date_that_leads(text: str, facts: TypeFacts) -> None:
    assert likeliest(text, facts) == ""


@pytest.mark.parametrize("stamp", ["VT-231", "CV492", "CV4004", "M8137", "12AX7", "ECC83", "EL34", "JAN 5751", "KB/D"])
def test_a_type_or_a_makers_letters_are_no_date(stamp: str) -> None:
    assert readings(stamp, WINDOW) == []


def test_a_registered_number_or_the_line_lends_eight_figures_the_weight_they_lack() -> None:
    assert likeliest("12345642") == ""
    maker = MakerFacts("Alder Works", frozenset({"1234"}))
    found = leader(rank(readings("12345642", WINDOW), WESTERN, [maker], (), RECEIVED))
    assert found and found.reading.words == "source code 1234, week 42 of 1956"


# What stands beside the date


def test_marks_around_a_date_are_put_aside() -> None:
    assert without_marks("CV4004 KB/D 3/61") == "3/61"
    assert without_marks("JAN-CRP-5751 1952") == "1952"


@pytest.mark.parametrize(
    ("stamp", "found"),
    [
        ("JAN-CRP-6SN7GT 1952", {("contract letters", "CRP"), ("type number", "6SN7GT")}),
        ("JAN CHS 12AX7", {("contract letters", "CHS"), ("type number", "12AX7")}),
        ("CV4004 KQDD/K 3/61", {("contract letters", "KQDD/K"), ("type number", "CV4004")}),
        ("VT-231", {("type number", "VT-231")}),
        ("JAN 5751WA", {("type number", "5751WA")}),
        ("JAN-CRP 6201", {("contract letters", "CRP")}),  # a year and week, for all that one can tell
    ],
)
def test_letters_of_makers_and_numbers_of_types_are_told_apart(stamp: str, found: set[tuple[str, str]]) -> None:
    assert {(one.kind.value, one.text) for one in marks_in(stamp)} == found


ALDER = MakerFacts("Alder Works", frozenset({"900"}), letters=frozenset({"CRP", "/D"}), plants=frozenset({"B"}))
BIRCH = MakerFacts("Birch & Daughters", letters=frozenset({"CHS", "KQ/D"}), plants=frozenset({"Δ"}))


def assessed(printed: str, stamp: str, *named: TypeNamed):  # type: ignore[no-untyped-def]
    marks = Marks(printed, readings(stamp, WINDOW), code=stamp, types_named=named)
    return assess(marks, WESTERN, [ALDER, BIRCH])


@pytest.mark.parametrize("stamp", ["JAN-CHS 12AX7 1952", "I61 Δ5D3", "CHS 731"])
def test_letters_and_signs_of_another_maker_than_the_printed_are_a_likely_relabel(stamp: str) -> None:
    found = assessed("Alder Works", stamp)
    assert [one.subject for one in found.disagreements] == [Subject.PRINT_AND_CODE] and found.likely_relabel
    assert "Birch & Daughters" in found.sentence()
    assert assessed("Birch & Daughters", stamp).disagreements == ()


def test_letters_that_nobody_has_are_said_and_not_warned_of() -> None:
    found = assessed("Alder Works", "JAN-CZZ 1952")
    assert found.disagreements == () and "the letters CZZ are not in the register" in found.unchecked


@pytest.mark.parametrize(
    ("stamp", "whose"),
    [
        ("KB/D 3/61", "Alder Works"),
        ("CV4004 K/D 3/61", "Alder Works"),
        ("KB / D", "Alder Works"),
        ("KQ/D 3/61", "Birch & Daughters"),
    ],
)
def test_of_a_k_code_the_factory_after_the_stroke_speaks_and_the_whole_code_before_it(stamp: str, whose: str) -> None:
    other = {"Alder Works", "Birch & Daughters"} - {whose}
    assert assessed(whose, stamp).disagreements == ()
    assert assessed(other.pop(), stamp).likely_relabel


@pytest.mark.parametrize("stamp", ["KB/DA 3/61", "JB/D 1952", "KB 1952", "KB/F"])
def test_the_specification_of_a_k_code_tells_no_maker(stamp: str) -> None:
    for printed in ("Alder Works", "Birch & Daughters"):
        assert assessed(printed, stamp).disagreements == ()


def test_a_type_code_of_another_type_is_a_likely_relabel_and_of_a_near_one_is_only_said() -> None:
    other = TypeNamed(MarkKind.TYPE_CODE, "rX2", "EL84", agrees=False)
    found = assessed("Alder Works", "rX2 B5D3", other)
    assert [one.subject for one in found.disagreements] == [Subject.TYPE_CODE] and found.likely_relabel
    near = TypeNamed(MarkKind.TYPE_CODE, "I61", "7025", agrees=False, related=True)
    assert assessed("Alder Works", "I61 B5D3", near).disagreements == ()


def test_another_types_number_among_the_marks_is_a_disagreement_and_no_relabel_yet() -> None:
    found = assessed("Alder Works", "CV491", TypeNamed(MarkKind.TYPE_NUMBER, "CV491", "12AU7", agrees=False))
    assert [one.subject for one in found.disagreements] == [Subject.TYPE_NUMBER] and not found.likely_relabel
    assert "the marks say CV491, 12AU7" in found.sentence()


# Construction has years

HALO = ("getter shape", "halo")
RIBBED = ("plate shape", "ribbed")
DATED = MakerFacts(
    "Alder Works",
    construction={"getter shape": frozenset({"halo"}), "plate shape": frozenset({"ribbed"})},
    built={HALO: YearsKnown(1958, 1966), RIBBED: YearsKnown(None, 1961)},
)


def of_construction(stamp: str, *features: tuple[str, str]):  # type: ignore[no-untyped-def]
    marks = Marks("Alder Works", readings(stamp, WINDOW) if stamp else (), dict(features), code=stamp)
    return [one.subject for one in assess(marks, WESTERN, [DATED]).disagreements]


def test_features_date_a_valve_that_has_no_code() -> None:
    found = built_between(dict([HALO, RIBBED]), DATED)
    assert found is not None and str(found).startswith("1958 to 1961, by its construction (getter shape halo 1958 to")
    assert built_between({"mica": "square"}, DATED) is None


def test_features_whose_years_exclude_each_other_date_nothing() -> None:
    never = MakerFacts("Alder Works", built={HALO: YearsKnown(1964, None), RIBBED: YearsKnown(None, 1961)})
    assert built_between(dict([HALO, RIBBED]), never) is None


@pytest.mark.parametrize(
    ("stamp", "warned"),
    [("JUN 1970", True), ("JUN 1955", True), ("JUN 1967", False), ("JUN 1957", False)],
)
def test_a_code_outside_the_years_of_a_feature_is_contradicted_beyond_a_year_of_doubt(stamp: str, warned: bool) -> None:
    assert of_construction(stamp, HALO) == ([Subject.DATE_AND_CONSTRUCTION] if warned else [])


def test_a_code_of_several_decades_is_given_the_benefit_of_each() -> None:
    assert of_construction("I61 B3D3", HALO) == []
    assert of_construction("I61 B0D3", ("getter shape", "halo")) == []


def test_the_years_of_the_construction_settle_the_decade() -> None:
    found = leader(ranked("900312", built=YearsKnown(1958, 1966)))
    assert found and found.reading.words == "source code 900, week 12 of 1963"
    assert "its construction is of 1958 to 1966 (+2)" in found.reasons


# The file of codes


def test_every_row_of_the_file_names_its_source_and_no_code_stands_twice() -> None:
    assert len(FILE.type_codes) > 12 and all(one.source for one in FILE.type_codes.values())
    assert {"B", "Δ"} <= set(FILE.plants) and all(one.source for one in FILE.plants.values())
    assert FILE.plants["Δ"].place == "Heerlen, the Netherlands" and FILE.plants["F"].place == "France"


@pytest.mark.parametrize(
    ("stamp", "type_", "source"),
    [
        ("I61 B5D3", "ECC83", "Deciphering European tube date codes"),
        ("IS1 B2H3", "GZ37", "pvm-coding.html"),
        ("VR3 △0K", "E188CC", "platycerus"),
    ],
)
def test_a_stamp_that_a_publication_deciphers_is_read_as_it_says(stamp: str, type_: str, source: str) -> None:
    code = factory_code(stamp)
    assert code and (known := FILE.type_code(code.first))
    assert known.types == (type_,) and source in known.source


def test_every_type_code_names_types_that_are_on_file_and_no_code_is_another_in_other_letters() -> None:
    names = the_reference().by_name
    assert all(normal(name) in names for one in FILE.type_codes.values() for name in one.types)
    alike = {frozenset(one.types) for one in FILE.type_codes.values() if one.code.casefold() == "xf"}
    assert len(alike) == 1
    assert FILE.type_code("IX1") is None and FILE.type_code("i61") is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[type_code]]\ncode = "I6"\ntypes = ["ECC83"]\nsource = "x"', "no source “x”"),
        ('[[type_code]]\ntypes = ["ECC83"]', "“code” is wanted"),
        (2 * '[[plant_sign]]\nsign = "B"\ncountry = "A"\nsource = "m"\n', "stands twice"),
    ],
)
def test_a_row_that_is_not_as_it_should_be_is_refused(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "marks.toml"
    file.write_text(f'[[source]]\nkey = "m"\ntitle = "m"\n{text}', encoding="utf-8")
    with pytest.raises(BadMarksFile, match=said):
        read_codes(file)


def test_what_was_read_before_keeps_its_form() -> None:
    assert {one.form for one in readings("B8F3", WINDOW)} == {Form.PLANT_MONTH}
