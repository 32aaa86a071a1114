"""Bring the checked reference files into the database.

Rows are found again by their natural keys and written in one statement a table, so loading twice changes nothing and a
corrected file corrects the row in place: readings that point at a test point keep pointing at it. An alias that the
files no longer give is forgotten, and so is a test point that nothing hangs on; one that readings hang on stays behind
those that the files give, so that it is no section's first. A type whose name has become an alias takes its new name
with all that hangs on it. A type or section is never taken away.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from decimal import Decimal
from typing import Any, NamedTuple, TypeVar

from django.db import models, transaction
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
    ValveType,
)
from catalog.reference import files
from catalog.reference.positions import ExamplePosition

Row = TypeVar("Row", bound=models.Model)

first_years_changed = Signal()


class Loaded(NamedTuple):
    types: int
    aliases: int
    test_points: int


@transaction.atomic
def load(reference: files.Reference) -> Loaded:
    rows = list(reference.types.values())
    before = _first_years()
    sources = {
        source.key: source
        for source in _write(
            [
                Source(key=row.key, title=row.title, edition=row.edition, kind=row.kind)
                for row in reference.sources.values()
            ],
            "key",
        )
    }
    _rename(reference)
    basings = _load_basings(reference.basings.values(), sources)
    types = _load_types(rows, sources, basings)
    _load_sections(rows, types, sources)
    _withdraw_points(rows, types)
    _load_applications(rows, types, sources)
    aliases = _load_aliases(rows, types, sources)
    _load_related(rows, types, sources, reference)
    changed = {key for key, known in _first_years().items() if before.get(key, known) != known}
    if changed:
        first_years_changed.send(sender=ValveType, types=changed)
    return Loaded(len(types), len(aliases), TestPoint.objects.count())


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
    values = [f.name for f in model._meta.concrete_fields if not f.primary_key and f.name not in natural_key]
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
                    raise files.ReferenceProblem(f"{what}: “{text[:60]}…”")


def _rename(reference: files.Reference) -> None:
    """A type that the files know by another designation now, its old one being an alias, is the same type."""
    for old in ValveType.objects.exclude(designation__in=reference.types):
        now = reference.find(old.designation)
        if now is None:
            continue
        if ValveType.objects.filter(designation=now.designation).exists():
            raise files.ReferenceProblem(
                f"{now.file}, {now.designation}: aliases: “{old.designation}” is a type of its own in the database, "
                f"and so is {now.designation}. Leave one of the two names out of the files."
            )
        old.designation, old.normal = now.designation, files.normal(now.designation)
        old.save(update_fields=["designation", "normal"])


WITHDRAWN_FROM = 1000  # positions from here on are of test points that the files no longer give


def _withdraw_points(rows: Sequence[files.TypeRow], types: Mapping[str, ValveType]) -> None:
    given = {
        (types[row.designation].pk, section.index, point.name)
        for row in rows
        for section in row.sections
        for point in section.test_points
    }
    of_files = TestPoint.objects.filter(section__type__in=types.values(), position__lt=WITHDRAWN_FROM)
    for point in of_files.select_related("section"):
        if (point.section.type_id, point.section.number, point.name) in given:
            continue
        try:
            with transaction.atomic():
                point.delete()
        except models.ProtectedError:
            TestPoint.objects.filter(pk=point.pk).update(position=WITHDRAWN_FROM + point.position)


def _load_basings(rows: Any, sources: Mapping[str, Source]) -> dict[str, Basing]:
    rows = list(rows)
    basings = _write(
        [
            Basing(name=row.name, base=row.base, top_cap=_joined(row.top_cap), note=row.note, **_source(row, sources))
            for row in rows
        ],
        "name",
    )
    _write(
        [
            Pin(basing=basing, number=pin.number, electrodes=_joined(pin.electrodes))
            for basing, row in zip(basings, rows, strict=True)
            for pin in row.pins
        ],
        "basing",
        "number",
    )
    return {basing.name: basing for basing in basings}


def _load_types(
    rows: Sequence[files.TypeRow], sources: Mapping[str, Source], basings: Mapping[str, Basing]
) -> dict[str, ValveType]:
    types = _write(
        [
            ValveType(
                designation=row.designation,
                normal=files.normal(row.designation),
                kind=row.kind,
                cathode=row.cathode,
                tradition=row.tradition,
                special_quality=row.special_quality,
                basing=basings[row.basing],
                basing_source=sources[row.basing_source],
                basing_source_place=row.basing_at,
                heater_source=sources[row.heater_source] if row.heaters else None,
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


def _load_sections(
    rows: Sequence[files.TypeRow], types: Mapping[str, ValveType], sources: Mapping[str, Source]
) -> None:
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
    _write(
        [
            TestPoint(section=section, position=position, **_values(asdict(point)), **_source(point, sources))
            for section, row in pairs
            for position, point in enumerate(row.test_points)
        ],
        "section",
        "name",
    )


def _load_applications(
    rows: Sequence[files.TypeRow], types: Mapping[str, ValveType], sources: Mapping[str, Source]
) -> None:
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
    rows: Sequence[files.TypeRow], types: Mapping[str, ValveType], sources: Mapping[str, Source]
) -> list[Alias]:
    aliases = [
        Alias(
            type=types[row.designation],
            designation=alias.designation,
            normal=files.normal(alias.designation),
            **_source(alias, sources),
        )
        for row in rows
        for alias in row.aliases
    ]
    Alias.objects.exclude(normal__in=[alias.normal for alias in aliases]).delete()
    return _write(aliases, "normal")


def _load_related(
    rows: Sequence[files.TypeRow],
    types: Mapping[str, ValveType],
    sources: Mapping[str, Source],
    reference: files.Reference,
) -> None:
    """Once every type is there: related types name each other."""
    found = []
    for row in rows:
        for related in row.related:
            other = reference.find(related.designation)
            assert other is not None, "read_reference refuses related types that are not in the files"
            found.append(
                RelatedType(
                    type=types[row.designation],
                    other=types[other.designation],
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


def _joined(electrodes: tuple[files.Electrode, ...]) -> str:
    return "+".join(str(electrode) for electrode in electrodes)
