"""Bring what is in force of every type into the database: the checked reference files, and what the shop itself says.

Rows are found again by their natural keys and written in one statement a table, so loading twice changes nothing and a
corrected file corrects the row in place: readings that point at a test point keep pointing at it. An alias that is no
longer given is forgotten, and a test point withdrawn; a type or section is never taken away, since goods and readings
may hang on it. A type that the files give another designation, and its old one as an alias, is renamed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from decimal import Decimal
from typing import Any, NamedTuple, TypeVar

from django.contrib.auth.models import User
from django.db import models, transaction
from django.db.models import Exists, Max, OuterRef, ProtectedError, QuerySet
from django.dispatch import Signal

from catalog.models import (
    Alias,
    Application,
    Basing,
    Heater,
    KeptPosition,
    Pin,
    Ratings,
    RelatedType,
    Section,
    Source,
    TestPoint,
    TypeVersion,
    ValveType,
)
from catalog.reference import files
from catalog.reference.differing import SaidDifferently, differences
from catalog.reference.own import in_force
from catalog.reference.positions import ExamplePosition
from catalog.reference.rows import BasingRow, Electrode, Reference, ReferenceProblem, SourceRow, TypeRow
from catalog.reference.scripts import normal
from catalog.reference.writing import as_toml

Row = TypeVar("Row", bound=models.Model)

first_years_changed = Signal()
types_changed = Signal()  # `changes`: by type, what is said differently now
names_changed = Signal()  # a name means another type now, or other types are one valve inside
reference_loaded = Signal()  # the files were read, whether or not they say anything new


OWN = "the shop’s own types"  # where a row of theirs stands, for messages


class Loaded(NamedTuple):
    types: int
    aliases: int
    test_points: int
    left: list[str]  # what of the files was not taken over because the shop itself says otherwise, in words


@transaction.atomic
def load(reference: Reference) -> Loaded:
    """Take over the reference. What the shop says itself stays before it."""
    _write_sources(reference.sources.values())
    basings = {**reference.basings, **{row.name: row for row in _own_basings()}}
    with _telling_of_names():
        _follow_renamed(reference)
        sources = set(Source.objects.values_list("key", flat=True))  # the shop may cite one that the files forgot
        rows, left = _before_reference(list(reference.types.values()), basings, sources)
        written = _write_types(rows, basings)
    changes = _keep_reference(reference.types.values(), written)
    if changes:
        types_changed.send(sender=ValveType, changes=changes)
    reference_loaded.send(sender=ValveType)
    return Loaded(len(written), Alias.objects.count(), TestPoint.objects.count(), left)


def _keep_reference(rows: Iterable[TypeRow], types: Mapping[str, ValveType]) -> dict[ValveType, list[SaidDifferently]]:
    """A version of every type of which the files say something new; what is new of those that they gave before."""
    before = dict(latest(TypeVersion.Origin.REFERENCE).values_list("type", "says"))
    numbers = dict(TypeVersion.objects.values_list("type").annotate(last=Max("number")).order_by())
    fresh, changes = [], {}
    for row in rows:
        type_, says = types[row.designation], as_toml({"type": [row.table]})
        old = before.get(type_.pk)
        if old == says:
            continue
        number = numbers.get(type_.pk, 0) + 1
        fresh.append(TypeVersion(type=type_, number=number, origin=TypeVersion.Origin.REFERENCE, says=says))
        if old is not None and (new := differences(type_table(old), row.table)):
            changes[type_] = new
    TypeVersion.objects.bulk_create(fresh, batch_size=200)
    return changes


def type_table(says: str) -> dict[str, Any]:
    """What a version says of its type; nothing where it says nothing."""
    tables = tomllib.loads(says, parse_float=Decimal).get("type", ())
    return dict(tables[0]) if tables else {}


def _before_reference(
    rows: Sequence[TypeRow], basings: Mapping[str, BasingRow], sources: Collection[str]
) -> tuple[list[TypeRow], list[str]]:
    """The rows with what the shop says of them, less the aliases that are the shop's own names for other types."""
    own = own_tables()
    given = {normal(row.designation) for row in rows}
    taken = {
        name: designation
        for designation, table in own.items()
        if normal(designation) not in given
        for name in [normal(designation), *(normal(alias["designation"]) for alias in table.get("aliases", ()))]
    }
    merged, left = [], []
    for row in rows:
        try:
            if row.designation in own:
                both = in_force(row.table, own[row.designation])
                row = files.read_type(both, OWN, sources, basings)
        except ReferenceProblem as problem:
            left.append(f"What the shop says of {row.designation} no longer goes with the reference: {problem}")
        for alias in row.aliases:
            if normal(alias.designation) in taken:
                left.append(f"{alias.designation} is {taken[normal(alias.designation)]} here, not {row.designation}.")
        merged.append(replace(row, aliases=tuple(a for a in row.aliases if normal(a.designation) not in taken)))
    return merged, left


