"""The shop's own word on types: each change is a version with its reason and a line in the daybook.

What is written here stands before the reference, and a newer reference leaves it (`catalog.reference.own`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any, NamedTuple

from django.conf import settings
from django.contrib.auth.models import User
from django.db import transaction
from django.urls import resolve
from django.utils.text import slugify

from catalog import loading
from catalog.models import Basing, Source, TypeVersion, ValveType
from catalog.reference import files
from catalog.reference.designations import names_to_enter
from catalog.reference.differing import SaidDifferently, differences
from catalog.reference.equivalents import SOURCE, further_names, read_equivalents
from catalog.reference.own import changed, in_force
from catalog.reference.rows import BasingRow, ReferenceProblem, TypeRow
from catalog.reference.scripts import normal
from catalog.reference.writing import as_toml
from stockroom.models import Entry
from stockroom.pure.refused import Refused
from stockroom.pure.written import plural
from stockroom.site.changes import told
from stockroom.site.web import UNREAD

LONGEST_NAME = 40
SHOWN = 6  # types named in one entry of the daybook

Table = Mapping[str, Any]


class TypeRefused(Refused):
    """What was said of a type cannot be kept."""


def spoken(type_: ValveType, origin: TypeVersion.Origin) -> dict[str, Any]:
    """What the reference, or the shop, says of the type now."""
    says = loading.latest(origin).filter(type=type_).values_list("says", flat=True).first()
    return loading.type_table(says or "")


def table_in_force(type_: ValveType) -> dict[str, Any]:
    reference, own = (spoken(type_, origin) for origin in (TypeVersion.Origin.REFERENCE, TypeVersion.Origin.SHOP))
    if not (reference or own):
        raise TypeRefused(f"Nothing is kept of where {type_} comes from: run `manage.py load_types` first.")
    return in_force(reference, own)


def last_version(type_: ValveType) -> int:
    """The number of its last version, of either origin; 0 where none is kept."""
    return type_.versions.values_list("number", flat=True).order_by("-number").first() or 0


def enter(table: Table, by: User | None, *, basing: Table | None = None, reason: str = "") -> ValveType:
    """A type that the shop has never met; a name is enough. Other names that are known to mean the same come along.

    Of several names written as one, "PCC88/7DJ8", the first is the designation.

    Raises:
        TypeRefused: the name is no name, or is on file already.
    """
    name, *others = names_to_enter(str(table["designation"]))
    for one in (name, *others):
        _refuse_name(one)
    return _enter({**table, "designation": name}, others, by, basing=basing, reason=reason)


def _enter(table: Table, others: Iterable[str], by: User | None, *, basing: Table | None, reason: str) -> ValveType:
    name = table["designation"]
    known = {normal(one["designation"]): one for one in table.get("aliases", ())}
    for other in (*others, *_same_as(name)):
        known.setdefault(normal(other), {"designation": other, "source": SOURCE})
    table = {**table, **({"aliases": list(known.values())} if known else {})}
    with transaction.atomic():
        table, basing = _apart(table, basing, None)
        type_ = _write(table, basing)
        _keep(type_, table, basing, reason, by)
        Entry.write(by, "type-entered", f"Entered the type {name}{f': {reason}' if reason else ''}.")
    return type_


def entered(text: str, by: User | None) -> ValveType:
    """The type of this name, entered now where nobody has done so. Raises TypeRefused: it is no name."""
    return ValveType.objects.named(text).first() or enter({"designation": text}, by)


def change(type_: ValveType, wanted: Table, by: User | None, *, reason: str, basing: Table | None = None) -> list[str]:
    """From now on the shop says this of the type. What changed, in words; nothing where nothing did.

    Raises:
        TypeRefused: it cannot be so; or a test point has other settings under its old name.
    """
    with transaction.atomic():
        held = ValveType.objects.select_for_update(no_key=True).get(pk=type_.pk)
        before = table_in_force(type_)
        wanted, basing = _apart(wanted, basing, type_)
        _read(wanted, basing)  # what follows takes it for a table of a type
        said = [*differences(before, wanted), *_in_basing(held.basing, basing)]
        if not said:
            return []
        _refuse_other_settings(before, wanted)
        for alias in wanted.get("aliases", ()):
            _refuse_name(alias["designation"], but=type_)
        _write(wanted, basing)
        own = changed(spoken(type_, TypeVersion.Origin.REFERENCE), wanted)
        _keep(type_, own, basing, reason, by)
        words = [one.in_words for one in said]
        Entry.write(by, "type-changed", told(f"{type_}: ", words, f". {reason}"))
    return words


def _in_basing(before: Basing | None, basing: Table | None) -> list[SaidDifferently]:
    """What the basing says otherwise than the one before; of one of another name only base, pins and cap count."""
    if before is None or basing is None:
        return []
    old, new = _basing_table(before), basing
    if old["name"] != new["name"]:
        old, new = ({key: one[key] for key in ("base", "pins", "top_cap") if key in one} for one in (old, new))
    return differences(old, new)


def follow_reference(type_: ValveType, by: User | None, *, reason: str) -> None:
    """The shop's own word is withdrawn. Raises TypeRefused where the reference does not know the type."""
    reference = spoken(type_, TypeVersion.Origin.REFERENCE)
    if not reference:
        raise TypeRefused(f"The reference does not know {type_}: only the shop says anything of it.")
    with transaction.atomic():
        back = [one.in_words for one in differences(table_in_force(type_), reference)]
        loading.keep_version(type_, TypeVersion.Origin.SHOP, {}, reason, by)
        _write(reference, None)
        says = told(f"{type_} follows the reference again: ", back or ["it says the same"], f". {reason}")
        Entry.write(by, "type-changed", says)


