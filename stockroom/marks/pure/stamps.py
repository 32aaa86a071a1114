"""What stands in a stamp besides its date: type codes, plant signs, letters that tell a maker, service numbers.

All of it is common practice, no source, except where `fixtures/marks.toml` says otherwise; only shapes are known here.
What a code stands for is the business of that file (`registers.py`) and of the shop's own register of makers.

A type code has two signs, or three from the end of the 1960s; those of 7-pin miniatures may have one (the opening of a
collector's list of these codes on frank.pocnet.net, read in a stored copy). The version after it may be left out (the
source `production-code-page` of `fixtures/marks.toml`).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

TRIANGLE, STAR = "Δ", "*"
# Signs that copies, keyboards and fonts give for one another.
_SIGNS = str.maketrans({**dict.fromkeys("∆△▲▵▴⃤", TRIANGLE), **dict.fromkeys("＊✱✲★☆✶⋆", STAR)})

PLANT = f"[A-Za-z{TRIANGLE}{STAR}≠+#]"
YEAR_MONTH_WEEK_UNNAMED = r"\d[A-Ma-m][1-5]?"
YEAR_MONTH_WEEK = r"(?P<year>\d)(?P<month>[A-Ma-m])(?P<week>[1-5])?"


class FactoryCode(NamedTuple):
    """The two lines of a European factory code: "I61" is the type and its version, "B5D3" plant and date."""

    first: str
    second: str

    @property
    def plant(self) -> str:
        return self.second[0]


class MarkKind(StrEnum):
    NUMBER = "source number"
    LETTERS = "contract letters"
    PLANT = "plant sign"
    TYPE_CODE = "type code"
    TYPE_NUMBER = "type number"
    INSPECTION = "inspection mark"


class MarkFound(NamedTuple):
    kind: MarkKind
    text: str


def tidy(text: str) -> str:
    """One line, with one sign for every triangle and every star, and Roman figures as letters.

    >>> tidy(" I61\\n ∆4K3"), tidy("Ⅸ-72")
    ('I61 Δ4K3', 'IX-72')
    """
    plain = "".join(unicodedata.normalize("NFKC", one) if "Ⅰ" <= one <= "ⅿ" else one for one in text)
    return " ".join(plain.translate(_SIGNS).split())


_LINES = re.compile(
    rf"""(?P<first>(?=\S*[A-Za-z])[A-Za-z0-9]{{2,3}}[A-Za-z0-9])
         (?:\ ?[/|,;-]\ ?|\ )
         (?P<second>{PLANT}\ ?{YEAR_MONTH_WEEK_UNNAMED})""",
    re.VERBOSE,
)
# A code without its version, or one of one sign with it: nobody can tell which, so it dates and tells no type.
SHORT_FIRST_LINE = 2
_SHORT = re.compile(
    rf"(?P<first>(?=\S?[A-Za-z])[A-Za-z0-9]{{2}})(?: ?[/|,;-] ?| )(?P<second>{PLANT} ?{YEAR_MONTH_WEEK_UNNAMED})"
)
_TOGETHER = re.compile(rf"(?P<first>(?=\S*[A-Za-z])[A-Za-z0-9]{{2}}\d)(?P<second>{PLANT}{YEAR_MONTH_WEEK_UNNAMED})")


def factory_code(text: str) -> FactoryCode | None:
    """Both lines of a factory code, typed apart or together; None where the text is no such code.

    >>> factory_code("I61 B5D3"), factory_code("xf4/B8K").plant, factory_code("GA2∆4K3").second
    (FactoryCode(first='I61', second='B5D3'), 'B', 'Δ4K3')
    """
    plain = tidy(text)
    match = _LINES.fullmatch(plain) or _TOGETHER.fullmatch(plain) or _SHORT.fullmatch(plain)
    return FactoryCode(match["first"], match["second"].replace(" ", "")) if match else None


def plant_sign(text: str) -> str:
    """The sign before the date of a factory code, whose second line may stand alone; nothing where there is none."""
    if code := factory_code(text):
        return code.plant
    alone = re.fullmatch(f"({PLANT}) ?{YEAR_MONTH_WEEK_UNNAMED}", tidy(text))
    return alone[1] if alone else ""


def _in_text(text: str) -> FactoryCode | None:
    """The factory code in a longer text, where each of its lines is a word by itself, the first with a figure in it."""
    match = re.search(rf"(?<!\S)(?=[A-Za-z]*\d){_LINES.pattern}(?!\S)", text, re.VERBOSE)
    return FactoryCode(match["first"], match["second"].replace(" ", "")) if match else None


# Letters that a contract's marks give the maker: after the name of the services, or the British K codes, whose letters
# before the stroke are the specification and its approval, and those after it the factory (common practice, no source).
_CONTRACT = re.compile(r"(?<![\w/-])(?:JAN|USN|USAF|JHS)[-\s]?(?P<letters>C[A-Z]{2,3})(?=[-\s]|$)", re.IGNORECASE)
_K_CODE = re.compile(r"(?<![\w/-])(?P<letters>K[A-Z]{0,4}\s?/\s?[A-Z]{1,3})(?![\w/-])")
_SERVICES = re.compile(r"(?<![\w/-])(?:JAN|USN|USAF|JHS|MIL)(?=[-\s]|$)[-\s]?", re.IGNORECASE)
# A number of four figures straight after it, or joined to the letters, is a type's.
_FIGURES_OF_A_TYPE = "[5-9][0-9]{3}[A-Z]{0,3}"
_SERVICES_AND = re.compile(r"(?<![\w/-])(?:JAN|USN|USAF|JHS|MIL)(?:[-\s]?C[A-Z]{2,3}-|[-\s]+)(?=\w*\d)", re.IGNORECASE)
_TYPE_OF_SERVICES = re.compile(f"{_SERVICES_AND.pattern}{_FIGURES_OF_A_TYPE}(?![\\w/])", re.IGNORECASE)
_INSPECTION = re.compile(r"(?<!\w)(?:[ОO][ТT][КK]|ВП|В\.П\.)(?!\w)[-\s.]?", re.IGNORECASE)
_INSPECTOR = re.compile(r"(?<!\w)(?:[ОO][ТT][КK]|ВП)(?:[-\s]?№?\s?\d{1,2}(?![\d./-])(?!\s?\S*\d))?", re.IGNORECASE)
_ACCEPTED = re.compile("[◇◊♦⬥☆★]")

# Service numbers, whose shape nothing else has. 10E/ and like stand before a stock number.
_SERVICE_NUMBER = re.compile(
    r"(?<![\w/-])(?:CV[-\s]?\d{1,5}|VT[-\s]?\d{1,3}[A-Z]?|M8\d{3}|10E/\d{1,5}|5960[-\s]?\d\d[-\s]?\d{3}[-\s]?\d{4})"
    r"(?![\w/-])",
    re.IGNORECASE,
)


# A type's name in print before the second line of a factory code: of four signs at least, three are a type code.
_PRINT_BEFORE_CODE = re.compile(rf"^(?=\S*[^\W\d_])(?=\S*\d)[\w/-]{{4,}}\s(?={PLANT}\ ?{YEAR_MONTH_WEEK_UNNAMED}$)")


def without_marks(text: str) -> str:
    """The text without inspection marks, contract letters and names of types: what may be a date is left.

    >>> without_marks("ОТК IX-72"), without_marks("CV4004 KB/D 3/61"), without_marks("E88CC ∆7H3")
    ('IX-72', '3/61', 'Δ7H3')
    """
    left = tidy(text)
    marks = (_SERVICE_NUMBER, _K_CODE, _TYPE_OF_SERVICES, _CONTRACT, _SERVICES, _INSPECTOR, _INSPECTION)
    for pattern in (_ACCEPTED, *marks):
        left = pattern.sub(" ", left)
    return _PRINT_BEFORE_CODE.sub("", " ".join(left.split()).strip(" -/,;"))


def marks_in(text: str) -> list[MarkFound]:
    """What in the stamp, besides a date, can be told by its shape.

    >>> [(one.kind.name, one.text) for one in marks_in("CV4004 KB/D 3/61")]
    [('LETTERS', 'KB/D'), ('TYPE_NUMBER', 'CV4004')]
    >>> [one.text for one in marks_in("JAN-CRP 6SN7GT 1952 VT-231")]
    ['CRP', 'VT-231', '6SN7GT']
    """
    plain = tidy(text)
    code = factory_code(plain) or _in_text(plain)
    found = [MarkFound(MarkKind.TYPE_CODE, code.first)] if code else []
    if sign := code.plant if code else plant_sign(plain):
        found.append(MarkFound(MarkKind.PLANT, sign))
    for pattern in (_CONTRACT, _K_CODE):
        letters = ("".join(match["letters"].split()).upper() for match in pattern.finditer(plain))
        found += [MarkFound(MarkKind.LETTERS, one) for one in letters]
    found += [MarkFound(MarkKind.TYPE_NUMBER, match.group()) for match in _SERVICE_NUMBER.finditer(plain)]
    found += [MarkFound(MarkKind.TYPE_NUMBER, word) for word in _type_words(plain, code)]
    found += [MarkFound(MarkKind.INSPECTION, match.group().strip()) for match in _INSPECTOR.finditer(plain)]
    return list(dict.fromkeys(found))


def tells_a_type(text: str) -> bool:
    """Whether something in the stamp may name a type, so that what it means rests on the names and codes on file.

    >>> tells_a_type("I61 B5D3"), tells_a_type("CV492 KB/D"), tells_a_type("5-61")
    (True, True, False)
    """
    return any(one.kind in (MarkKind.TYPE_CODE, MarkKind.TYPE_NUMBER) for one in marks_in(text))


_LETTERS = re.compile(r"(?<![\w/-])(?:[A-Za-z]{3,5}|[A-Za-z]{2,5}/[A-Za-z]{1,3})(?![\w/-])")


def letters_in(text: str) -> list[str]:
    """Every word of letters that the register of makers may know as somebody's. Two letters alone can be a date."""
    return [word.upper() for word in _LETTERS.findall(tidy(text))]


def _type_words(plain: str, code: FactoryCode | None) -> Iterator[str]:
    """Words of letters and figures such as designations are. Figures alone are one only after the services' name."""
    for word in re.split(r"[\s,;()]+", _SERVICES_AND.sub("JAN-", _K_CODE.sub(" ", plain))):
        bare = re.sub("^JAN-", "", word).strip("-/")
        if bare != word and re.fullmatch(_FIGURES_OF_A_TYPE, bare):
            yield bare
        elif factory_code(word) or plant_sign(word) or (code and bare in code):
            continue
        elif len(bare) >= 3 and re.search(r"[^\W\d_]", bare) and re.search(r"\d", bare):
            yield bare
