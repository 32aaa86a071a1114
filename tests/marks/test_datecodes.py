"""Stamped codes, contract marks and pack dates: every reading they can have, each with its rule."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stockroom.marks.pure.datecodes import (
    EIA_FIRST_YEAR,
    PUBLISHED_FORMS,
    DateCodeError,
    Form,
    Window,
    counted_week,
    find_dates,
    iso_week,
    readings,
    sunday_week,
    week_span,
)

WINDOW = Window(1930, 1999)


def words(code, window=WINDOW):
    return {reading.words for reading in readings(code, window)}


def of_form(code, form, window=WINDOW):
    return [reading for reading in readings(code, window) if reading.form is form]


# Source and date


def test_a_six_digit_code_is_a_source_and_a_week_in_every_decade_since_the_codes_began():
    found = of_form("123210", Form.EIA)
    assert {reading.source_code for reading in found} == {"123"}
    assert [reading.detail for reading in found] == [f"week 10 of {year}" for year in (1952, 1962, 1972, 1982, 1992)]


def test_a_seven_digit_code_is_read_with_a_source_of_three_digits_and_of_four():
    found = of_form("1235210", Form.EIA, Window(1945, 1965))
    assert {reading.words for reading in found} == {
        "source code 123, week 10 of 1952",
        "source code 1235, week 10 of 1952",
        "source code 1235, week 10 of 1962",
    }


def test_a_hyphen_settles_where_the_source_ends():
    assert words("123-5210") == {"source code 123, week 10 of 1952"}
    assert words("1235-210", Window(1950, 1959)) == {"source code 1235, week 10 of 1952"}


def test_an_eight_digit_code_has_a_source_of_four():
    assert words("12345210") == {"source code 1234, week 10 of 1952"}


def test_no_source_and_date_code_is_read_before_the_codes_began():
    assert of_form("123210", Form.EIA, Window(1930, EIA_FIRST_YEAR - 1)) == []
    assert of_form("123510", Form.EIA, Window(1930, EIA_FIRST_YEAR))[0].detail == f"week 10 of {EIA_FIRST_YEAR}"


def test_a_source_is_given_as_its_number_only_and_may_stand_without_a_date():
    (alone,) = of_form("123", Form.EIA_SOURCE)
    assert alone.words == "source code 123, no date"
    assert (alone.earliest, alone.latest) == (None, None)


@pytest.mark.parametrize("code", ["123299", "123254", "123200", "12", "123-5200"])
def test_a_week_beyond_the_year_is_no_source_and_date_code(code):
    assert of_form(code, Form.EIA) == []


# Bare digits


def test_three_digits_are_year_and_week_year_and_month_or_month_and_year():
    found = words("312", Window(1950, 1959))
    assert found >= {"week 12 of 1953", "December 1953"}
    assert "March 1952" in words("352")


def test_four_digits_are_read_both_ways_round():
    assert words("1210", Window(1910, 1912)) == {
        "week 12 of 1910",
        "week 10 of 1912",
        "December 1910",
        "October 1912",
    }


def test_four_digits_can_also_be_the_year_itself():
    (year,) = of_form("1953", Form.YEAR)
    assert (year.earliest, year.latest) == (date(1953, 1, 1), date(1953, 12, 31))


# Letters


def test_a_month_letter_counts_with_and_without_the_letter_i():
    assert {reading.detail for reading in of_form("C5", Form.MONTH_LETTER, Window(1950, 1959))} == {"March 1955"}
    assert {reading.detail for reading in of_form("K5", Form.MONTH_LETTER, Window(1950, 1959))} == {
        "October 1955",
        "November 1955",
    }
    assert {reading.detail for reading in of_form("I5", Form.MONTH_LETTER, Window(1950, 1959))} == {"September 1955"}
    assert {reading.detail for reading in of_form("M5", Form.MONTH_LETTER, Window(1950, 1959))} == {"December 1955"}


def test_the_letter_may_follow_the_year():
    assert words("5C", Window(1950, 1959)) == words("C5", Window(1950, 1959))


def test_half_month_letters_run_from_a_to_y_without_i():
    decade = Window(1950, 1959)
    (first,) = of_form("A5", Form.HALF_MONTH_LETTER, decade)
    assert (first.earliest, first.latest) == (date(1955, 1, 1), date(1955, 1, 15))
    (last,) = of_form("Y5", Form.HALF_MONTH_LETTER, decade)
    assert (last.earliest, last.latest) == (date(1955, 12, 16), date(1955, 12, 31))
    assert of_form("I5", Form.HALF_MONTH_LETTER, decade) == []
    (leap,) = of_form("D6", Form.HALF_MONTH_LETTER, decade)
    assert leap.latest == date(1956, 2, 29)


def test_capital_week_letters_are_the_first_half_year_and_small_ones_the_second():
    decade = Window(1950, 1959)
    assert of_form("A5", Form.WEEK_LETTER, decade)[0].detail == "week 1 of 1955"
    assert of_form("Z5", Form.WEEK_LETTER, decade)[0].detail == "week 26 of 1955"
    assert of_form("a5", Form.WEEK_LETTER, decade)[0].detail == "week 27 of 1955"
    assert of_form("z5", Form.WEEK_LETTER, decade)[0].detail == "week 52 of 1955"


def test_a_plant_letter_may_stand_before_year_and_month():
    assert words("K8E", Window(1950, 1969)) == {"May 1958", "May 1968"}
    assert words("△5k", Window(1950, 1959)) == {"October 1955", "November 1955"}
    assert words("K8N") == set()


def test_the_week_of_the_month_may_follow_and_is_given_the_benefit_of_both_ways_to_count():
    (reading,) = readings("B8F3", Window(1950, 1959))
    assert reading.words == "week 3 of June 1958"
    assert (reading.earliest, reading.latest) == (date(1958, 6, 9), date(1958, 6, 21))
    (last,) = readings("B8B5", Window(1950, 1959))
    assert last.latest == date(1958, 2, 28)
    assert words("B8F6") == set()


@given(st.integers(1930, 1999), st.integers(0, 11), st.integers(0, 30))
def test_the_week_of_a_month_holds_its_days_by_sevens_and_by_the_calendar(year, month, after):
    first = date(year, month + 1, 1)
    day = first + timedelta(days=after)
    if day.month != first.month:
        return
    by_sevens = after // 7 + 1
    by_calendar = (after + first.weekday()) // 7 + 1
    for week in {by_sevens, by_calendar} & set(range(1, 6)):
        code = f"B{year % 10}{'ABCDEFGHJKLM'[month]}{week}"
        spans = [(one.earliest, one.latest) for one in readings(code, Window(year, year))]
        assert any(start <= day <= end for start, end in spans)


def test_a_source_and_a_digit_set_apart_may_give_the_year_or_no_date():
    assert words("188-5", Window(1950, 1969)) == {
        "source code 188, 1955",
        "source code 188, 1965",
        "source code 188, no date",
    }
    assert of_form("1885", Form.EIA_YEAR) == []


def test_where_no_rule_reads_the_whole_stamp_the_written_dates_in_it_are_read():
    assert words("N 1123 6/58") == {"June 1958"}
    assert words("LOT 7 JUN 1953") == {"7 June 1953"}
    assert readings("1123 BATCH 4", WINDOW) == []


def test_a_year_letter_names_a_week_but_no_year():
    (reading,) = of_form("K25", Form.YEAR_LETTER)
    assert reading.detail == "week 25 of the year that the maker marked K"
    assert reading.earliest is None
    assert of_form("K54", Form.YEAR_LETTER) == []


def test_roman_months_stand_before_or_after_the_year():
    assert words("III-78") == words("78 iii") == words("III 1978") == {"March 1978"}
    assert of_form("IIII-78", Form.ROMAN_MONTH) == []


# Contract and pack dates


@pytest.mark.parametrize("code", ["JUN 1953", "June 53", "jun. '53", "JUNE, 1953", "1953 JUN", "JUN-53"])
def test_a_month_by_name_is_that_month(code):
    (reading,) = readings(code, WINDOW)
    assert (reading.earliest, reading.latest) == (date(1953, 6, 1), date(1953, 6, 30))


@pytest.mark.parametrize("code", ["15 JUN 1953", "15th June 53", "June 15, 1953", "15-JUN-53", "1953-06-15"])
def test_a_day_is_that_day(code):
    (reading,) = readings(code, WINDOW)
    assert reading.earliest == reading.latest == date(1953, 6, 15)


def test_day_and_month_in_figures_are_read_both_ways():
    assert words("6/7/53") == {"6 July 1953", "7 June 1953"}
    assert words("15/6/53") == {"15 June 1953"}
    assert words("6/6/53") == {"6 June 1953"}


def test_month_over_year_can_also_be_a_week():
    assert words("06/53") == {"June 1953", "week 6 of 1953"}
    assert words("6/53") == {"June 1953"}
    assert words("06/1953") == {"June 1953", "week 6 of 1953"}


@pytest.mark.parametrize("code", ["2Q53", "Q2 1953", "2nd Qtr 53", "2ND QUARTER 1953"])
def test_a_quarter_is_three_months(code):
    (reading,) = readings(code, WINDOW)
    assert (reading.earliest, reading.latest) == (date(1953, 4, 1), date(1953, 6, 30))


def test_an_iso_week_date_is_exact():
    (week,) = readings("1953-W25", WINDOW)
    assert (week.earliest, week.latest) == (date(1953, 6, 15), date(1953, 6, 21))
    (day,) = readings("1953-W25-3", WINDOW)
    assert day.earliest == day.latest == date(1953, 6, 17)


def test_a_day_that_does_not_exist_has_no_reading():
    assert readings("31 JUN 1953", WINDOW) == []
    assert readings("1953-02-29", WINDOW) == []
    assert readings("1953-W54", WINDOW) == []


def test_dates_are_found_inside_the_marks_of_a_pack():
    marks = "CONTRACT 1234-PH-56 PACKED 6/53; ACC. 15 JUN 1953, REINSP 2Q54, DWG 99-1 A, LOT JUN 52"
    assert [fragment for fragment, _ in find_dates(marks, WINDOW)] == ["6/53", "15 JUN 1953", "2Q54", "JUN 52"]


# All together


def test_a_code_no_rule_fits_has_no_readings():
    assert readings("unmarked", WINDOW) == []


def test_an_empty_code_is_refused():
    with pytest.raises(DateCodeError, match="no code"):
        readings("  ", WINDOW)


@pytest.mark.parametrize(("first", "last"), [(1999, 1930), (0, 10), (1930, 9999)])
def test_a_window_without_years_is_refused(first, last):
    with pytest.raises(DateCodeError):
        Window(first, last)


def test_every_reading_says_whether_its_rule_is_published():
    assert of_form("123-5210", Form.EIA)[0].rule == "EIA source and date code (published)"
    assert of_form("A5", Form.MONTH_LETTER)[0].rule == "month letter (common practice, no source)"


def test_dated_readings_come_first_and_published_forms_before_others():
    forms = [reading.form for reading in readings("5210", WINDOW)]
    assert forms[-1] is Form.EIA_SOURCE
    dated = readings("1235210", WINDOW)
    assert all(reading.form in PUBLISHED_FORMS for reading in dated)


@given(st.from_regex(r"\A[0-9A-Za-z][0-9A-Za-z/. -]{0,9}\Z"))
def test_every_reading_of_any_code_lies_in_the_window_and_has_its_own_key(code):
    found = readings(code, WINDOW)
    assert len({reading.key for reading in found}) == len(found)
    for reading in found:
        assert (reading.earliest is None) == (reading.latest is None)
        if reading.earliest is not None:
            assert reading.earliest <= reading.latest
            # A week of the first or last year may reach a few days over the edge.
            assert reading.latest >= date(1930, 1, 1)
            assert reading.earliest <= date(1999, 12, 31)


@given(st.from_regex(r"\A[0-9A-Z]{2,8}\Z"))
def test_a_wider_window_never_loses_a_reading(code):
    narrow = {reading.key for reading in readings(code, Window(1950, 1969))}
    assert narrow <= {reading.key for reading in readings(code, WINDOW)}


# Weeks


@given(st.integers(1930, 2030), st.integers(1, 53))
def test_the_span_of_a_week_holds_all_three_numberings_and_less_than_three_weeks(year, week):
    span = week_span(year, week)
    for numbering in (iso_week, sunday_week, counted_week):
        inner = numbering(year, week)
        if inner:
            assert span[0] <= inner[0] <= inner[1] <= span[1]
    assert (span[1] - span[0]).days < 21


@given(st.integers(1930, 2030))
def test_the_weeks_of_each_numbering_follow_each_other_without_gap(year):
    for numbering in (iso_week, sunday_week, counted_week):
        weeks = [span for week in range(1, 54) if (span := numbering(year, week))]
        following = numbering(year + 1, 1)
        for (_, end), (start, _) in zip(weeks, [*weeks[1:], following], strict=True):
            assert (start - end).days == 1


@pytest.mark.parametrize("week", [0, 54])
def test_there_is_no_week_nought_or_fifty_four(week):
    assert week_span(1953, week) is None


@pytest.mark.parametrize(
    ("code", "means"), [("1958 г.", "1958"), ("1958г", "1958"), ("58 г.", "1958"), ("58г", "1958")]
)
def test_a_number_with_the_sign_of_a_year_is_a_year_and_nothing_else(code: str, means: str) -> None:
    assert [one.detail for one in readings(code, Window(1930, 2026))] == [means]


@pytest.mark.parametrize("code", ["E88CC Δ7H3", "E88CC\n▲7H3", "6922/E88CC Δ7H3"])
def test_a_factory_codes_second_line_is_read_behind_the_type_in_print(code: str) -> None:
    alone = readings("Δ7H3", Window(1930, 2026))
    assert alone and readings(code, Window(1930, 2026)) == alone
