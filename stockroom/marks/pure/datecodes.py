"""Every reading a stamped code, contract mark or pack date can have.

A short code seldom has one meaning: a year digit comes round every ten years, "5312" is week 12 of 1953 or
December 1953 turned round, and "A5" is a month or half a month. Nothing is chosen here; ranking is the
business of stockroom/marks/pure/identification.py.

Rules and their sources:

- EIA source and date code: a registered number for the maker, then the year and two digits for the week. "113-9910" is
  source 113, year 1999, "the week of March 7-13" (Electronic Components Industry Association, "EIA Source Codes",
  ecianow.org/eia-source-codes). In use since 1945 (abstract of EIA-476-B, electronics.ihs.com). One digit for the year,
  as on most valves, is common practice. The number is only a number here: names belong to the shop's register.
- ISO 8601 week dates, for a date written as one.
- European factory code, two lines of which the second is plant, last digit of the year, month A to L, and from about
  1960 the week in it ("Deciphering European tube date codes", tubemaze.info, read in a stored copy; that some plants
  left out the letter I is common practice, no source).
- Two letters for year and month: X is 1966, Y 1967, Z 1968, and A 1969 again ("Vox Supreme dates", voxsupreme.org.uk,
  read in a stored copy, of British parts in general; the letters beside them are counted on from these). Other makers
  began elsewhere, so a pair is always read as well without a year.
- Era years: year 1 of Shōwa is 1926, of Taishō 1912, of Heisei 1989, of the Republic of China 1912; from memory.
- Everything else (bare year-and-week and week-and-year digits, month, half-month and week letters, plant letters,
  Roman months, Cyrillic letters that stand for Roman figures or for months, contract and pack dates) is common
  practice, no source.

Where no rule reads the whole stamp, as with a line of contract marks, the written dates within it are read; failing
them, what is left of it without inspection marks, contract letters and service numbers.

Factories need not have counted weeks as ISO 8601 does, and most valves are older than that standard, so a
week stands for all the days it can mean in any of the three numberings.
"""

import re
from calendar import monthrange
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum

from stockroom.marks.pure.stamps import (
    PLANT,
    YEAR_MONTH_WEEK,
    YEAR_MONTH_WEEK_UNNAMED,
    factory_code,
    tidy,
    without_marks,
)
from stockroom.pure.refused import Refused

EIA_FIRST_YEAR = 1945


class DateCodeError(Refused):
    """A code or window that cannot be read."""


@dataclass(frozen=True)
class Window:
    """The years a reading may fall in, both ends included. A year digit gives a reading for each that
    fits."""

    first_year: int
    last_year: int

    def __post_init__(self) -> None:
        if not 1000 <= self.first_year <= self.last_year <= 9998:
            raise DateCodeError(f"No years lie from {self.first_year} to {self.last_year}.")

    def ending_in(self, digits: str) -> list[int]:
        """The years that end in one, two or four digits."""
        modulus = 10 ** len(digits)
        return [year for year in range(self.first_year, self.last_year + 1) if year % modulus == int(digits)]


class Form(StrEnum):
    """What kind of code a reading takes the stamp for."""

    EIA = "EIA source and date code"
    EIA_SOURCE = "EIA source code without a date"
    YEAR_WEEK = "year and week"
    WEEK_YEAR = "week and year"
    YEAR_MONTH = "year and month"
    MONTH_YEAR = "month and year"
    MONTH_LETTER = "month letter"
    HALF_MONTH_LETTER = "half-month letter"
    WEEK_LETTER = "week letter"
    PLANT_MONTH = "plant letter, year and month letter"
    FACTORY_CODE = "type code, plant, year and month letter"
    LETTER_PAIR = "year letter and month letter"
    ERA = "era year and month"
    EIA_YEAR = "source code and year digit"
    YEAR_LETTER = "year letter and week"
    ROMAN_MONTH = "month in Roman figures"
    WRITTEN_DATE = "written date"
    QUARTER = "quarter of a year"
    YEAR = "year"
    ISO_WEEK = "ISO 8601 week date"


