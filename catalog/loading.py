"""Bring the checked reference files into the database.

- `load(reference)`: create or update every row in one transaction; `Loaded` says how many types there are

Rows are found again by their natural keys, so loading twice changes nothing and a corrected file corrects
the row in place: readings that point at a test point keep pointing at it. An alias that the files no longer
give is forgotten; a type, section or test point is never taken away, since goods and readings may hang on it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from decimal import Decimal
from typing import Any, NamedTuple

from django.db import transaction

from catalog import reference as files
from catalog.models import Alias, Basing, Heater, Kin, Pin, Ratings, Section, Source, TestPoint, ValveType


class Loaded(NamedTuple):
    types: int
    aliases: int
    test_points: int


@transaction.atomic
def load(reference: files.Reference) -> Loaded:
    sources = {
        row.key: Source.objects.update_or_create(
            key=row.key, defaults={"title": row.title, "edition": row.edition, "kind": row.kind}
        )[0]
        for row in reference.sources.values()
    }
    basings = {row.name: _load_basing(row, sources) for row in reference.basings.values()}
    types = {row.designation: _load_type(row, sources, basings) for row in reference.types.values()}
    for row in reference.types.values():
        # Kin and aliases wait until every type is there: kin name each other, and an alias may move.
        _load_names(row, types, sources, reference)
    Alias.objects.exclude(normal__in=[files.normal(a.designation) for r in reference.types.values() for a in r.aliases]).delete()
    return Loaded(len(types), Alias.objects.count(), TestPoint.objects.count())


def _load_basing(row: files.Basing, sources: Mapping[str, Source]) -> Basing:
    basing, _ = Basing.objects.update_or_create(
        name=row.name,
        defaults={"base": row.base, "top_cap": _joined(row.top_cap), "note": row.note, **_source(row, sources)},
    )
    basing.pins.all().delete()
    Pin.objects.bulk_create(
        Pin(basing=basing, number=pin.number, electrodes=_joined(pin.electrodes)) for pin in row.pins
    )
    return basing


def _load_type(row: files.TypeRow, sources: Mapping[str, Source], basings: Mapping[str, Basing]) -> ValveType:
    type_, _ = ValveType.objects.update_or_create(
        designation=row.designation,
        defaults={
            "kind": row.kind,
            "cathode": row.cathode,
            "tradition": row.tradition,
            "special_quality": row.special_quality,
            "basing": basings[row.basing],
            "basing_source": sources[row.basing_source],
            "basing_source_place": row.basing_at,
            "heater_source": sources[row.heater_source] if row.heaters else None,
            "heater_source_place": row.heater_at,
            "first_registered": row.first_registered,
            "first_registered_source": sources[row.first_registered_source]
            if row.first_registered_source
            else None,
            "cautions": list(row.cautions),
            "note": row.note,
        },
    )
    type_.heaters.all().delete()
    Heater.objects.bulk_create(Heater(type=type_, **_values(asdict(heater))) for heater in row.heaters)
    for section_row in row.sections:
        section, _ = Section.objects.update_or_create(
            type=type_, number=section_row.index, defaults={"kind": section_row.kind}
        )
        Ratings.objects.update_or_create(
            section=section, defaults=_values(asdict(section_row.ratings)) | _source(section_row.ratings, sources)
        )
        for position, point in enumerate(section_row.test_points):
            values = _values(asdict(point)) | _source(point, sources) | {"position": position}
            TestPoint.objects.update_or_create(section=section, name=values.pop("name"), defaults=values)
    return type_


def _load_names(
    row: files.TypeRow, types: Mapping[str, ValveType], sources: Mapping[str, Source], reference: files.Reference
) -> None:
    type_ = types[row.designation]
    for alias in row.aliases:
        Alias.objects.update_or_create(
            normal=files.normal(alias.designation),
            defaults={"designation": alias.designation, "type": type_, **_source(alias, sources)},
        )
    type_.kin.all().delete()
    for kin in row.kin:
        other = reference.find(kin.designation)
        assert other is not None, "read_reference refuses kin that are not in the files"
        Kin.objects.create(
            type=type_, other=types[other.designation], how=kin.how, note=kin.note, **_source(kin, sources)
        )


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