def call(type_: ValveType, name: str, by: User | None) -> None:
    """The shop's own name for the type, one of those that it has; empty for the usual one.

    Raises:
        TypeRefused: it is no name of this type.
    """
    own = {normal(one): one for one in (type_.designation, *type_.aliases.values_list("designation", flat=True))}
    if name and normal(name) not in own:
        raise TypeRefused(f"“{name}” is no name of {type_}. Add it to its names first.")
    kept = own.get(normal(name), "")
    with transaction.atomic():
        was, now = str(type_), kept or type_.designation
        ValveType.objects.filter(pk=type_.pk).update(preferred="" if kept == type_.designation else kept)
        if was != now:
            Entry.write(by, "type-called", f"{type_.designation} is called {now} here, no longer {was}.")


def note_reference(changes: Mapping[ValveType, Sequence[SaidDifferently]]) -> None:
    """A newer reference was loaded: which types it says otherwise of, for the daybook."""
    some = list(changes.items())[:SHOWN]
    named = [f"{type_}: {', '.join(one.in_words for one in said[:2])}" for type_, said in some]
    many = plural(len(changes), "type")
    Entry.write(None, "reference-loaded", told(f"The reference says otherwise of {many}. ", named))


def as_file(types: Iterable[ValveType]) -> str:
    """These types as a file that another shop can load: all that is in force of each, with its sources."""
    tables = [table_in_force(type_) for type_ in types]
    names = {table["basing"] for table in tables if table.get("basing")}
    basings = [_basing_table(basing) for basing in Basing.objects.filter(name__in=names).prefetch_related("pins")]
    keys = set(_sources_in([tables, basings]))
    sources = [
        {"key": one.key, "title": one.title, "edition": one.edition, "kind": one.kind}
        for one in Source.objects.filter(key__in=keys).order_by("key")
    ]
    return as_toml({"source": sources, "basing": basings, "type": tables}) + "\n"


class Taken(NamedTuple):
    types: list[ValveType]
    left: list[str]  # kin that the file names and nobody here knows, in words


def take_file(text: str, by: User | None, *, reason: str) -> Taken:
    """Types that another shop wrote: all, or none. Of a type on file, what the file says becomes the shop's word.

    A name given here stays, whichever of its names the file has it under.

    Raises:
        TypeRefused: it is no such file, or something in it cannot be.
    """
    try:
        document = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as fault:
        raise TypeRefused(f"The file cannot be read as TOML: {fault}.") from fault
    if unknown := set(document) - {"source", "basing", "type"}:
        raise TypeRefused(f"“{sorted(unknown)[0]}” is nothing that a file of types holds.")
    if not all(isinstance(rows, list) and all(isinstance(row, dict) for row in rows) for rows in document.values()):
        raise TypeRefused("A file of types holds [[source]], [[basing]] and [[type]], each with two brackets.")
    if not document.get("type"):
        raise TypeRefused("There is no type in the file.")
    with transaction.atomic():
        document = _cited_here(document, _take_sources(document.get("source", [])))
        basings = _basings_in(document.get("basing", []))
        on_file = ValveType.objects.name_register().names
        rows = [(table, on_file.get(normal(str(table.get("designation", ""))))) for table in document["type"]]
        for table, key in rows:  # by their names first: they may be each other's kin
            if key is None:
                for one in (table, *_rows_of(table, "aliases")):
                    _refuse_name(str(one.get("designation", "")))
                _write({"designation": table["designation"]}, None)
        known, kept, left = ValveType.objects.name_register().names, [], []
        for given, key in rows:
            kin = _rows_of(given, "related")
            related = [one for one in kin if normal(str(one.get("designation"))) in known]
            strangers = [str(one["designation"]) for one in kin if one not in related]
            left += [f"{one}, kin of {given['designation']}, is not on file here" for one in strangers]
            table = {name: value for name, value in {**given, "related": related}.items() if value != []}
            basing = basings.get(str(given.get("basing")))
            if key is None:
                kept.append(_enter(table, (), by, basing=basing, reason=reason))
            else:
                here = ValveType.objects.get(pk=key)
                change(here, _with_names_of(here, table), by, reason=reason, basing=basing)
                kept.append(here)
    return Taken(kept, left)


