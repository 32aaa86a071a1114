"""Where two tables of a type, or of a basing, differ: said in words, as a reader of the daybook wants them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import takewhile, zip_longest
from typing import Any, NamedTuple

from catalog.reference.scripts import normal

NAMED_BY = ("name", "designation")
SHORT_ENOUGH = 60  # characters of both values together that are shown whole


class SaidDifferently(NamedTuple):
    """One value of a table that is another now, or a whole row that came or went: then one of the two is empty."""

    where: str
    before: str  # empty where nothing is said
    after: str
    unit: str = ""
    is_row: bool = False

    @property
    def was(self) -> str:
        return self._with_unit(self.before)

    @property
    def now(self) -> str:
        return self._with_unit(self.after)

    def _with_unit(self, value: str) -> str:
        return f"{value} {self.unit}".rstrip() if value else ""

    @property
    def in_words(self) -> str:
        """
        >>> SaidDifferently("gain", "11", "12", "mA/V").in_words, SaidDifferently("note", "", "b").in_words
        ('gain 11 → 12 mA/V', 'note – → b')
        >>> SaidDifferently("gain", "11", "", "mA/V").in_words
        'gain 11 mA/V → –'
        >>> SaidDifferently("other name", "", "6BQ5", is_row=True).in_words
        'other name 6BQ5 added'
        """
        if self.is_row:
            return f"{self.where} {self.after} added" if self.after else f"{self.where} {self.before} taken away"
        if len(self.before) + len(self.after) > SHORT_ENOUGH:
            old, new = where_apart(self.before, self.after)
            return f"{self.where} “{old}” → “{new}”"
        return f"{self.where} {(self.before if self.after else self.was) or '–'} → {self.now or '–'}"


def where_apart(old: str, new: str, longest: int = SHORT_ENOUGH) -> tuple[str, str]:
    """Of two long texts the words from where they part, with one before it, each cut to so many characters.

    >>> where_apart("a good valve, of the first years", "a good valve, of the last years", 20)
    ('…the first years', '…the last years')
    >>> where_apart("", "selected for low hum and for low noise", 20)
    ('', 'selected for low hu…')
    """
    one, other = old.split(), new.split()
    alike = sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))
    start = max(alike - 1, 0)
    parts = [("…" if start and words[start:] else "") + " ".join(words[start:]) for words in (one, other)]
    was, now = (part if len(part) <= longest else f"{part[: longest - 1]}…" for part in parts)
    return was, now


def differences(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[SaidDifferently]:
    """Where two tables of a type, or of a basing, differ, value by value, in the words of the trade."""
    return list(_between("", before, after))


# Keys of the files say their unit at their end; the longest first, so that mA/V is not taken for V.
_UNITS = {
    "ma_per_v": "mA/V",
    "percent": "%",
    "kohm": "kΩ",
    "ohm": "Ω",
    "uf": "µF",
    "ma": "mA",
    "v": "V",
    "a": "A",
    "w": "W",
    "s": "s",
}
_WORDS = {
    "gm": "mutual conductance",
    "mu": "amplification factor",
    "at": "place in the source",
    "alike": "sections alike",
    "how": "",
    "aliases": "other name",
    "related": "related type",
    "heaters": "heater",
    "pins": "pin",
    "cautions": "caution",
}
_BY_PLACE = ("pins",)  # lists of words of which each has its place; of others only what they hold counts
_TYPES = ("aliases", "related")  # rows that name types: in other letters the name is the same
_VALUES_SHOWN = 4  # of a row that came or went


def _between(where: str, old: Any, new: Any) -> Iterator[SaidDifferently]:
    if isinstance(old, Mapping) or isinstance(new, Mapping):
        old, new = old or {}, new or {}
        for key in dict.fromkeys([*old, *new]):
            yield from _of_key(where, key, old.get(key), new.get(key))
    elif _written(old) != _written(new):
        yield SaidDifferently(where, _written(old), _written(new))


def _of_key(where: str, key: str, old: Any, new: Any) -> Iterator[SaidDifferently]:
    words, unit = _words(key)
    here = f"{where}, {words}" if where else words
    if _is_list(old) or _is_list(new):
        yield from _in_lists(here, key, list(old or ()), list(new or ()))
    elif isinstance(old, Mapping) or isinstance(new, Mapping):
        yield from _between(where if key == "ratings" else here, old, new)
    else:
        yield from (one._replace(unit=unit) for one in _between(here, old, new))


def _in_lists(here: str, key: str, old: list[Any], new: list[Any]) -> Iterator[SaidDifferently]:
    rows = [*old, *new]
    if key in _BY_PLACE or not all(isinstance(one, str) or _name(one) for one in rows):
        for place, (one, other) in enumerate(zip_longest(old, new), start=1):
            whole = isinstance(one or other, Mapping) and not (one and other)
            if whole:
                yield SaidDifferently(f"{here} {place}", _described(one), _described(other), is_row=True)
            else:
                yield from _between(f"{here} {place}", one, other)
        return
    as_one = normal if key in _TYPES else str
    was, now = ({as_one(_name(one)): one for one in some} for some in (old, new))
    for name in dict.fromkeys([*was, *now]):
        one, other = was.get(name), now.get(name)
        if one is None or other is None:
            yield SaidDifferently(here, _described(one), _described(other), is_row=True)
        elif not isinstance(one, str):
            yield from _between(f"{here} {_name(other)}", one, other)


def _described(row: Any) -> str:
    """The name of a row with the first of its values; nothing of one that is not there."""
    if not isinstance(row, Mapping):
        return _written(row)
    said = []
    for key, value in row.items():
        words, unit = _words(key)
        beside = key in NAMED_BY or key == "at" or key.endswith("source") or _is_list(value)
        if _written(value) and not beside:
            said.append(f"{words} {where_apart('', _written(value))[1]} {unit}".strip())
    some = ", ".join([*said[:_VALUES_SHOWN], *(["…"] if len(said) > _VALUES_SHOWN else [])])
    return " ".join(filter(None, [_name(row), some and f"({some})"]))


def _name(one: Any) -> str:
    if isinstance(one, str):
        return one
    return next((str(one[key]) for key in NAMED_BY if key in one), "") if isinstance(one, Mapping) else ""


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _written(value: Any) -> str:
    """As it stands in the files; a whole or decimal number alike however many noughts it ends in."""
    if value is None or isinstance(value, Mapping):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float, Decimal)):
        return f"{Decimal(str(value)).normalize():f}".replace("-", "−")
    return str(value)


def _words(key: str) -> tuple[str, str]:
    """What a key of the files means, and its unit.

    >>> _words("gm_ma_per_v"), _words("anode_dissipation_max_w"), _words("test_point")
    (('mutual conductance', 'mA/V'), ('greatest anode dissipation', 'W'), ('test point', ''))
    """
    end = next((end for end in _UNITS if key.endswith(f"_{end}")), "")
    bare = key.removesuffix(f"_{end}") if end else key
    words = _WORDS.get(bare, bare.replace("_", " "))
    for mark, said in (("max", "greatest"), ("min", "least")):
        if mark in words.split():
            words = f"{said} {' '.join(word for word in words.split() if word != mark)}"
    return words, _UNITS.get(end, "")
