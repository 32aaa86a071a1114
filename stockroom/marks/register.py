"""The shop's registers of makers and type codes, and what a valve's codes say by them and by `fixtures/marks.toml`."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cached_property, lru_cache
from typing import NamedTuple

from django.conf import settings
from django.utils import timezone

from catalog.models import ValveType
from catalog.reference.lookup import NameRegister
from stockroom.marks.pure.datecodes import Window, readings
from stockroom.marks.pure.identification import (
    MakerFacts,
    TypeFacts,
    TypeNamed,
    YearsKnown,
    letters_of,
)
from stockroom.marks.pure.registers import CodesKnown, TypeCode, may_be_made_in, read_codes
from stockroom.marks.pure.stamps import SHORT_FIRST_LINE, MarkKind, marks_in
from stockroom.models import Maker, ShopTypeCode, SourceCode

DOUBT_YEARS = 2  # a type's first year may be out by so much when nobody had a publication open; our policy
FIRST_YEAR = 1920  # valves in quantity from about then; from memory


@lru_cache(maxsize=1)
def codes_known() -> CodesKnown:
    return read_codes(settings.BASE_DIR / "fixtures" / "marks.toml")


def type_facts(type_: ValveType) -> TypeFacts:
    """Ask for the type together with the source of its first year, or each costs a query."""
    source = type_.first_registered_source
    doubt = DOUBT_YEARS if source is not None and source.is_memory else 0
    return TypeFacts(type_.designation, type_.first_registered, doubt_years=doubt, tradition=type_.tradition)


class MarkSaid(NamedTuple):
    """What one mark means, for the page. `source` is empty where the shop's own register says it."""

    text: str
    means: str
    source: str = ""


