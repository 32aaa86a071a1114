"""What is plainly written on a valve wins over what could be worked out of it, and a warning weighs its evidence."""

from __future__ import annotations

from datetime import date

import pytest

from stockroom.marks.pure.datecodes import Form, Window, find_dates, readings
from stockroom.marks.pure.identification import MakerFacts, Marks, Ranked, Subject, TypeFacts, assess, rank

WINDOW = Window(1930, 2026)
RECEIVED = date(2026, 3, 2)
WESTERN = TypeFacts("6SN7GT", first_registered=1941)
EASTERN = TypeFacts("6N1P", tradition="eastern")


def likeliest(code: str, facts: TypeFacts = WESTERN) -> list[str]:
    return [one.reading.words for one in ranked(code, facts)]


def ranked(code: str, facts: TypeFacts) -> list[Ranked]:
    return rank(readings(code, WINDOW), facts, [], (), RECEIVED)


@pytest.mark.parametrize(
    "stamp", ["JAN-CRP-6SN7GT 1952", "JAN 6SN7GT 1952", "D getter 1952", "1952 TUNG", "JAN 5751 1952"]
)
def test_a_year_plainly_written_among_words_is_a_year_before_it_is_a_week(stamp: str) -> None:
    first, *others = likeliest(stamp)
    assert first == "1952"
    assert "week 19 of 1952" in others, "every other reading is kept"


def test_why_the_year_comes_first_is_said() -> None:
    first, *_ = ranked("JAN-CRP-6SN7GT 1952", WESTERN)
    assert "a year plainly written (+2)" in first.reasons
    week = next(one for one in ranked("JAN-CRP-6SN7GT 1952", WESTERN) if one.reading.form is Form.WEEK_YEAR)
    assert "four figures among words are a year first (-2)" in week.reasons


def test_four_bare_figures_stay_as_open_as_they_are() -> None:
    assert not any(one.reading.among_words for one in ranked("1952", WESTERN))


@pytest.mark.parametrize(
    ("stamp", "words"),
    [
        ("QTR 2 1962", "quarter 2 of 1962"),
        ("2ND QTR 1962", "quarter 2 of 1962"),
        ("PACKED QTR 2 1962", "quarter 2 of 1962"),
        ("IV кв. 1975", "quarter 4 of 1975"),
        ("4 кв 75", "quarter 4 of 1975"),
        ("ОТК IV кв. 1975 г.", "quarter 4 of 1975"),
        ("август 1965", "August 1965"),
        ("ОТК авг. 1965г.", "August 1965"),
        ("15 мая 1965", "15 May 1965"),
        ("OKT 1961", "October 1961"),
        ("März 1958", "March 1958"),
        ("05.68 г.", "May 1968"),
    ],
)
def test_quarters_and_months_in_words_are_kept(stamp: str, words: str) -> None:
    assert likeliest(stamp, TypeFacts("6N1P", tradition="eastern"))[0] == words


@pytest.mark.parametrize(("stamp", "words"), [("0775", "July 1975"), ("03 72", "March 1972"), ("7304", "April 1973")])
def test_on_an_eastern_type_the_month_comes_before_the_week(stamp: str, words: str) -> None:
    assert likeliest(stamp, EASTERN)[0] == words
    assert likeliest(stamp)[0].startswith("week")


def test_the_year_in_a_packs_marks_is_found_as_a_year_too() -> None:
    ((found, meanings),) = find_dates("CONTRACT N-77 1952 TESTED", WINDOW)
    assert found == "1952" and all(one.among_words for one in meanings)


# The weight of evidence

ALDER = MakerFacts("Alder Works", construction={"getter shape": frozenset({"halo"})})
SEEN = {"getter shape": "disc"}


def said(construction: dict[str, str], *makers: MakerFacts) -> str:
    return assess(Marks(makers[0].name, construction=construction), WESTERN, makers).sentence()


def test_one_feature_against_a_register_of_one_word_differs_from_what_is_known_and_no_more() -> None:
    assert said(SEEN, ALDER).startswith("It differs from what is known: the getter shape is disc, where Alder Works")
    found = assess(Marks("Alder Works", construction=SEEN), WESTERN, [ALDER])
    assert [one.subject for one in found.disagreements] == [Subject.ONE_FEATURE] and not found.likely_relabel


def test_two_features_or_another_maker_that_fits_make_a_relabel_likely() -> None:
    two = MakerFacts("Alder Works", construction={**ALDER.construction, "mica": frozenset({"notched"})})
    assert said({**SEEN, "mica": "square"}, two).startswith("A likely re-label: ")
    fits = MakerFacts("Birch", construction={"getter shape": frozenset({"disc"})})
    assert said(SEEN, ALDER, fits).startswith("A likely re-label: ")


@pytest.mark.parametrize("feature", ["print colour", "top flash"])
def test_another_maker_that_fits_in_a_soft_feature_only_adds_no_weight(feature: str) -> None:
    known = MakerFacts("Alder Works", construction={feature: frozenset({"white"})})
    fits = MakerFacts("Birch", construction={feature: frozenset({"large"})})
    assert said({feature: "large"}, known, fits).startswith("It differs from what is known: ")