PUBLISHED_FORMS = frozenset({Form.EIA, Form.EIA_SOURCE, Form.ISO_WEEK})


@dataclass(frozen=True)
class DateMeaning:
    """One meaning of a code: made at the earliest on `earliest` and at the latest on `latest`, both included.

    Both are None where the code gives no date by itself. `detail` says which period was read, such as
    "week 12 of 1953".
    """

    form: Form
    detail: str
    earliest: date | None = None
    latest: date | None = None
    source_code: str | None = None
    among_words: bool = False  # four figures that stand in a longer text, where they are a year before anything else
    type_code: str = ""  # the first line of a factory code, which tells the type
    any_number: bool = False  # figures without a break, that may as well be a number of another kind

    @property
    def rule(self) -> str:
        """The rule that produced the reading, and how far it can be trusted."""
        return f"{self.form} ({'published' if self.form in PUBLISHED_FORMS else 'common practice, no source'})"

    @property
    def words(self) -> str:
        if self.source_code is None:
            return self.detail
        return f"source code {self.source_code}, {self.detail}"

    @property
    def key(self) -> str:
        """The same for the same reading whatever the window: for keeping which one was chosen."""
        return f"{self.form.name}|{self.source_code or ''}|{self.detail}"


def readings(code: str, window: Window) -> list[DateMeaning]:
    """Every reading of a code that falls in the window: dated ones first, published forms before others.

    Spaces around it do not matter. Letters may be of either case, except that a single small letter can be a
    week letter of the second half-year.

    Raises:
        DateCodeError: the code is empty. A code no rule fits gives an empty list.
    """
    text = _without_year_sign(tidy(code))
    if not text:
        raise DateCodeError("There is no code to read.")
    if text != tidy(code) and (year := re.fullmatch(r"\d{2}|\d{4}", text)):
        return list(_year_alone(year[0], window))  # "1958 г.": the sign says that it is a year
    found = _by_rule(text, window) or {one: None for _, some in find_dates(text, window) for one in some}
    left = _without_year_sign(without_marks(text))
    if not found and left and left != text:
        found = _by_rule(left, window)
    return _in_order(found)


def _in_order(found: Iterable[DateMeaning]) -> list[DateMeaning]:
    order = list(Form)
    return sorted(
        found,
        key=lambda reading: (
            reading.earliest is None,
            reading.form not in PUBLISHED_FORMS,
            reading.earliest or date.max,
            order.index(reading.form),
            reading.detail,
        ),
    )


def _by_rule(text: str, window: Window) -> dict[DateMeaning, None]:
    found = dict.fromkeys(reading for rule in _RULES for reading in rule(text, window))
    return {replace(one, any_number=True): None for one in found} if text.isdigit() else found


def find_dates(text: str, window: Window) -> list[tuple[str, list[DateMeaning]]]:
    """The written dates in a longer text, such as a pack's marks, each with its readings, in the order they
    stand."""
    found = []
    text = tidy(text)
    for match in _DATE_IN_TEXT.finditer(text):
        meanings = _in_order(_by_rule(_without_year_sign(match.group()), window))
        if match["year_alone"] and match.group() != text.strip():
            meanings = [replace(meaning, among_words=True) for meaning in meanings]
        if meanings:
            found.append((match.group(), meanings))
    return found


def _without_year_sign(text: str) -> str:
    """
    >>> _without_year_sign("05.68 г."), _without_year_sign("IV кв. 1975 года")
    ('05.68', 'IV кв. 1975')
    """
    return re.sub(r"(?<=\d) ?г(?:\.|од|ода)?$", "", text, flags=re.IGNORECASE)


# Weeks