def latest(origin: TypeVersion.Origin) -> QuerySet[TypeVersion]:
    """The version of each type that speaks for this origin now."""
    later = TypeVersion.objects.filter(type=OuterRef("type"), origin=origin, number__gt=OuterRef("number"))
    return TypeVersion.objects.filter(~Exists(later), origin=origin)


def own_tables() -> dict[str, dict[str, Any]]:
    """What the shop says of types now, by designation."""
    found = latest(TypeVersion.Origin.SHOP).exclude(says="").values_list("type__designation", "says")
    return {name: type_table(says) for name, says in found}


def _own_basings() -> list[BasingRow]:
    sources = set(Source.objects.values_list("key", flat=True))
    said = latest(TypeVersion.Origin.SHOP).exclude(says="").values_list("says", flat=True)
    tables = [table for text in said for table in tomllib.loads(text, parse_float=Decimal).get("basing", ())]
    return [files.read_basing(table, OWN, sources) for table in tables]


def keep_version(
    type_: ValveType,
    origin: TypeVersion.Origin,
    document: Mapping[str, Any],
    reason: str = "",
    by: User | None = None,
) -> TypeVersion:
    last = type_.versions.aggregate(last=Max("number"))["last"] or 0
    says = as_toml(document) if document else ""
    return TypeVersion.objects.create(type=type_, number=last + 1, origin=origin, says=says, reason=reason, by=by)


@contextmanager
def _telling_of_names() -> Iterator[None]:
    """Sends `names_changed` where a text may name another type after the block than before it."""
    before = ValveType.objects.name_register()
    yield
    now = ValveType.objects.name_register()
    if (before.types, before.names, before.alike) != (now.types, now.names, now.alike):
        names_changed.send(sender=ValveType)


def write_types(rows: Sequence[TypeRow], basings: Mapping[str, BasingRow]) -> dict[str, ValveType]:
    """Make these types in the tables be what the rows say; by designation."""
    with _telling_of_names():
        return _write_types(rows, basings)


def _write_types(rows: Sequence[TypeRow], basings: Mapping[str, BasingRow]) -> dict[str, ValveType]:
    before = _first_years()
    sources = {source.key: source for source in Source.objects.all()}
    stored = _load_basings([basings[name] for name in dict.fromkeys(row.basing for row in rows) if name], sources)
    types = _load_types(rows, sources, stored)
    _load_sections(rows, types, sources)
    _load_applications(rows, types, sources)
    _load_aliases(rows, types, sources)
    _load_related(rows, types, sources)
    changed = {key for key, known in _first_years().items() if before.get(key, known) != known}
    if changed:
        first_years_changed.send(sender=ValveType, types=changed)
    return types


def _write_sources(rows: Iterable[SourceRow]) -> None:
    _write([Source(key=row.key, title=row.title, edition=row.edition, kind=row.kind) for row in rows], "key")


