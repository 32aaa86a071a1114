"""The shop's own word on types: each change is a version with its reason and a line in the daybook.

What is written here stands before the reference, and a newer reference leaves it (`catalog.reference.own`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.contrib.auth.models import User
from django.db import transaction

from catalog import loading
from catalog.models import Basing, Source, TypeVersion, ValveType
from catalog.reference import files
from catalog.reference.differing import SaidDifferently, differences
from catalog.reference.equivalents import SOURCE, further_names, read_equivalents
from catalog.reference.own import changed, in_force
from catalog.reference.rows import ReferenceProblem
from catalog.reference.scripts import normal
from catalog.reference.writing import as_toml
from stockroom.models import Entry
from stockroom.pure.refused import Refused
from stockroom.pure.written import plural
from stockroom.site.changes import told

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


def enter(table: Table, by: User | None, *, basing: Table | None = None, reason: str = "") -> ValveType:
    """A type that the shop has never met; a name is enough. Other names that are known to mean the same come along.

    Raises:
        TypeRefused: the name is no name, or is on file already.
    """
    name = " ".join(str(table["designation"]).split())
    _refuse_name(name)
    table = {**table, "designation": name}
    known = {one["designation"]: one for one in table.get("aliases", ())}
    for other in _same_as(name):
        known.setdefault(other, {"designation": other, "source": SOURCE})
    if known:
        table["aliases"] = list(known.values())
    with transaction.atomic():
        type_ = _write(table, basing)
        _keep(type_, table, basing, reason, by)
        Entry.write(by, "type-entered", f"Entered the type {name}{f': {reason}' if reason else ''}.")
    return type_


def change(type_: ValveType, wanted: Table, by: User | None, *, reason: str, basing: Table | None = None) -> list[str]:
    """From now on the shop says this of the type. What changed, in words; nothing where nothing did.

    Raises:
        TypeRefused: it cannot be so; or a test point has other settings under its old name.
    """
    with transaction.atomic():
        held = ValveType.objects.select_for_update(no_key=True).get(pk=type_.pk)
        before = table_in_force(type_)
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


def take_file(text: str, by: User | None, *, reason: str) -> list[ValveType]:
    """Types that another shop wrote: all, or none. Of a type on file, what the file says becomes the shop's word.

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
    kept = []
    with transaction.atomic():
        _take_sources(document.get("source", []))
        basings = {table.get("name"): table for table in document.get("basing", [])}
        for table in document["type"]:
            basing = basings.get(table.get("basing"))
            same = ValveType.objects.filter(normal=normal(str(table.get("designation", "")))).first()
            if same is None:
                kept.append(enter({"designation": "", **table}, by, basing=basing, reason=reason))
            else:
                change(same, {**table, "designation": same.designation}, by, reason=reason, basing=basing)
                kept.append(same)
    return kept


def _take_sources(tables: Iterable[Table]) -> None:
    try:
        for table in tables:
            row = files.read_source(table, "the file's sources")
            given = {"title": row.title, "edition": row.edition, "kind": row.kind}
            Source.objects.get_or_create(key=row.key, defaults=given)
    except ReferenceProblem as problem:
        raise TypeRefused(f"{problem}.") from problem


def _sources_in(value: Any) -> Iterable[str]:
    if isinstance(value, Mapping):
        for key, one in value.items():
            if key == "source" or key.endswith("_source"):
                yield str(one)
            else:
                yield from _sources_in(one)
    elif isinstance(value, list):
        for one in value:
            yield from _sources_in(one)


def _refuse_name(name: str, but: ValveType | None = None) -> None:
    """Raises TypeRefused: the name is none, or means another type already."""
    if not any(letter.isalnum() for letter in normal(name)) or len(name) > LONGEST_NAME:
        raise TypeRefused(f"“{name[:LONGEST_NAME]}” is no name of a type: letters and figures, {LONGEST_NAME} at most.")
    key = ValveType.objects.name_register().names.get(normal(name))
    if key is not None and (but is None or key != but.pk):
        raise TypeRefused(f"“{name}” already means {ValveType.objects.get(pk=key).designation}.")


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
    sources = set(Source.objects.values_list("key", flat=True))
    if SOURCE not in sources:
        Source.objects.create(key=SOURCE, title="From memory", kind="memory")
        sources.add(SOURCE)
    known: list[Table] = [_basing_table(one) for one in Basing.objects.prefetch_related("pins", "source")]
    tables = [one for one in known if basing is None or one["name"] != basing["name"]] + ([basing] if basing else [])
    try:
        basings = {str(one["name"]): files.read_basing(one, "the basing", sources) for one in tables}
        row = files.read_type(table, "the type", sources, basings)
        return loading.write_types([row], basings)[row.designation]
    except ReferenceProblem as problem:
        raise TypeRefused(f"{problem}.") from problem


def _keep(type_: ValveType, own: Table, basing: Table | None, reason: str, by: User | None) -> None:
    before = loading.latest(TypeVersion.Origin.SHOP).filter(type=type_).values_list("says", flat=True).first()
    kept = tomllib.loads(before or "", parse_float=Decimal).get("basing", [])
    basings = [basing] if basing else [one for one in kept if one["name"] == own.get("basing")]
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