def iso_week(year: int, week: int) -> tuple[date, date] | None:
    """Monday to Sunday of the ISO 8601 week, week 1 being the one with 4 January; None when the year lacks
    it."""
    try:
        monday = date.fromisocalendar(year, week, 1)
    except ValueError:
        return None
    return monday, monday + timedelta(days=6)


def sunday_week(year: int, week: int) -> tuple[date, date] | None:
    """Sunday to Saturday, week 1 being the one with 4 January; None when the year lacks it.

    The one example of an EIA week that was seen (week 10 of 1999, 7 to 13 March) is such a week; that all of
    them are is an inference.
    """
    start = _sunday_week_1(year) + timedelta(weeks=week - 1)
    if week < 1 or start >= _sunday_week_1(year + 1):
        return None
    return start, start + timedelta(days=6)


def _sunday_week_1(year: int) -> date:
    fourth = date(year, 1, 4)
    return fourth - timedelta(days=fourth.isoweekday() % 7)


def counted_week(year: int, week: int) -> tuple[date, date] | None:
    """Seven days each, counted from 1 January; week 53 has the one or two days that are left."""
    if not 1 <= week <= 53:
        return None
    start = date(year, 1, 1) + timedelta(weeks=week - 1)
    return start, min(start + timedelta(days=6), date(year, 12, 31))


def week_span(year: int, week: int) -> tuple[date, date] | None:
    """From the earliest to the latest day the week can mean in any of the three numberings; None for no
    week."""
    spans = [span for span in (iso_week(year, week), sunday_week(year, week), counted_week(year, week)) if span]
    if not spans:
        return None
    return min(start for start, _ in spans), max(end for _, end in spans)


# Building readings


def _weeks(form: Form, years: Iterable[int], week: str, source_code: str | None = None) -> Iterator[DateMeaning]:
    for year in years:
        span = week_span(year, int(week))
        if span:
            yield DateMeaning(form, f"week {int(week)} of {year}", *span, source_code)


_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def _month(form: Form, years: Iterable[int], month: int) -> Iterator[DateMeaning]:
    if 1 <= month <= 12:
        for year in years:
            last = monthrange(year, month)[1]
            yield DateMeaning(form, f"{_MONTHS[month - 1]} {year}", date(year, month, 1), date(year, month, last))


def _day(years: Iterable[int], month: int, day: int) -> Iterator[DateMeaning]:
    for year in years:
        try:
            when = date(year, month, day)
        except ValueError:
            continue
        yield DateMeaning(Form.WRITTEN_DATE, f"{day} {_MONTHS[month - 1]} {year}", when, when)


# The rules. Each gives the readings it can, or none.


def _eia(text: str, window: Window) -> Iterator[DateMeaning]:
    """Three or four digits for the source, then YWW or YYWW, with or without a hyphen or space between
    them."""
    since = [year for year in range(window.first_year, window.last_year + 1) if year >= EIA_FIRST_YEAR]
    for pattern in (
        r"(?P<source>\d{3,4})[- ](?P<year>\d{1,2})[- ]?(?P<week>\d\d)",
        r"(?P<source>\d{3})(?P<year>\d{1,2})(?P<week>\d\d)",
        r"(?P<source>\d{4})(?P<year>\d{1,2})(?P<week>\d\d)",
    ):
        if match := re.fullmatch(pattern, text):
            years = [year for year in window.ending_in(match["year"]) if year in since]
            yield from _weeks(Form.EIA, years, match["week"], match["source"])


def _eia_source(text: str, window: Window) -> Iterator[DateMeaning]:
    if re.fullmatch(r"\d{3,4}", text) and window.last_year >= EIA_FIRST_YEAR:
        yield DateMeaning(Form.EIA_SOURCE, "no date", source_code=text)