def _follow_renamed(reference: Reference) -> None:
    """Goods of a type that the files call otherwise now follow: it takes their designation, and shows its own."""
    given = {normal(row.designation): row.designation for row in reference.types.values()}
    known = set(ValveType.objects.values_list("normal", flat=True))
    for type_ in ValveType.objects.all():
        row = reference.by_name.get(type_.normal)
        if row is None or type_.designation == row.designation:
            continue
        if type_.normal in given or normal(row.designation) not in known:
            preferred = type_.preferred or ("" if type_.normal in given else type_.designation)
            ValveType.objects.filter(pk=type_.pk).update(
                designation=row.designation, normal=normal(row.designation), preferred=preferred
            )
        elif not type_.own_versions.exists():
            raise ReferenceProblem(
                f"{row.file}, {row.designation}: aliases: “{type_.designation}” is a type of its own in the database, "
                f"and so is {row.designation}. Leave one of the two names out of the files."
            )


@transaction.atomic
def load_positions(examples: Sequence[ExamplePosition]) -> int:
    """The examples, and no others that once were: what a person described is left alone, a name of theirs too."""
    KeptPosition.objects.filter(is_example=True).exclude(name__in=[example.name for example in examples]).delete()
    taken = set(KeptPosition.objects.filter(is_example=False).values_list("name", flat=True))
    types = {type_.designation: type_ for type_ in ValveType.objects.all()}
    for example in examples:
        if example.name not in taken:
            kept = KeptPosition.objects.filter(name=example.name).first() or KeptPosition(name=example.name)
            kept.made_for, kept.note, kept.is_example = types[example.position.made_for], example.note, True
            kept.describe(example.position)
            kept.save()
    return len(examples)


def _first_years() -> dict[int, tuple[int | None, str | None]]:
    """By type: its first year, and the kind of source that gives it."""
    found = ValveType.objects.values_list("pk", "first_registered", "first_registered_source__kind")
    return {key: (year, kind) for key, year, kind in found}


def _write(rows: Sequence[Row], *natural_key: str) -> list[Row]:
    """Create the rows, or bring those that have the natural key up to date; each gets its primary key."""
    if not rows:
        return []
    _check_room(rows)
    model = type(rows[0])
    kept = {*natural_key, "preferred"}
    values = [f.name for f in model._meta.concrete_fields if not f.primary_key and f.name not in kept]
    return model._default_manager.bulk_create(
        rows, update_conflicts=True, unique_fields=list(natural_key), update_fields=values, batch_size=200
    )


def _check_room(rows: Sequence[models.Model]) -> None:
    """Refuse a text that is longer than its column: one database would cut the load short, another keep it."""
    for row in rows:
        for column in row._meta.concrete_fields:
            if isinstance(column, models.CharField) and column.max_length:
                text = getattr(row, column.attname) or ""
                if len(text) > column.max_length:
                    what = f"{row._meta.verbose_name}, {column.name}: {len(text)} signs, {column.max_length} at most"
                    raise ReferenceProblem(f"{what}: “{text[:60]}…”")


def _load_basings(rows: Any, sources: Mapping[str, Source]) -> dict[str, Basing]:
    rows = list(rows)
    basings = _write(
        [
            Basing(name=row.name, base=row.base, top_cap=_joined(row.top_cap), note=row.note, **_source(row, sources))
            for row in rows
        ],
        "name",
    )
    Pin.objects.filter(basing__in=basings).delete()
    Pin.objects.bulk_create(
        Pin(basing=basing, number=pin.number, electrodes=_joined(pin.electrodes))
        for basing, row in zip(basings, rows, strict=True)
        for pin in row.pins
    )
    return {basing.name: basing for basing in basings}


def _load_types(
    rows: Sequence[TypeRow], sources: Mapping[str, Source], basings: Mapping[str, Basing]
) -> dict[str, ValveType]:
    types = _write(
        [
            ValveType(
                designation=row.designation,
                normal=normal(row.designation),
                kind=row.kind,
                cathode=row.cathode,
                tradition=row.tradition,
                special_quality=row.special_quality,
                basing=basings.get(row.basing),
                basing_source=sources.get(row.basing_source),
                basing_source_place=row.basing_at,
                heater_source=sources.get(row.heater_source),
                heater_source_place=row.heater_at,
                first_registered=row.first_registered,
                first_registered_source=sources[row.first_registered_source] if row.first_registered_source else None,
                **_values({"warm_up_s": row.warm_up_s, "series_string_a": row.series_string_a}),
                cautions=list(row.cautions),
                note=row.note,
            )
            for row in rows
        ],
        "designation",
    )
    Heater.objects.filter(type__in=types).delete()
    Heater.objects.bulk_create(
        Heater(type=type_, **_values(asdict(heater)))
        for type_, row in zip(types, rows, strict=True)
        for heater in row.heaters
    )
    return {type_.designation: type_ for type_ in types}