class Register:
    """Read once for all valves of a request: makers in two queries, names of types only where marks hold any."""

    def __init__(self) -> None:
        rows = Maker.objects.prefetch_related("source_codes", "known_construction").order_by("name")
        self._makers = list(rows)
        self._by_type: dict[int, list[MakerFacts]] = {}
        self._named: dict[str, int | None] = {}

    def for_type(self, type_id: int) -> list[MakerFacts]:
        """Every maker, with the constructions known of it for this type."""
        if type_id not in self._by_type:
            self._by_type[type_id] = [_facts(maker, type_id) for maker in self._makers]
        return self._by_type[type_id]

    def maker(self, name: str, type_id: int) -> MakerFacts | None:
        return next((one for one in self.for_type(type_id) if one.name == name), None)

    def owners(self, source_code: str | None) -> list[str]:
        """The names of those whose number this is."""
        return self._owners(SourceCode.Kind.NUMBER, source_code or "")

    def _owners(self, kind: str, code: str) -> list[str]:
        return [
            maker.name
            for maker in self._makers
            if any(one.kind == kind and one.code == code for one in maker.source_codes.all())
        ]

    # What the marks say of the type

    @cached_property
    def _names(self) -> NameRegister:
        return ValveType.objects.name_register()

    def type_named(self, text: str) -> int | None:
        """The type that a text names, by the catalogue's one reader."""
        if text not in self._named:
            found = self._names.find(text)
            self._named[text] = found.key if found else None
        return self._named[text]

    @cached_property
    def _own_type_codes(self) -> dict[str, list[ShopTypeCode]]:
        """Read where a mark is a type code, and only then."""
        own: dict[str, list[ShopTypeCode]] = defaultdict(list)
        for one in ShopTypeCode.objects.select_related("type"):
            own[one.code].append(one)
        return own

    def type_code(self, first_line: str, stamp: str) -> TypeCode | None:
        """What the first line of the stamp's factory code tells: by the shop's own codes, else by the file."""
        window = Window(FIRST_YEAR, timezone.localdate().year)
        own = [
            one
            for one in self._own_type_codes.get(first_line[:-1], [])
            if may_be_made_in(one.years, one.plant, first_line, stamp, window)
        ]
        if not own:
            return codes_known().type_code(first_line)
        types = tuple(dict.fromkeys(one.type.designation for one in own))
        sources = "; ".join(dict.fromkeys(one.source for one in own))
        return TypeCode(first_line[:-1], types, f"the shop’s own: {sources}")

    def facts(self, type_: ValveType, code: str) -> TypeFacts:
        """With the type codes that mean the type, where the stamp holds one."""
        codes = [one.text for one in marks_in(code) if one.kind is MarkKind.TYPE_CODE]
        known = [known for text in codes if (known := self.type_code(text, code))]
        meant = frozenset(one.code for one in known if type_.pk in map(self.type_named, one.types))
        return replace(type_facts(type_), type_codes=meant)

    def types_named(self, code: str, type_: ValveType) -> list[TypeNamed]:
        """The types that the marks tell. A word that can be a date is none; nor is a name that is not on file."""
        told = []
        for kind, text, keys in self._types_told(code):
            agrees = type_.pk in keys
            related = any(self._names.same_inside(type_.pk, key) for key in keys) if not agrees else False
            said = " or ".join(dict.fromkeys(self._names.types[key].designation for key in sorted(keys)))
            told.append(TypeNamed(kind, text, said, agrees, related))
        return told

    def _types_told(self, code: str) -> Iterable[tuple[MarkKind, str, set[int]]]:
        for kind, text in marks_in(code):
            names: tuple[str, ...] = ()
            if kind is MarkKind.TYPE_CODE:
                known = self.type_code(text, code)
                names = known.types if known else ()
            elif kind is MarkKind.TYPE_NUMBER and (text.isdigit() or not _can_be_a_date(text)):
                names = (text,)
            keys = {key for name in names if (key := self.type_named(name)) is not None}
            if keys:
                yield kind, text, keys

    def is_a_types_number(self, code: str) -> bool:
        """Whether figures alone are also the name of a type: 5751, 6080."""
        return code.isdigit() and len(code) == 4 and code in self._names.names

    # For the page

    def said(self, code: str, type_: ValveType) -> list[MarkSaid]:
        """Each mark in the stamp that is not a date, and what it means."""
        found = marks_in(code)
        named = {one.text: one for one in self.types_named(code, type_)}
        said = [MarkSaid(*one) for kind, text in found for one in self._means(kind, text, code, named)]
        said += [
            MarkSaid(text, f"letters of {_all(one.name for one in owners)}" if owners else "letters nobody here has")
            for text, owners in letters_of(code, self.for_type(type_.pk)).items()
        ]
        if self.is_a_types_number(code.strip()):
            said.append(MarkSaid(code.strip(), "may be a type’s number as well as a date"))
        return said

    def _means(self, kind: MarkKind, text: str, code: str, named: Mapping[str, TypeNamed]) -> Iterable[tuple[str, ...]]:
        if kind is MarkKind.TYPE_CODE:
            if known := self.type_code(text, code):
                yield (text, f"type code of {' or '.join(known.types)}", known.source)
            elif len(text) == SHORT_FIRST_LINE:
                yield (text, "the first line of a factory code; so short, it may end in its version or not")
            else:
                yield (text, "a type code that is not on file")
        elif kind is MarkKind.PLANT:
            owners, plant = self._owners(SourceCode.Kind.PLANT, text), codes_known().plants.get(text)
            where = [f"plant sign of {_all(owners)}" if owners else "plant sign"]
            yield (text, ", ".join([*where, *([plant.place] if plant else [])]), plant.source if plant else "")
        elif kind is MarkKind.TYPE_NUMBER and text in named:
            yield (text, f"names the type {named[text].designation}")
        elif kind is MarkKind.INSPECTION:
            yield (text, "inspection mark; a number of one or two figures is the inspector’s", "common practice")


def _all(names: Iterable[str]) -> str:
    return " and ".join(dict.fromkeys(names))


def _can_be_a_date(word: str) -> bool:
    return bool(readings(word, Window(FIRST_YEAR, 2100)))


def _facts(maker: Maker, type_id: int) -> MakerFacts:
    construction: dict[str, set[str]] = defaultdict(set)
    years: dict[tuple[str, str], list[tuple[bool, YearsKnown]]] = defaultdict(list)
    for known in maker.known_construction.all():
        if known.type_id in (None, type_id):
            construction[known.feature].add(known.word)
            years[known.feature, known.word].append((known.type_id is not None, known.years))
    codes: dict[str, set[str]] = defaultdict(set)
    for one in maker.source_codes.all():
        codes[one.kind].add(one.code)
    return MakerFacts(
        maker.name,
        frozenset(codes[SourceCode.Kind.NUMBER]),
        maker.first_year,
        maker.last_year,
        {feature: frozenset(words) for feature, words in construction.items()},
        frozenset(codes[SourceCode.Kind.LETTERS]),
        frozenset(codes[SourceCode.Kind.PLANT]),
        {word: told for word, rows in years.items() if (told := _years_told(rows)) != YearsKnown()},
    )


def _years_told(rows: Iterable[tuple[bool, YearsKnown]]) -> YearsKnown:
    """What is known of the type itself goes before what is known of every type."""
    rows = sorted(rows, key=lambda row: not row[0])
    return rows[0][1]