def _eia_year(text: str, window: Window) -> Iterator[DateMeaning]:
    """A source and one more digit, set apart from it: the year, or nothing that tells a date."""
    if match := re.fullmatch(r"(\d{3,4})[- ](\d)", text):
        for year in window.ending_in(match[2]):
            if year >= EIA_FIRST_YEAR:
                yield DateMeaning(Form.EIA_YEAR, f"{year}", date(year, 1, 1), date(year, 12, 31), match[1])
        if window.last_year >= EIA_FIRST_YEAR:
            yield DateMeaning(Form.EIA_SOURCE, "no date", source_code=match[1])


def _digits(text: str, window: Window) -> Iterator[DateMeaning]:
    """Bare digits: YWW, YMM, MYY of three; YYWW, WWYY, YYMM, MMYY or the year itself of four; also 53-12 and
    12/53, and 53.4 with a month of one digit."""
    if re.fullmatch(r"\d{3}", text):
        yield from _weeks(Form.YEAR_WEEK, window.ending_in(text[0]), text[1:])
        yield from _month(Form.YEAR_MONTH, window.ending_in(text[0]), int(text[1:]))
        yield from _month(Form.MONTH_YEAR, window.ending_in(text[1:]), int(text[0]))
    if match := re.fullmatch(r"(\d\d)[-/. ]?(\d\d)", text):
        first, second = match.groups()
        yield from _weeks(Form.YEAR_WEEK, window.ending_in(first), second)
        yield from _weeks(Form.WEEK_YEAR, window.ending_in(second), first)
        yield from _month(Form.YEAR_MONTH, window.ending_in(first), int(second))
        yield from _month(Form.MONTH_YEAR, window.ending_in(second), int(first))
    if match := re.fullmatch(r"(\d{1,2})[-/. ](\d{4})", text):
        yield from _month(Form.MONTH_YEAR, window.ending_in(match[2]), int(match[1]))
        yield from _weeks(Form.WEEK_YEAR, window.ending_in(match[2]), match[1])
    if match := re.fullmatch(r"(\d{4})[-/. ](\d{1,2})", text):
        yield from _month(Form.YEAR_MONTH, window.ending_in(match[1]), int(match[2]))
        yield from _weeks(Form.YEAR_WEEK, window.ending_in(match[1]), match[2])
    if match := re.fullmatch(r"(\d)[-/. ](\d\d)", text):
        yield from _month(Form.MONTH_YEAR, window.ending_in(match[2]), int(match[1]))
    if match := re.fullmatch(r"(\d\d)[-/. ](\d)", text):
        yield from _month(Form.YEAR_MONTH, window.ending_in(match[1]), int(match[2]))
    if match := re.fullmatch(r"(\d)[- ](\d\d)", text):
        yield from _weeks(Form.YEAR_WEEK, window.ending_in(match[1]), match[2])
        yield from _month(Form.YEAR_MONTH, window.ending_in(match[1]), int(match[2]))


def _year(text: str, window: Window) -> Iterator[DateMeaning]:
    if re.fullmatch(r"\d{4}", text):
        yield from _year_alone(text, window)


def _year_alone(figures: str, window: Window) -> Iterator[DateMeaning]:
    for year in window.ending_in(figures):
        yield DateMeaning(Form.YEAR, f"{year}", date(year, 1, 1), date(year, 12, 31))


# The twelve months without I (which is taken for 1), and with it.
_MONTH_LETTERS = ("ABCDEFGHJKLM", "ABCDEFGHIJKL")
_HALF_MONTH_LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXY"


