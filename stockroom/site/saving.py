"""Save a supplier, maker or place, new or changed, and say so in the daybook."""

from __future__ import annotations

from typing import TypeVar

from django.contrib.auth.models import User
from django.db import transaction

from stockroom.models import Entry, Maker, Place, Supplier
from stockroom.site.changes import differences, told

Named = TypeVar("Named", Supplier, Maker, Place)

FIELDS: dict[type, tuple[str, ...]] = {
    Supplier: ("name", "country", "currency", "contact", "note"),
    Maker: ("name", "first_year", "last_year", "note"),
    Place: ("code", "note"),
}


def save_named(thing: Named, by: User | None) -> Named:
    """Save `thing`. What is saved already and has not changed is left alone."""
    word = str(thing._meta.verbose_name)
    with transaction.atomic():
        if thing.pk is None:
            thing.save()
            Entry.write(by, f"{word}-added", f"{word.capitalize()} {thing} added.")
            return thing
        before = type(thing)._default_manager.get(pk=thing.pk)
        changed = differences(before, thing, FIELDS[type(thing)])
        if changed:
            thing.save()
            Entry.write(by, f"{word}-changed", told(f"{word.capitalize()} {before}: ", changed))
    return thing
