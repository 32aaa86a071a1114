"""What a shop says of a type itself, beside the reference: which of the two is in force."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from catalog.reference.scripts import normal

Table = Mapping[str, Any]

NAMES = ("aliases", "related")  # what both say together; of all else, the shop's word stands before the reference's
WITHOUT = "without"  # those of the reference's names that the shop says are wrong


def in_force(reference: Table, own: Table) -> dict[str, Any]:
    """The type as both make it: what the shop says, and where it says nothing, the reference.

    >>> in_force({"designation": "EL84", "note": "a"}, {"designation": "EL84", "note": "b"})["note"]
    'b'
    """
    both = {**reference, **own}
    if reference:
        both["designation"] = reference["designation"]
    not_so = {normal(name) for name in both.pop(WITHOUT, ())}
    for key in NAMES:
        said = [*own.get(key, ()), *(one for one in reference.get(key, ()) if normal(one["designation"]) not in not_so)]
        both[key] = list({normal(one["designation"]): one for one in reversed(said)}.values())[::-1]
    return {key: value for key, value in both.items() if value != []}


def changed(reference: Table, wanted: Table) -> dict[str, Any]:
    """What the shop has to say so that this is in force: the designation, and all that differs."""
    own = {key: value for key, value in wanted.items() if key == "designation" or reference.get(key) != value}
    wanted_names = {normal(one["designation"]) for key in NAMES for one in wanted.get(key, ())}
    for key in NAMES:
        own[key] = [one for one in wanted.get(key, ()) if one not in reference.get(key, ())]
    said = [one["designation"] for key in NAMES for one in reference.get(key, ())]
    own[WITHOUT] = [name for name in said if normal(name) not in wanted_names]
    return {key: value for key, value in own.items() if value != []}