def _letters(text: str, window: Window) -> Iterator[DateMeaning]:
    """A letter and the last digit or two of the year, or a year letter and the week, in either order."""
    if match := re.fullmatch(r"([A-Za-z])[- ]?(\d{1,2})", text):
        letter, digits = match.groups()
    elif match := re.fullmatch(r"(\d{1,2})[- ]?([A-Za-z])", text):
        digits, letter = match.groups()
    else:
        return
    years = window.ending_in(digits)
    capital = letter.upper()
    for alphabet in _MONTH_LETTERS:
        yield from _month(Form.MONTH_LETTER, years, alphabet.find(capital) + 1)
    half = _HALF_MONTH_LETTERS.find(capital)
    if half >= 0:
        month = half // 2 + 1
        for year in years:
            last = monthrange(year, month)[1]
            begins, ends, which = (1, 15, "first") if half % 2 == 0 else (16, last, "second")
            detail = f"{which} half of {_MONTHS[month - 1]} {year}"
            yield DateMeaning(Form.HALF_MONTH_LETTER, detail, date(year, month, begins), date(year, month, ends))
    week = ord(capital) - ord("A") + (1 if letter == capital else 27)
    yield from _weeks(Form.WEEK_LETTER, years, str(week))
    if len(digits) == 2 and 1 <= int(digits) <= 53:
        yield DateMeaning(Form.YEAR_LETTER, f"week {int(digits)} of the year that the maker marked {letter}")


def _plant_letter(text: str, window: Window) -> Iterator[DateMeaning]:
    """A letter or sign for the plant, the last digit of the year, the month's letter, and perhaps the week in it."""
    if match := re.fullmatch(f"{PLANT} ?{YEAR_MONTH_WEEK}", text):
        yield from _by_plant(Form.PLANT_MONTH, match, window)


def _factory_code(text: str, window: Window) -> Iterator[DateMeaning]:
    """Both lines: type code and its version, then plant, year and month: I61 B5D3, xf4/B8K, GA2Δ4K3."""
    if (code := factory_code(text)) and (match := re.fullmatch(f"{PLANT}{YEAR_MONTH_WEEK}", code.second)):
        for one in _by_plant(Form.FACTORY_CODE, match, window):
            yield replace(one, type_code=code.first)


def _by_plant(form: Form, match: re.Match[str], window: Window) -> Iterator[DateMeaning]:
    for alphabet in _MONTH_LETTERS:
        month = alphabet.find(match["month"].upper()) + 1
        for whole in _month(form, window.ending_in(match["year"]), month):
            yield _week_within(whole, int(match["week"])) if match["week"] else whole


def _week_within(month: DateMeaning, week: int) -> DateMeaning:
    """That week of the month, counted by sevens from the 1st or by the calendar, which can begin six days sooner."""
    assert month.earliest is not None and month.latest is not None
    earliest = month.earliest + timedelta(days=max(0, 7 * (week - 1) - 6))
    latest = min(month.earliest + timedelta(days=7 * week - 1), month.latest)
    return replace(month, detail=f"week {week} of {month.detail}", earliest=earliest, latest=latest)


_ROMAN = ("I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII")
# What a Cyrillic keyboard gives for Roman figures: letters that look like them, П for two strokes and Ш for three.
_CYRILLIC_ROMAN = {"І": "I", "Ӏ": "I", "Х": "X", "У": "V", "Ѵ": "V", "П": "II", "Ш": "III"}
_ROMAN_TYPED = f"[IVX1{''.join(_CYRILLIC_ROMAN)}]+"


def _roman(text: str, window: Window) -> Iterator[DateMeaning]:
    """A month in Roman figures with the year, in either order: III-78, 78 III, IV.1978, ХІ-68, IX72."""
    upper = text.upper()
    for pattern in (
        rf"(?P<roman>{_ROMAN_TYPED})[-/. '’]+(?P<year>\d{{4}}|\d\d)",
        rf"(?P<year>\d{{4}}|\d\d)[-/. ]+(?P<roman>{_ROMAN_TYPED})",
        rf"(?P<roman>{_ROMAN_TYPED.replace('1', '')})(?P<year>\d\d)",
        rf"(?P<year>\d\d)(?P<roman>{_ROMAN_TYPED.replace('1', '')})",
    ):
        if (match := re.fullmatch(pattern, upper)) and (month := roman_figure(match["roman"])):
            yield from _month(Form.ROMAN_MONTH, window.ending_in(match["year"]), month)


