"""What a shop says of a type itself, beside the reference: which of the two is in force, and where they differ."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from catalog.reference.scripts import normal

Table = Mapping[str, Any]

NAMES = ("aliases", "related")  # what both say together; of all else, the shop's word stands before the reference's
WITHOUT = "without"  # those of the reference's names that the shop says are wrong
EMPTIED = "emptied"  # what else the reference says and the shop says is not known, by its key
NAMED_BY = ("name", "designation")


def in_force(reference: Table, own: Table) -> dict[str, Any]:
    """The type as both make it: what the shop says, and where it says nothing, the reference.

    >>> in_force({"designation": "EL84", "note": "a"}, {"designation": "EL84", "note": "b"})["note"]
    'b'
    """
    emptied = set(own.get(EMPTIED, ()))
    both = {key: value for key, value in {**reference, **own}.items() if key not in {*emptied, EMPTIED}}
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
    own[EMPTIED] = [key for key in reference if key not in wanted and key not in NAMES]
    return {key: value for key, value in own.items() if value != []}


class SaidDifferently(NamedTuple):
    where: str
    before: str  # empty where nothing is said
    after: str

    @property
    def in_words(self) -> str:
        return f"{self.where} {self.before or '–'} → {self.after or '–'}"


def differences(before: Table, after: Table) -> list[SaidDifferently]:
    """Where two tables of a type differ, value by value."""
    old, new = dict(_flat(before)), dict(_flat(after))
    return [
        SaidDifferently(where, old.get(where, ""), new.get(where, ""))
        for where in dict.fromkeys([*old, *new])
        if old.get(where) != new.get(where)
    ]


def _flat(value: Any, where: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for key, one in value.items():
            yield from _flat(one, f"{where}, {_words(key)}" if where else _words(key))
    elif isinstance(value, Sequence) and not isinstance(value, str):
        for position, one in enumerate(value, start=1):
            yield from _flat(one, f"{where} {_name(one, position)}")
    elif value is not None and value != "":
        yield where, str(value)


def _name(one: Any, position: int) -> str:
    named = next((str(one[key]) for key in NAMED_BY if key in one), "") if isinstance(one, Mapping) else ""
    return named or str(position)


def _words(key: str) -> str:
    return key.replace("_", " ")
