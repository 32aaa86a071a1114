"""Finding the type that a text names among those on file, and what comes near where none has the name.

A name is found when it is on file as written, or in another spelling of the same letters, or but for suffixes that
leave the valve the same. All else is only offered, and each offer says in what it differs: heater and base first.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from itertools import islice
from typing import NamedTuple

from catalog.reference.designations import Designation, names_in, other_forms, understood, what_differs
from catalog.reference.scripts import normal

FORMS = 3  # other spellings of a name for which something near is looked up
ALIKE = 0.72  # of difflib's ratio: below it a name is no slip of the pen (a choice, no source)
HEATER_WITHIN = 0.15  # of the voltage or current that a name tells: a heater further off is another (a choice)


class OnFile(NamedTuple):
    """A type as far as names go. `heaters` in V and A; `base` is its code, `base_name` its words."""

    designation: str
    heaters: tuple[tuple[float, float], ...] = ()
    base: str = ""
    base_name: str = ""


class NameFound(NamedTuple):
    key: int
    why: str  # empty where the name is on file as written


class NearName(NamedTuple):
    key: int
    designation: str
    why: str


class NameRegister:
    """Every name on file, by its normal form. `alike`: pairs of types that are one valve, in two qualities or not."""

    def __init__(
        self,
        types: Mapping[int, OnFile],
        names: Mapping[str, int],
        alike: frozenset[frozenset[int]] = frozenset(),
    ) -> None:
        self.types, self.names, self.alike = types, names, alike
        self._stems: dict[str, list[str]] = {}
        self._kinds: dict[str, list[str]] = {}
        self._known: dict[str, Designation] = {}

    def find(self, text: str) -> NameFound | None:
        """The one type meant, or None: where no name is on file, and where two names mean different types.

        Of two that are one valve in two qualities it is the first: a carton says first what it holds.
        """
        if whole := self._one(text):
            return whole
        found = {name: self._one(name) for name in names_in(text)}
        if len(found) == 1 and not any(found.values()):
            found = self._side_by_side(text)
        keys = list(dict.fromkeys(one.key for one in found.values() if one))
        if not keys or not all(self.same_inside(keys[0], other) for other in keys[1:]):
            return None
        if any(one is None and self._contradicts(name, keys[0]) for name, one in found.items()):
            return None
        said = [
            f"{name} is not on file" if one is None else one.why or f"{name} is on file" for name, one in found.items()
        ]
        said += [f"{self.types[key].designation} is a type of its own, the same inside" for key in keys[1:]]
        return NameFound(keys[0], "; ".join(said))

    def _side_by_side(self, text: str) -> dict[str, NameFound | None]:
        """Two names with no more than a space or a hyphen between them, both on file: "6AQ8 ECC85"."""
        for gap in re.finditer(r"\s*[\s-]\s*", text.strip()):
            sides = text.strip()[: gap.start()], text.strip()[gap.end() :]
            found = {side: self._one(side) for side in sides}
            if len(found) == 2 and all(found.values()):
                return found
        return {}

    def same_inside(self, one: int, other: int) -> bool:
        """Whether the two are one valve in two qualities: with one base and one heater, and said to be alike."""
        mine, theirs = self.types[one], self.types[other]
        return frozenset((one, other)) in self.alike and (mine.base, mine.heaters) == (theirs.base, theirs.heaters)

    def near(self, text: str, most: int = 4) -> list[NearName]:
        """Other names that may be meant, the same stem first, with what differs said of each."""
        offers: dict[int, NearName] = {}
        for name in names_in(text):
            for meant in (normal(name), *(form.normal for form in islice(other_forms(name), FORMS))):
                for key, why in self._offers(understood(meant)):
                    offers.setdefault(key, NearName(key, self.types[key].designation, why))
        return list(offers.values())[:most]

    def _one(self, name: str) -> NameFound | None:
        bare = normal(name)
        if not bare:
            return None
        if bare in self.names:
            return NameFound(self.names[bare], "")
        own = understood(bare)
        alike = self._of_stem(own) if own.system == "American" else []
        as_written = {self.names[other] for harmless, other, _ in alike if harmless}
        for form in other_forms(name):
            if form.normal in self.names:  # 6J8 may be the 6J8G and may be the 6Ж8: then neither is certain
                certain = as_written <= {self.names[form.normal]}
                return NameFound(self.names[form.normal], f"{name}: {form.why}") if certain else None
        for meant in (bare, *(form.normal for form in other_forms(name))):
            for harmless, other, said in self._of_stem(understood(meant)):
                if harmless:
                    return NameFound(self.names[other], f"{name} is read as {other} ({said})")
        return None

    def _contradicts(self, unknown: str, key: int) -> bool:
        """Whether a name that is not on file tells other systems than the type's own European names do."""
        told = understood(unknown)
        own = [understood(name) for name, of in self.names.items() if of == key]
        kinds = {one.kind for one in own if one.system.startswith("European")}
        return told.system.startswith("European") and bool(kinds) and told.kind not in kinds

    def _of_stem(self, asked: Designation) -> list[tuple[bool, str, str]]:
        """Names on file of one stem with the one asked, those that say the least else first."""
        self._index()
        found = []
        for name in self._stems.get(asked.stem, ()) if asked.system else ():
            if "eastern" in (asked.system, self._known[name].system) and asked.system != self._known[name].system:
                continue  # 6K11V and the 6K11 share letters by chance
            harmless, said = what_differs(asked, self._known[name])
            found.append((not harmless, len(said), name, "; ".join(said)))
        return [(not other, name, said) for other, _, name, said in sorted(found)]

    def _offers(self, asked: Designation) -> Iterable[tuple[int, str]]:
        for _, name, said in self._of_stem(asked):
            yield self.names[name], said or "the same name"
        related = {name: self._differing(asked, name) for name in self._kinds.get(asked.kind, ()) if asked.kind}
        for name in sorted(related, key=lambda name: (len(related[name]), self._known[name].system != asked.system)):
            special = "special" in asked.system + self._known[name].system
            yield self.names[name], self._said(name, related[name], f"the same systems{', special quality' * special}")
        close = {
            name: self._differing(asked, name)
            for name in difflib.get_close_matches(asked.normal, self.names, n=12, cutoff=ALIKE)
        }
        for name in sorted(close, key=lambda name: len(close[name])):
            yield self.names[name], self._said(name, close[name], "only the spelling is near")

    def _said(self, name: str, differs: Sequence[str], otherwise: str) -> str:
        own = normal(self.types[self.names[name]].designation) == name
        return "; ".join([*([] if own else [f"on file as {name}"]), *differs, otherwise])

    def _differing(self, asked: Designation, name: str) -> Sequence[str]:
        type_, known = self.types[self.names[name]], self._known[name]
        differs = []
        if asked.heater and type_.heaters and asked.heater != known.heater:
            value, unit = asked.heater
            has = [pair[unit == "A"] for pair in type_.heaters]
            if unit == "A" or all(abs(one - value) > HEATER_WITHIN * value for one in has):
                shown = " or ".join(f"{volts:g} V {amperes:g} A" for volts, amperes in type_.heaters)
                wanted = f"{value:g} V" if unit == "V" else f"{1000 * value:g} mA in series"
                differs.append(f"another heater: {shown}, the name says {wanted}")
        if asked.bases and type_.base and type_.base not in asked.bases:
            differs.append(f"another base: {type_.base_name}")
        if asked.systems and known.systems and asked.systems != known.systems:
            differs.append("other systems inside")
        return differs

    def _index(self) -> None:
        if self._known:
            return
        self._known = {name: understood(name) for name in self.names}
        for name, said in self._known.items():
            if said.system:
                self._stems.setdefault(said.stem, []).append(name)
            if said.kind:
                self._kinds.setdefault(said.kind, []).append(name)