def _load_sections(rows: Sequence[TypeRow], types: Mapping[str, ValveType], sources: Mapping[str, Source]) -> None:
    points = [(types[row.designation], section) for row in rows for section in row.sections]
    sections = _write([Section(type=type_, number=row.index, kind=row.kind) for type_, row in points], "type", "number")
    pairs = [(section, row) for section, (_, row) in zip(sections, points, strict=True)]
    _write(
        [
            Ratings(section=section, **_values(asdict(row.ratings)), **_source(row.ratings, sources))
            for section, row in pairs
        ],
        "section",
    )
    given = _write(
        [
            TestPoint(section=section, position=position, **_values(asdict(point)), **_source(point, sources))
            for section, row in pairs
            for position, point in enumerate(row.test_points)
        ],
        "section",
        "name",
    )
    still = {point.pk for point in given}
    for point in TestPoint.objects.filter(section__type__in=types.values()).defer("load_note"):
        if point.pk not in still and not point.withdrawn:
            _withdraw(point)


def _withdraw(point: TestPoint) -> None:
    try:
        with transaction.atomic():
            point.delete()
    except ProtectedError:
        TestPoint.objects.filter(pk=point.pk).update(position=TestPoint.WITHDRAWN + point.position)


def _load_applications(rows: Sequence[TypeRow], types: Mapping[str, ValveType], sources: Mapping[str, Source]) -> None:
    """Nothing hangs on these rows: what the files no longer give is forgotten."""
    Application.objects.filter(type__in=types.values()).delete()
    Application.objects.bulk_create(
        Application(
            type=types[row.designation],
            position=position,
            **_values(asdict(application)),
            **_source(application, sources),
        )
        for row in rows
        for position, application in enumerate(row.applications)
    )


def _load_aliases(
    rows: Sequence[TypeRow], types: Mapping[str, ValveType], sources: Mapping[str, Source]
) -> list[Alias]:
    aliases = [
        Alias(
            type=types[row.designation],
            designation=alias.designation,
            normal=normal(alias.designation),
            **_source(alias, sources),
        )
        for row in rows
        for alias in row.aliases
    ]
    given = [alias.normal for alias in aliases]
    Alias.objects.filter(type__in=types.values()).exclude(normal__in=given).delete()
    return _write(aliases, "normal")


def _load_related(
    rows: Sequence[TypeRow],
    types: Mapping[str, ValveType],
    sources: Mapping[str, Source],
) -> None:
    """Once every type is there: related types name each other.

    Raises:
        ReferenceProblem: one is not on file.
    """
    found, names = [], ValveType.objects.name_register().names
    for row in rows:
        for related in row.related:
            other = names.get(normal(related.designation))
            if other is None:
                raise ReferenceProblem(f"{row.designation}: related: “{related.designation}” is not on file")
            found.append(
                RelatedType(
                    type=types[row.designation],
                    other_id=other,
                    how=related.how,
                    note=related.note,
                    **_source(related, sources),
                )
            )
    RelatedType.objects.filter(type__in=types.values()).delete()
    RelatedType.objects.bulk_create(found)


def _source(row: Any, sources: Mapping[str, Source]) -> dict[str, Any]:
    return {"source": sources[row.source], "source_place": row.at}


def _values(row: dict[str, Any]) -> dict[str, Any]:
    """A file's row as field values: the exact decimals of the sheet become floats here."""
    return {
        key: float(value) if isinstance(value, Decimal) else value
        for key, value in row.items()
        if key not in ("source", "at")
    }


def _joined(electrodes: tuple[Electrode, ...]) -> str:
    return "+".join(str(electrode) for electrode in electrodes)