def _basings_in(tables: Iterable[Table]) -> dict[str, Table]:
    sources = set(Source.objects.values_list("key", flat=True))
    try:
        return {files.read_basing(table, "the file", sources).name: table for table in tables}
    except ReferenceProblem as problem:
        raise TypeRefused(f"{problem}.") from problem


def _rows_of(table: Table, key: str) -> list[Table]:
    """What a file lists under a key. Raises TypeRefused where it is no list of tables."""
    rows = table.get(key, [])
    if not isinstance(rows, list) or not all(
        isinstance(row, dict) and isinstance(row.get("designation"), str) for row in rows
    ):
        raise TypeRefused(f"{table.get('designation', 'a type')}: {key} is a list of tables with a designation.")
    return rows


def _with_names_of(here: ValveType, table: Table) -> Table:
    """What a file says of a type on file, under its designation here and with the names and kin that it has here."""
    stands = table_in_force(here)
    both: dict[str, Any] = {"designation": here.designation}
    own = {normal(here.designation)}
    for key in ("aliases", "related"):
        said = [*_rows_of(table, key), *stands.get(key, ())]
        by_name = {normal(str(one.get("designation"))): one for one in reversed(said)}
        both[key] = [one for name, one in reversed(by_name.items()) if name not in own]
    if normal(str(table["designation"])) not in {normal(str(one.get("designation"))) for one in both["aliases"]} | own:
        both["aliases"].append({"designation": table["designation"], "source": SOURCE})
    return {key: value for key, value in {**table, **both}.items() if value != []}


def _take_sources(tables: Iterable[Table]) -> dict[str, str]:
    """Take over the publications; by their key in the file, that here where another publication has theirs."""
    here = {}
    try:
        for table in tables:
            row = files.read_source(table, "the file's sources")
            here[row.key] = _source_of(row.key, row.title, row.edition, row.kind)
    except ReferenceProblem as problem:
        raise TypeRefused(f"{problem}.") from problem
    return {key: own for key, own in here.items() if key != own}


def _source_of(key: str, title: str, edition: str, kind: str) -> str:
    """The key of this publication here; stored under this key, or one near it, where it is new."""
    given = {"title": title, "edition": edition, "kind": kind}
    free, number = key, 1
    while True:
        row, _ = Source.objects.get_or_create(key=free, defaults=given)
        if (row.title, row.edition) == (title, edition) or (row.is_memory and kind == SOURCE):
            return free
        number += 1
        free = f"{key[:44]}-{number}"


def cite(title: str, kind: str) -> str:
    """The key of a publication that somebody names by its title, stored where it is new."""
    known = Source.objects.filter(title__iexact=title, edition="").values_list("key", flat=True).first()
    return known or _source_of(slugify(title)[:50] or "publication", title, "", kind)


def _cited_here(value: Any, keys: Mapping[str, str]) -> Any:
    """A file's rows with each source under its key here."""
    if isinstance(value, Mapping):
        return {
            key: keys.get(one, one) if _is_source(key) and isinstance(one, str) else _cited_here(one, keys)
            for key, one in value.items()
        }
    return [_cited_here(one, keys) for one in value] if isinstance(value, list) else value


def _is_source(key: str) -> bool:
    return key == "source" or key.endswith("_source")


def _sources_in(value: Any) -> Iterable[str]:
    if isinstance(value, Mapping):
        for key, one in value.items():
            if _is_source(key):
                yield str(one)
            else:
                yield from _sources_in(one)
    elif isinstance(value, list):
        for one in value:
            yield from _sources_in(one)


def _refuse_name(name: str, but: ValveType | None = None) -> None:
    """Raises TypeRefused: the name is none, or means another type already."""
    too_long = max(len(name), len(normal(name))) > LONGEST_NAME
    if not normal(name) or too_long or name.casefold() in UNREAD or not _has_a_page(name):
        raise TypeRefused(f"“{name[:LONGEST_NAME]}” is no name of a type: letters and figures, {LONGEST_NAME} at most.")
    key = ValveType.objects.name_register().names.get(normal(name))
    if key is not None and (but is None or key != but.pk):
        raise TypeRefused(f"“{name}” already means {ValveType.objects.get(pk=key).designation}.")


