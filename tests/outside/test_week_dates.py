"""Week codes against published dates.

ISO 8601 examples, each from the page named beside it; and the one example of an EIA source and date code that
the Electronic Components Industry Association prints.
"""

from datetime import date

import pytest

from stockroom.marks.pure.datecodes import Form, Window, iso_week, readings, sunday_week, week_span

ISO_EXAMPLES = [
    # "ISO week date", table of dates around New Year's Day (the encyclopaedia article, as kept at
    # wiki.richxsearch.com/view_html.php?q=ISO_week_date)
    ("1976-W53-6", date(1977, 1, 1)),
    ("1976-W53-7", date(1977, 1, 2)),
    ("1977-W52-6", date(1977, 12, 31)),
    ("1977-W52-7", date(1978, 1, 1)),
    ("1978-W01-1", date(1978, 1, 2)),
    ("1978-W52-7", date(1978, 12, 31)),
    # alchetron.com/ISO-week-date
    ("2006-W52-7", date(2006, 12, 31)),
    ("2006W527", date(2006, 12, 31)),
    # nicephore-site.pages.dev, "ISO Week Date Format"
    ("2026-W22-4", date(2026, 5, 28)),
    ("2015-W53-6", date(2016, 1, 2)),
    # www.weeknumber.com.au/standards/iso-8601
    ("2022-W52-7", date(2023, 1, 1)),
]


@pytest.mark.parametrize(("code", "published"), ISO_EXAMPLES)
def test_iso_week_dates_are_the_published_days(code, published):
    (reading,) = readings(code, Window(1900, 2100))
    assert reading.form is Form.ISO_WEEK
    assert reading.earliest == reading.latest == published


def test_the_first_week_of_1997_is_the_published_one():
    # M. Kuhn's summary of ISO 8601, quoted on a page seen: "the first week of the year 1997 lasts from
    # 1996-12-30 to 1997-01-05".
    assert iso_week(1997, 1) == (date(1996, 12, 30), date(1997, 1, 5))


def test_seventy_one_of_four_hundred_years_have_a_week_53():
    # The same encyclopaedia article: "In every cycle there are 71 years with an additional 53rd week".
    assert sum(1 for year in range(2000, 2400) if iso_week(year, 53)) == 71


def test_the_eia_example_is_read_as_printed():
    # ecianow.org/eia-source-codes: 113-9910 is "the company's number 113 plus 99 for 1999, the production
    # year, and 10 for the week of March 7-13, the production week".
    (reading,) = readings("113-9910", Window(1945, 2001))
    assert (reading.form, reading.source_code, reading.detail) == (Form.EIA, "113", "week 10 of 1999")
    assert sunday_week(1999, 10) == (date(1999, 3, 7), date(1999, 3, 13))
    assert reading.earliest <= date(1999, 3, 7)
    assert reading.latest >= date(1999, 3, 13)


def test_the_eia_week_is_not_the_iso_week_so_the_span_holds_both():
    assert iso_week(1999, 10) == (date(1999, 3, 8), date(1999, 3, 14))
    assert week_span(1999, 10) == (date(1999, 3, 5), date(1999, 3, 14))
