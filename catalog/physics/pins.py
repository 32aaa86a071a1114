"""One valve's pins put where another's belong: which differ, and whether it matters.

That like electrodes must stand on like pins is common practice, no source. The socket is wired as the original's
sheet wants it; the heater's pins are judged with the heater's supply in `catalog.physics.heaters`, which knows how
the set feeds them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from itertools import permutations
from typing import NamedTuple

from catalog.physics.findings import Level, Reason
from catalog.physics.sheets import SectionSheet, TypeSheet
from catalog.reference.vocabulary import BASES, ELECTRODES


class Substitution(NamedTuple):
    """`other` in the socket of `original`; ``order[i]`` is the other's section that stands for the original's i-th."""

    original: TypeSheet
    other: TypeSheet
    order: tuple[int, ...] = ()

    @property
    def same_base(self) -> bool:
        return self.original.base == self.other.base != ""

    def sections(self, number: int) -> tuple[SectionSheet, SectionSheet]:
        """The original's section of this number, and the other's that stands for it."""
        return self.original.sections[number - 1], self.other.sections[self.order[number - 1]]

    @property
    def pairs(self) -> list[tuple[SectionSheet, SectionSheet]]:
        return [self.sections(number) for number in range(1, len(self.original.sections) + 1)]


def orders(original: Sequence[SectionSheet], other: Sequence[SectionSheet]) -> list[tuple[int, ...]]:
    """Every way to read the other's sections as the original's."""
    if len(original) != len(other):
        return []
    return [
        order
        for order in permutations(range(len(other)))
        if all(mine.similar_kind == other[j].similar_kind for mine, j in zip(original, order, strict=True))
    ]


class Wiring(NamedTuple):
    """What is known of the socket beyond the original's basing; None: nobody looked."""

    suppressor_tied: bool | None = None  # grid 3 is joined to the cathode at the socket
    tap_wired: bool | None = None  # the heater's centre tap is in use


UNSEEN = Wiring()


def best_order(original: TypeSheet, other: TypeSheet, wiring: Wiring = UNSEEN) -> Substitution | None:
    """The way to read the sections that has the least against it on the pins; None where the sections do not agree."""
    swaps = [Substitution(original, other, order) for order in orders(original.sections, other.sections)]
    if not swaps or not swaps[0].same_base:
        return swaps[0] if swaps else None
    return min(swaps, key=lambda swap: _severity(judge_pins(swap, wiring)))


def _severity(reasons: Iterable[Reason]) -> tuple[int, int]:
    levels = [reason.level for reason in reasons]
    return max(levels, default=0), sum(levels)


def check_pin_count(valve: TypeSheet) -> None:
    if valve.base in BASES and len(valve.pins) != (wanted := BASES[valve.base].pins):
        raise ValueError(f"{valve.name}: a base {valve.base} has {wanted} pins, not {len(valve.pins)}")


_EMPTY = frozenset({"nc", "ic"})
_TIE = "the set may use this contact as a tie point"
_MOVE = "the heater leads must be moved"
_WORKS = "what works in one is something else in the other"
_Judged = tuple[Level, str]  # and a few words why, or none


@dataclass(frozen=True)
class _Place:
    """A pin, or the top cap: what it carries in the original and what in the other, in the original's numbering.

    A filament reads as a heater and beam plates as grid 3, so that like compares as equal.
    """

    name: str
    there: frozenset[str]
    here: frozenset[str]
    in_words: str

    @property
    def carried(self) -> frozenset[str]:
        return self.there - _EMPTY

    @property
    def offered(self) -> frozenset[str]:
        return self.here - _EMPTY


def judge_pins(swap: Substitution, wiring: Wiring = UNSEEN) -> Iterator[Reason]:
    """What to say of every pin that differs."""
    for valve in (swap.original, swap.other):
        if any("unknown" in _parts(pin) for pin in valve.pins):
            yield Reason(Level.UNKNOWN, "pins", f"the pins of the {valve.name} are not on file")
            return
    places = list(_places(swap))
    shared = {electrode for place in places for electrode in place.carried & place.offered}
    suppressors = frozenset(  # a heptode's grid 3 is another matter: it takes a signal
        f"{n}:g3" for n, section in enumerate(swap.original.sections, start=1) if section.similar_kind == "pentode"
    )
    known = _Socket(shared, suppressors, wiring)
    for place in places:
        judged = list(_judge(place, known))
        if judged:
            worst = max(level for level, _ in judged)
            tails = sorted({tail for level, tail in judged if level == worst and tail})
            yield Reason(worst, place.name, "; ".join([place.in_words, *tails]))