def roman_figure(typed: str) -> int:
    """The month that Roman figures say, as typed; 0 for none, and for a row of ones, which is a number.

    >>> roman_figure("IX"), roman_figure("ІХ"), roman_figure("Ш"), roman_figure("X1"), roman_figure("11")
    (9, 9, 3, 11, 0)
    """
    figures = "".join(_CYRILLIC_ROMAN.get(letter, letter) for letter in typed)
    if set(typed) == {"1"}:
        return 0
    figures = figures.replace("1", "I")
    return _ROMAN.index(figures) + 1 if figures in _ROMAN else 0


# Ё and Й are no letters for counting by; from memory.
_CYRILLIC_MONTHS = "АБВГДЕЖЗИКЛМ"


def _cyrillic_month(text: str, window: Window) -> Iterator[DateMeaning]:
    """A month by its letter of the Cyrillic alphabet, with the year: В-72, 72 В."""
    match = re.fullmatch(r"([А-Я])[- ]?(\d\d)|(\d\d)[- ]?([А-Я])", text.upper())
    if match:
        letter, year = match[1] or match[4], match[2] or match[3]
        yield from _month(Form.MONTH_LETTER, window.ending_in(year), _CYRILLIC_MONTHS.find(letter) + 1)


# From this letter on years are counted upward, and to that one again after Z (see the top).
_YEAR_LETTERS = {**{letter: 1964 + at for at, letter in enumerate("VWXYZ")}, "A": 1969, "B": 1970, "C": 1971, "D": 1972}


def _letter_pair(text: str, window: Window) -> Iterator[DateMeaning]:
    """Two letters for a year and a month, in either order; without a year, and with the one that parts bore so."""
    if not re.fullmatch("[A-Z]{2}", text):
        return
    for year, month in ((text[0], text[1]), (text[1], text[0])):
        for alphabet in _MONTH_LETTERS:
            at = alphabet.find(month) + 1
            if at:
                yield DateMeaning(Form.LETTER_PAIR, f"{_MONTHS[at - 1]} of the year that the maker marked {year}")
                if window.first_year <= _YEAR_LETTERS.get(year, 0) <= window.last_year:
                    yield from _month(Form.LETTER_PAIR, [_YEAR_LETTERS[year]], at)


# The year before the first of each era; the letters are those written on goods.
_ERAS = {"昭和": 1925, "昭": 1925, "S": 1925, "大正": 1911, "平成": 1988, "民国": 1911, "民國": 1911}


def _era(text: str, window: Window) -> Iterator[DateMeaning]:
    """Year and month, or the year alone, as written in the East: 昭和36年5月, S36.5, 1975年5月, 75年5月."""
    upper = text.upper().replace(" ", "")
    when = re.fullmatch(rf"({'|'.join(_ERAS)})?(\d{{4}}|\d\d?)年(?:(\d\d?)月)?(?:\d\d?日)?", upper)
    when = when or re.fullmatch(r"(S|昭和?)\.?(\d\d)[-.](\d\d?)(?:[-.]\d\d?)?", upper)
    if when is None:
        return
    era, figures, month = when.groups()
    years = [_ERAS[era] + int(figures)] if era else window.ending_in(figures) if len(figures) in (2, 4) else []
    if not era and len(figures) == 2 and int(figures) <= 64:
        years.append(_ERAS["昭和"] + int(figures))
    for year in dict.fromkeys(years):
        if window.first_year <= year <= window.last_year:
            if month:
                yield from _month(Form.ERA, [year], int(month))
            else:
                yield DateMeaning(Form.ERA, f"{year}", date(year, 1, 1), date(year, 12, 31))