def _has_a_page(name: str) -> bool:
    """Whether the address with this name in it is the type's own page, in every browser."""
    segments = name.split("/")
    found = resolve(f"/types/{name}/")
    return found.url_name == "type" and found.kwargs == {"name": name} and not {"", ".", ".."} & set(segments)


def _apart(table: Table, basing: Table | None, type_: ValveType | None) -> tuple[Table, Table | None]:
    """The table with its basing as this type's own: nothing where just that is on file, and under a name of its own
    where another is on file that this type has not brought itself. No type's pins change with another's."""
    if basing is None:
        return table, None
    brought = {one["name"] for one in _brought(type_)} if type_ else set()
    name, number = basing["name"], 1
    while on_file := Basing.objects.filter(name=name).prefetch_related("pins").select_related("source").first():
        if _described(_basing_table(on_file)) == _described(basing):
            return {**table, "basing": name}, None
        if type_ and name in brought and not on_file.types.exclude(pk=type_.pk).exists():
            break
        number += 1
        name = f"{basing['name'][:36]} {number}"
    return {**table, "basing": name}, {**basing, "name": name}


def _described(basing: Table) -> tuple[Any, ...]:
    return basing["base"], list(basing["pins"]), basing.get("top_cap", "")


def _brought(type_: ValveType) -> list[dict[str, Any]]:
    """The basings that the shop's own word on the type describes."""
    before = loading.latest(TypeVersion.Origin.SHOP).filter(type=type_).values_list("says", flat=True).first()
    return list(tomllib.loads(before or "", parse_float=Decimal).get("basing", []))


def _same_as(name: str) -> list[str]:
    """Other names that are known to mean the same valve, as far as they are not on file."""
    rows = read_equivalents(settings.BASE_DIR / "fixtures" / "equivalents.toml")
    on_file = ValveType.objects.name_register().names
    further = further_names([row._replace(of="") for row in rows], {normal(name): name})
    return [other for other in further.get(name, ()) if normal(other) not in on_file]


def _refuse_other_settings(before: Table, wanted: Table) -> None:
    """Readings stand on a test point by its name, so its settings stay; others are another point."""
    for old, new in zip(before.get("section", ()), wanted.get("section", ()), strict=False):
        known = {point["name"]: point for point in old.get("test_point", ())}
        for point in new.get("test_point", ()):
            was = known.get(point["name"], point)
            current = ("anode_current_ma",) if was.get("current_is_set") else ()
            if any(was.get(key) != point.get(key) for key in (*SETTINGS, *current)):
                raise TypeRefused(
                    f"Test point “{point['name']}”: readings may have been taken at its settings, so they stay. "
                    "Give the other settings another name."
                )


SETTINGS = (
    "anode_voltage_v",
    "screen_voltage_v",
    "as_triode",
    "grid_voltage_v",
    "cathode_resistor_ohm",
    "current_is_set",
)


def _write(table: Table, basing: Table | None) -> ValveType:
    """Check the whole, and make the tables say so."""
    row, basings = _read(table, basing)
    try:
        return loading.write_types([row], basings)[row.designation]
    except ReferenceProblem as problem:
        raise TypeRefused(f"{problem}.") from problem


def _read(table: Table, basing: Table | None) -> tuple[TypeRow, dict[str, BasingRow]]:
    """The type and its basing, checked. Raises TypeRefused."""
    sources = set(Source.objects.values_list("key", flat=True))
    if SOURCE not in sources:
        Source.objects.create(key=SOURCE, title="From memory", kind="memory")
        sources.add(SOURCE)
    named = Basing.objects.filter(name=str(table.get("basing", "")))
    known: list[Table] = [_basing_table(one) for one in named.prefetch_related("pins", "source")]
    tables = [one for one in known if basing is None or one["name"] != basing["name"]] + ([basing] if basing else [])
    try:
        basings = {str(one["name"]): files.read_basing(one, "the basing", sources) for one in tables}
        return files.read_type(table, "the type", sources, basings), basings
    except ReferenceProblem as problem:
        raise TypeRefused(f"{problem}.") from problem


def _keep(type_: ValveType, own: Table, basing: Table | None, reason: str, by: User | None) -> None:
    basings = [basing] if basing else [one for one in _brought(type_) if one["name"] == own.get("basing")]
    document = {**({"basing": basings} if basings else {}), "type": [own]}
    loading.keep_version(type_, TypeVersion.Origin.SHOP, document, reason, by)


def _basing_table(basing: Basing) -> dict[str, Any]:
    table = {
        "name": basing.name,
        "base": basing.base,
        "pins": [pin.electrodes or "-" for pin in basing.pins.all()],
        "top_cap": basing.top_cap,
        "source": basing.source.key,
        "at": basing.source_place,
        "note": basing.note,
    }
    return {key: value for key, value in table.items() if value != ""}