def _places(swap: Substitution) -> Iterator[_Place]:
    original, other, order = swap
    renumbered = {str(j + 1): str(n) for n, j in enumerate(order, start=1)}
    # Where the filament is the cathode of one valve, a cathode joined to a heater pin of the other agrees with it.
    joined_agrees = original.cathode != other.cathode
    names = [*(f"pin {n}" for n in range(1, len(original.pins) + 1)), "top cap"]
    texts = zip([*original.pins, original.top_cap], [*other.pins, other.top_cap], strict=True)
    for name, (was, now) in zip(names, texts, strict=True):
        words = f"{name}: {_words(was, original)} in the {original.name}, {_words(now, other)} in the {other.name}"
        yield _Place(name, _read(was, {}, joined_agrees), _read(now, renumbered, joined_agrees), words)


def _read(text: str, renumbered: Mapping[str, str], joined_agrees: bool) -> frozenset[str]:
    electrodes = set()
    for part in _parts(text):
        section, _, code = part.rpartition(":")
        code = {"f": "h", "fct": "hct", "bp": "g3"}.get(code, code)
        electrodes.add(f"{renumbered.get(section, section)}:{code}" if section else code)
    if joined_agrees and "h" in electrodes:
        electrodes = {electrode for electrode in electrodes if not electrode.endswith(":k")}
    return frozenset(electrodes)


def _parts(text: str) -> list[str]:
    return [] if text in {"", "-"} else text.split("+")


def _words(text: str, valve: TypeSheet) -> str:
    words = []
    for part in _parts(text):
        section, _, code = part.rpartition(":")
        word = ELECTRODES.get(code, code)
        words.append(f"{word} of section {section}" if section and len(valve.sections) > 1 else word)
    return " with ".join(words) or "nothing"


class _Socket(NamedTuple):
    shared: Set[str]  # electrodes that both valves have on at least one pin in common
    suppressors: Set[str]
    wiring: Wiring


def _judge(place: _Place, socket: _Socket) -> Iterator[_Judged]:
    if "ic" in place.here and not place.there - {"nc"}:
        yield Level.NOTE, "nothing may be wired to this contact"
    for electrode in place.carried - place.offered:
        yield from _lost(electrode, place, socket)
    for electrode in place.offered - place.carried:
        yield from _gained(electrode, place, socket)


def _lost(electrode: str, place: _Place, socket: _Socket) -> Iterator[_Judged]:
    """What to say of an electrode that the set looks for at this place and does not find."""
    if electrode == "s":
        yield Level.NOTE, "the shield is lost, which matters at high frequencies only"
    elif electrode == "hct":
        if socket.wiring.tap_wired is None:
            yield Level.NOTE, "only a heater fed across its two ends can work"
    elif electrode == "h":
        yield (Level.NO, _WORKS) if place.offered else (Level.CHANGE, _MOVE)
    elif electrode in socket.suppressors:
        if _cathode_beside(electrode) not in place.carried and not socket.wiring.suppressor_tied:
            yield Level.NOTE, "right only where the set joins grid 3 to the cathode"
    elif electrode in socket.shared:
        yield Level.NOTE, "the set must take this connection from the other pin that has it"
    else:
        yield Level.NO, _WORKS


def _gained(electrode: str, place: _Place, socket: _Socket) -> Iterator[_Judged]:
    """What to say of an electrode that the set does not expect at this place."""
    if electrode == "s":
        yield from _gained_shield(place, socket)
    elif electrode == "hct":
        yield (Level.CHANGE, "no wire may stay on the tap") if place.carried else (Level.NOTE, _TIE)
    elif electrode == "h":
        yield (Level.NO, _WORKS) if place.carried else (Level.CHANGE, _MOVE)
    elif electrode in socket.suppressors:
        if _cathode_beside(electrode) not in place.offered and not socket.wiring.suppressor_tied:
            yield Level.CHANGE, "grid 3 must be joined to the cathode at the socket"
    elif electrode not in socket.shared:
        yield Level.NO, _WORKS
    elif not place.carried:
        yield Level.NOTE, _TIE
    elif place.carried <= socket.suppressors | {"s", "hct"}:
        word = ELECTRODES[electrode.rpartition(":")[2]]
        yield Level.CHANGE, f"whatever the set joins to this contact would be joined to the {word}"
    else:
        yield Level.NO, _WORKS


def _gained_shield(place: _Place, socket: _Socket) -> Iterator[_Judged]:
    if not place.carried or (place.carried == {"hct"} and socket.wiring.tap_wired is False):
        yield Level.NOTE, _TIE
    elif place.carried & place.offered:
        return
    elif place.carried <= socket.suppressors:
        yield Level.NOTE, "harmless where the set joins this contact to the cathode, as it does for a pentode"
    elif place.carried == {"hct"}:
        yield Level.CHANGE, "no heater lead may stay on the shield"
    else:
        yield Level.NO, _WORKS


def _cathode_beside(suppressor: str) -> str:
    return suppressor.replace("g3", "k")


def ends_and_tap(valve: TypeSheet) -> tuple[list[int], list[int]]:
    """The pins of the heater's or filament's ends, and of its centre tap."""
    carried = [(n, set(_parts(text))) for n, text in enumerate(valve.pins, start=1)]
    return [n for n, parts in carried if {"h", "f"} & parts], [n for n, parts in carried if {"hct", "fct"} & parts]