# In English, German and Russian, the last in the form of a heading and of a date (from memory).
_MONTH_NAMES = (
    r"JAN(?:UARY|UAR)?|ЯНВ(?:АРЬ|АРЯ)?",
    r"FEB(?:RUARY|RUAR)?|ФЕВР?(?:АЛЬ|АЛЯ)?",
    r"MAR(?:CH)?|MÄRZ|МАРТА?",
    r"APR(?:IL)?|АПР(?:ЕЛЬ|ЕЛЯ)?",
    r"MA[YI]|МА[ЙЯ]",
    r"JUNE?|JUNI|ИЮН[ЬЯ]?",
    r"JULY?|JULI|ИЮЛ[ЬЯ]?",
    r"AUG(?:UST)?|АВГ(?:УСТА?)?",
    r"SEPT?(?:EMBER)?|СЕНТ?(?:ЯБРЬ|ЯБРЯ)?",
    r"O[CK]T(?:OBER)?|ОКТ(?:ЯБРЬ|ЯБРЯ)?",
    r"NOV(?:EMBER)?|НОЯБ?(?:РЬ|РЯ)?",
    r"DE[CZ](?:EMBER)?|ДЕК(?:АБРЬ|АБРЯ)?",
)
_MONTH_NAME = rf"(?P<name>{'|'.join(_MONTH_NAMES)})\.?"


def _written(text: str, window: Window) -> Iterator[DateMeaning]:
    """A month by name, with the year and perhaps the day: JUN 1953, 15 JUNE 53, JUNE 15, 1953, 1953 JUN."""
    upper = text.upper()
    for pattern in (
        rf"(?:(?P<day>\d{{1,2}})(?:ST|ND|RD|TH)?[-/. ]?)?{_MONTH_NAME}[-/, ]*'?(?P<year>\d{{4}}|\d\d)",
        rf"{_MONTH_NAME} ?(?P<day>\d{{1,2}})(?:ST|ND|RD|TH)?,? ?(?P<year>\d{{4}})",
        rf"(?P<year>\d{{4}})[-/, ]*{_MONTH_NAME}(?P<day>(?!))?",
    ):
        if match := re.fullmatch(pattern, upper):
            month = next(at for at, names in enumerate(_MONTH_NAMES, 1) if re.fullmatch(names, match["name"]))
            years = window.ending_in(match["year"])
            if match["day"] is None:
                yield from _month(Form.WRITTEN_DATE, years, month)
            else:
                yield from _day(years, month, int(match["day"]))


def _numeric_date(text: str, window: Window) -> Iterator[DateMeaning]:
    """Day, month and year in figures; both orders of day and month are read, as packs came from
    everywhere."""
    if match := re.fullmatch(r"(\d{4})-(\d\d)-(\d\d)", text):
        yield from _day(window.ending_in(match[1]), int(match[2]), int(match[3]))
    if match := re.fullmatch(r"(\d{1,2})([-/. ])(\d{1,2})\2(\d{4}|\d\d)", text):
        years = window.ending_in(match[4])
        for day, month in ((match[1], match[3]), (match[3], match[1])):
            if 1 <= int(month) <= 12:
                yield from _day(years, int(month), int(day))


_QUARTERS = {"1ST": 1, "2ND": 2, "3RD": 3, "4TH": 4, "I": 1, "II": 2, "III": 3, "IV": 4}
# In Russian, with Cyrillic letters or the Latin ones that look like them: IV кв. 1975 (from memory).
_QUARTER = (
    r"(?:(?P<before>[1-4])Q|Q(?P<after>[1-4]))[-/ ]?",
    r"(?P<before>1ST|2ND|3RD|4TH)(?P<after>) (?:QTR|QUARTER)\.? ",
    r"(?P<before>)(?:QTR|QUARTER)\.? ?(?P<after>[1-4])[-/, ]+",
    r"(?P<before>I{1,3}|IV|[1-4])(?P<after>)(?:-?Й)?[- ]?(?:КВ|KB|KV|КВАРТАЛ)\.?[-/, ]*",
    r"(?P<before>)(?:КВ|KB|KV|КВАРТАЛ)\.? ?(?P<after>I{1,3}|IV|[1-4])[-/, ]+",
)


def _quarter(text: str, window: Window) -> Iterator[DateMeaning]:
    """A quarter of a year: 2Q53, Q2 1953, 2ND QTR 53, QTR 2 1962, IV кв. 1975."""
    upper = re.sub("[ІӀ](?=[ІӀIV]* ?[-КK])", "I", text.upper())
    match = next(filter(None, (re.fullmatch(rf"{one}(?P<year>\d{{4}}|\d\d)", upper) for one in _QUARTER)), None)
    if match is None:
        return
    named = match["before"] or match["after"]
    quarter = _QUARTERS.get(named) or int(named)
    for year in window.ending_in(match["year"]):
        end = 3 * quarter
        last = monthrange(year, end)[1]
        yield DateMeaning(Form.QUARTER, f"quarter {quarter} of {year}", date(year, end - 2, 1), date(year, end, last))


def _iso(text: str, window: Window) -> Iterator[DateMeaning]:
    """1953-W25, 1953W25, and with the day of the week as 1953-W25-3."""
    if match := re.fullmatch(r"(\d{4})-?W(\d\d)(?:-?([1-7]))?", text.upper()):
        for year in window.ending_in(match[1]):
            week = int(match[2])
            span = iso_week(year, week)
            if span and match[3]:
                when = date.fromisocalendar(year, week, int(match[3]))
                yield DateMeaning(Form.ISO_WEEK, f"day {match[3]} of week {week} of {year}", when, when)
            elif span:
                yield DateMeaning(Form.ISO_WEEK, f"week {week} of {year}", *span)


_RULES = (
    _eia,
    _eia_source,
    _eia_year,
    _digits,
    _year,
    _letters,
    _plant_letter,
    _factory_code,
    _letter_pair,
    _roman,
    _cyrillic_month,
    _era,
    _written,
    _numeric_date,
    _quarter,
    _iso,
)

_DATE_IN_TEXT = re.compile(
    rf"""(?<![\w/.-])(?:
        \d{{4}}-W\d\d(?:-[1-7])? | \d{{4}}-\d\d-\d\d
      | \d{{1,2}}[-/.]\d{{1,2}}[-/.](?:\d{{4}}|\d\d)
      | (?:\d{{1,2}}(?:st|nd|rd|th)?[-/.\ ]?)?{_MONTH_NAME}[-/,\ ]*'?(?:\d{{4}}|\d\d)
      | (?:[1-4]Q|Q[1-4])[-/\ ]?(?:\d{{4}}|\d\d) | (?:1st|2nd|3rd|4th)\ (?:qtr|quarter)\.?\ (?:\d{{4}}|\d\d)
      | (?:qtr|quarter)\.?\ ?[1-4][-/,\ ]+(?:\d{{4}}|\d\d)
      | (?:[IІ]{{1,3}}|[IІ]V|[1-4])(?:-?й)?[-\ ]?(?:кв|KB|KV|квартал)\.?[-/,\ ]*(?:\d{{4}}|\d\d)
      | \d{{1,2}}[-/](?:\d{{4}}|\d\d)
      | (?!1+\W){_ROMAN_TYPED}[-/.](?:\d{{4}}|\d\d) | (?:\d{{4}}|\d\d)[-/.](?!1+(?:\W|$)){_ROMAN_TYPED}
      | \d{{1,2}}\.(?:\d{{4}}|\d\d(?=\ ?г))
      | (?:{"|".join(_ERAS)})?\d{{1,4}}年(?:\d{{1,2}}月)?(?:\d{{1,2}}日)?
      | (?=[A-Z]*\d)(?=\d*[A-Z])[A-Z0-9]{{3,4}}[\ /]{PLANT}{YEAR_MONTH_WEEK_UNNAMED}
      | (?P<year_alone>(?:19|20)\d\d)
    )(?![\w/-]|\.\d)(?:\ ?г(?:\.|ода?)?(?!\w))?""",
    re.IGNORECASE | re.VERBOSE,
)
