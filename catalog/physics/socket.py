"""What else can run in this socket: one valve put where another belongs, and every reason to think twice.

That pins, heater, ratings, bias and gain all have to agree is common practice, no source. So are the margins, which
are named constants below. Three relations are used: bias over a cathode resistor by Ohm's law, mu = gm ra of van der
Bijl, and a rectifier's drop brought to another current by the three-halves-power law of Child and Langmuir.

The answer is about the socket as the original's sheet would have it wired. Nobody here has seen the set, so whatever
cannot be judged without looking into it is a thing to check, never a yes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field
from enum import IntEnum
from itertools import permutations
from typing import NamedTuple

from catalog.reference.files import BASES, ELECTRODES

SAFETY = (
    "This compares published data and has not seen your set. Lethal voltages remain in a set that is switched off "
    "and unplugged. Valves are hot and break; some hold mercury or radioactive material. Leave work inside a set to "
    "a licensed or qualified person and follow your local codes. Set the bias anew after changing any power valve."
)

SPREAD = 1.10  # ratio; valves of one type differ by this much anyhow
NOTICEABLE = 1.5  # ratio of gain; up to here it is heard or measured, no more
DOUBLE = 2.0  # ratio of gain; beyond this the stage was designed for another valve
HEATER_VOLTAGE = 0.06  # relative; takes 6.0 V and 6.3 V for one, 5.0 V and 6.3 V for two
HEATER_CURRENT = 0.02  # relative; below it nothing is said
HEATER_LOAD = 0.10  # relative; above it the transformer or the string must be looked at
HEATER_FAR = 1.5  # ratio; beyond this no supply was made for the heater
SAME_POINT = 0.02  # relative; two test points within it are one
BIAS = 0.10  # relative
LEAST_BIAS_V = 0.25  # and no less than this
POWER_MA = 30.0  # from this anode current on a wrong bias can burn the valve
HELD_VOLTAGE = 0.02  # relative, of a stabiliser


class FitLevel(IntEnum):
    NOTE = 1  # good to know, nothing to do
    CHECK = 2  # right or wrong according to the set: look
    CHANGE = 3  # the set must be changed first
    STOP = 4  # do not


VERDICTS: Mapping[int, str] = {
    0: "fits as it is",
    FitLevel.NOTE: "fits as it is",
    FitLevel.CHECK: "may fit: check first",
    FitLevel.CHANGE: "fits only after changes",
    FitLevel.STOP: "does not fit",
}


@dataclass(frozen=True)
class HeaterOption:
    """One way to feed the heater: "parallel" has the centre tap against both ends, the others use the two ends."""

    voltage_v: float
    current_a: float
    wiring: str = "single"


@dataclass(frozen=True)
class WorkingPoint:
    """A test point. A rectifier's anode voltage is its drop at the current, a stabiliser's is what it holds."""

    anode_voltage_v: float
    anode_current_ma: float
    screen_voltage_v: float | None = None
    screen_current_ma: float | None = None
    grid_voltage_v: float | None = None
    cathode_resistor_ohm: float | None = None
    gm_ma_per_v: float | None = None
    mu: float | None = None
    anode_resistance_kohm: float | None = None

    @property
    def bias_v(self) -> float | None:
        """The grid against the cathode, fixed or from the cathode resistor."""
        if self.cathode_resistor_ohm is None:
            return self.grid_voltage_v
        return -(self.anode_current_ma + (self.screen_current_ma or 0.0)) * self.cathode_resistor_ohm / 1000

    @property
    def amplification(self) -> float | None:
        """mu, or gm ra where the sheet gives only those."""
        if self.mu is None and self.gm_ma_per_v is not None and self.anode_resistance_kohm is not None:
            return self.gm_ma_per_v * self.anode_resistance_kohm
        return self.mu


@dataclass(frozen=True)
class InSection:
    kind: str  # triode, pentode, beam tetrode, tetrode, diode, stabiliser, ...
    ratings: Mapping[str, float] = field(default_factory=dict)  # by the keys of RATINGS, those that are known
    rating_system: str = "unstated"
    points: tuple[WorkingPoint, ...] = ()  # the first is the usual one


@dataclass(frozen=True)
class InSocket:
    name: str
    base: str  # a key of catalog.reference.files.BASES
    pins: tuple[str, ...]  # pin 1 first, written as in the basing files: "1:k+1:g3", "h", "nc", "-" for no pin
    heaters: tuple[HeaterOption, ...]
    sections: tuple[InSection, ...]
    top_cap: str = ""
    cathode: str = "indirect"  # or "direct", "cold"
    kind: str = ""  # power pentode, rectifier, ...
    cautions: frozenset[str] = frozenset()


RATINGS: Mapping[str, tuple[str, str]] = {
    "anode_voltage_max_v": ("anode voltage", "V"),
    "anode_dissipation_max_w": ("anode dissipation", "W"),
    "anode_current_max_ma": ("anode current", "mA"),
    "screen_voltage_max_v": ("screen voltage", "V"),
    "screen_dissipation_max_w": ("screen dissipation", "W"),
    "cathode_current_max_ma": ("cathode current", "mA"),
    "heater_cathode_voltage_max_v": ("voltage between heater and cathode", "V"),
    "peak_inverse_voltage_max_v": ("peak inverse voltage", "V"),
}


@dataclass(frozen=True)
class Reason:
    level: FitLevel
    about: str  # base, sections, pin 9, top cap, heater, cathode, ratings, bias, gain, drop or hazard
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Fit:
    """Reasons stand worst first. `safety` belongs beside every answer."""

    original: str
    other: str
    reasons: tuple[Reason, ...]
    safety: str = SAFETY

    @property
    def worst(self) -> int:
        return max((reason.level for reason in self.reasons), default=0)

    @property
    def verdict(self) -> str:
        return VERDICTS[self.worst]

    @property
    def needs_no_change(self) -> bool:
        """True where nothing has to be changed first, though there may be things to check."""
        return self.worst <= FitLevel.CHECK

    @property
    def same_characteristics(self) -> bool:
        """True where bias, current and gain agree, whatever base, pins, heater and ratings say."""
        inside = {"sections", "cathode", "bias", "gain", "drop"}
        return not any(reason.about in inside and reason.level > FitLevel.NOTE for reason in self.reasons)


def compare(original: InSocket, other: InSocket) -> Fit:
    """`other` put into the socket of `original`, which is wired as the original's sheet wants it.

    Raises ValueError where a valve has not as many pins as its base.
    """
    for valve in (original, other):
        if valve.base in BASES and len(valve.pins) != (wanted := BASES[valve.base].pins):
            raise ValueError(f"{valve.name}: a base {valve.base} has {wanted} pins, not {len(valve.pins)}")
    swap = _Swap(original, other)
    found: list[Reason] = []
    if not swap.same_base:
        text = f"base: {_base(original)} for the {original.name}, {_base(other)} for the {other.name}"
        found.append(Reason(FitLevel.STOP, "base", text))
    for valve in (original, other):
        if "unknown" in valve.pins:
            found.append(Reason(FitLevel.STOP, "base", f"pins of the {valve.name}: not on file"))
    orders = _orders(original.sections, other.sections)
    if orders:
        found += min((_ordered(swap, order) for order in orders), key=_severity)
    else:
        text = f"sections: {_kinds(original)} in the {original.name}, {_kinds(other)} in the {other.name}"
        found.append(Reason(FitLevel.STOP, "sections", text))
    found += [*_heaters(swap), *_cathodes(swap), *_hazards(swap)]
    return Fit(original.name, other.name, tuple(sorted(found, key=lambda reason: -reason.level)))


class _Swap(NamedTuple):
    original: InSocket
    other: InSocket

    @property
    def same_base(self) -> bool:
        return self.original.base == self.other.base

    def lacking(self, original_has: object) -> str:
        return self.other.name if original_has else self.original.name


def _ordered(swap: _Swap, order: Sequence[int]) -> list[Reason]:
    """What there is to say when the other's section order[i] stands for the original's section i."""
    return [*(_pins(swap, order) if swap.same_base else ()), *_sections(swap, order)]


def _severity(reasons: Iterable[Reason]) -> tuple[int, int]:
    levels = [reason.level for reason in reasons]
    return max(levels, default=0), sum(levels)


def _base(valve: InSocket) -> str:
    return BASES[valve.base].label if valve.base in BASES else valve.base


# --- sections: which of one valve stands for which of the other -----------------------------------------------------

_ALIKE: Mapping[str, str] = {"beam tetrode": "pentode", "tetrode": "pentode"}


def _class(section: InSection) -> str:
    return _ALIKE.get(section.kind, section.kind)


def _kinds(valve: InSocket) -> str:
    return " and ".join(section.kind for section in valve.sections) or "none"


def _orders(original: Sequence[InSection], other: Sequence[InSection]) -> list[tuple[int, ...]]:
    """Every way to read the other's sections as the original's."""
    if len(original) != len(other):
        return []
    return [
        order
        for order in permutations(range(len(other)))
        if all(_class(section) == _class(other[j]) for section, j in zip(original, order, strict=True))
    ]


# --- pins -----------------------------------------------------------------------------------------------------------

_EMPTY = frozenset({"nc", "ic"})
_TIE = "the set may use this contact as a tie point"
_MOVE = "the heater leads must be moved"
_Judged = tuple[FitLevel, str]  # and a few words why, or none


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


def _pins(swap: _Swap, order: Sequence[int]) -> Iterator[Reason]:
    places = list(_places(swap, order))
    shared = {electrode for place in places for electrode in place.carried & place.offered}
    suppressors = {  # a heptode's grid 3 is another matter: it takes a signal
        f"{n}:g3" for n, section in enumerate(swap.original.sections, start=1) if _class(section) == "pentode"
    }
    for place in places:
        judged = list(_judge(place, shared, suppressors))
        if judged:
            worst = max(level for level, _ in judged)
            tails = sorted({tail for level, tail in judged if level == worst and tail})
            yield Reason(worst, place.name, "; ".join([place.in_words, *tails]))


def _places(swap: _Swap, order: Sequence[int]) -> Iterator[_Place]:
    original, other = swap
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


def _words(text: str, valve: InSocket) -> str:
    words = []
    for part in _parts(text):
        section, _, code = part.rpartition(":")
        word = ELECTRODES.get(code, code)
        words.append(f"{word} of section {section}" if section and len(valve.sections) > 1 else word)
    return " with ".join(words) or "nothing"


def _judge(place: _Place, shared: Set[str], suppressors: Set[str]) -> Iterator[_Judged]:
    """`shared` are the electrodes that both valves have on at least one pin in common."""
    if "ic" in place.here and not place.there - {"nc"}:
        yield FitLevel.CHECK, "nothing may be wired to this contact"
    for electrode in place.carried - place.offered:
        yield from _lost(electrode, place, shared, suppressors)
    for electrode in place.offered - place.carried:
        yield from _gained(electrode, place, shared, suppressors)


def _lost(electrode: str, place: _Place, shared: Set[str], suppressors: Set[str]) -> Iterator[_Judged]:
    """What to say of an electrode that the set looks for at this place and does not find."""
    if electrode == "s":
        yield FitLevel.NOTE, "the shield is lost, which matters at high frequencies only"
    elif electrode == "hct":
        yield FitLevel.CHECK, "only a heater fed across its two ends can work"
    elif electrode == "h":
        yield (FitLevel.STOP, "") if place.offered else (FitLevel.CHANGE, _MOVE)
    elif electrode in suppressors:
        if _cathode_beside(electrode) not in place.carried:
            yield FitLevel.CHECK, "right only where the set joins grid 3 to the cathode"
    elif electrode in shared:
        yield FitLevel.CHECK, "the set must take this connection from the other pin that has it"
    else:
        yield FitLevel.STOP, ""


def _gained(electrode: str, place: _Place, shared: Set[str], suppressors: Set[str]) -> Iterator[_Judged]:
    """What to say of an electrode that the set does not expect at this place."""
    if electrode == "s":
        if not place.carried:
            yield FitLevel.CHECK, _TIE
        elif not place.carried & place.offered:
            yield FitLevel.CHANGE, ""
    elif electrode == "hct":
        yield (FitLevel.CHANGE, "no wire may stay on the tap") if place.carried else (FitLevel.CHECK, _TIE)
    elif electrode == "h":
        yield (FitLevel.STOP, "") if place.carried else (FitLevel.CHANGE, _MOVE)
    elif electrode in suppressors:
        if _cathode_beside(electrode) not in place.offered:
            yield FitLevel.CHANGE, "grid 3 must be joined to the cathode at the socket"
    elif electrode not in shared:
        yield FitLevel.STOP, ""
    elif not place.carried:
        yield FitLevel.CHECK, _TIE
    elif place.carried <= suppressors | {"s", "hct"}:
        word = ELECTRODES[electrode.rpartition(":")[2]]
        yield FitLevel.CHANGE, f"whatever the set joins to this contact would be joined to the {word}"
    else:
        yield FitLevel.STOP, ""


def _cathode_beside(suppressor: str) -> str:
    return suppressor.replace("g3", "k")


# --- heater ---------------------------------------------------------------------------------------------------------


def _feed(option: HeaterOption, valve: InSocket) -> set[frozenset[int]]:
    """The two groups of pins that the supply stands between."""
    ends = [n for n, text in enumerate(valve.pins, start=1) if {"h", "f"} & set(_parts(text))]
    taps = [n for n, text in enumerate(valve.pins, start=1) if {"hct", "fct"} & set(_parts(text))]
    if option.wiring == "parallel" and taps:
        return {frozenset(ends), frozenset(taps)}
    return {frozenset(ends[:1]), frozenset(ends[1:])}


def _heaters(swap: _Swap) -> Iterator[Reason]:
    original, other = swap
    if not original.heaters or not other.heaters:
        if original.heaters or other.heaters:
            yield Reason(FitLevel.STOP, "heater", f"heater: the {swap.lacking(original.heaters)} has none")
        return
    matched = {mine: match for mine in original.heaters if (match := _match(mine, swap))}
    if not matched:
        text = (
            f"heater: the {other.name} wants {_feeds(other.heaters, other, swap)}; a set for the {original.name} "
            f"has {_feeds(original.heaters, original, swap)}; wrongly fed it stays cold or burns out"
        )
        yield Reason(FitLevel.CHANGE, "heater", text)
    elif len(matched) < len(set(original.heaters)):
        text = f"heater: right only where the set feeds {_feeds(matched, original, swap)}"
        yield Reason(FitLevel.CHECK, "heater", text)
    for mine, match in matched.items():
        if _near(mine.current_a, match.current_a, HEATER_CURRENT):
            continue
        so = "must have it to give" if match.current_a > mine.current_a else "is spared"
        text = (
            f"heater current at {mine.voltage_v:g} V: {match.current_a:g} A in the {other.name}, "
            f"{mine.current_a:g} A in the {original.name}, {_percent(mine.current_a, match.current_a)}; "
            f"a series string wants the same current, a transformer {so}"
        )
        if match.current_a > HEATER_FAR * mine.current_a:
            yield Reason(FitLevel.CHANGE, "heater", text)
        else:
            much = not _near(mine.current_a, match.current_a, HEATER_LOAD)
            yield Reason(FitLevel.CHECK if much else FitLevel.NOTE, "heater", text)


def _match(mine: HeaterOption, swap: _Swap) -> HeaterOption | None:
    """The other's heater option that the same leads at the same voltage feed, nearest in current."""
    options = [
        its
        for its in swap.other.heaters
        if _near(mine.voltage_v, its.voltage_v, HEATER_VOLTAGE)
        and (not swap.same_base or _feed(mine, swap.original) == _feed(its, swap.other))
    ]
    return min(options, key=lambda its: abs(its.current_a - mine.current_a), default=None)


def _feeds(options: Iterable[HeaterOption], valve: InSocket, swap: _Swap) -> str:
    """Voltages, with the pins where both valves share a base."""
    return " or ".join(
        f"{option.voltage_v:g} V between pins "
        + " and ".join("+".join(map(str, group)) for group in sorted(map(sorted, _feed(option, valve))))
        if swap.same_base
        else f"{option.voltage_v:g} V"
        for option in options
    )


def _cathodes(swap: _Swap) -> Iterator[Reason]:
    original, other = swap
    if original.cathode == other.cathode or not (original.heaters and other.heaters):
        return
    if other.cathode == "direct":
        what = "the filament is the cathode: full voltage comes before other valves are warm, and hum may come in"
    else:
        what = "the cathode is apart from the filament: see which pin the set takes it from"
    yield Reason(FitLevel.CHECK, "cathode", f"cathode: in the {other.name} {what}")


def _hazards(swap: _Swap) -> Iterator[Reason]:
    new, name = swap.other.cautions - swap.original.cautions, swap.other.name
    if "mercury" in new:
        text = f"the {name} holds mercury: the set must delay the anode voltage, and a broken one is hazardous waste"
        yield Reason(FitLevel.CHANGE, "hazard", text)
    if "radioactive" in new:
        yield Reason(FitLevel.NOTE, "hazard", f"the {name} may hold a trace of radioactive material")


# --- what is inside -------------------------------------------------------------------------------------------------


def _sections(swap: _Swap, order: Sequence[int]) -> list[Reason]:
    """The reasons of every section; what all sections say alike is said once."""
    found = []
    for mine, j in zip(swap.original.sections, order, strict=True):
        its = swap.other.sections[j]
        judge = _BY_CLASS.get(_class(mine), _working)
        found.append([*_ratings(mine, its, swap), *judge(mine, its, swap)])
    if all(reasons == found[0] for reasons in found):
        return found[0] if found else []
    return [
        Reason(reason.level, reason.about, f"section {n}: {reason.text}")
        for n, reasons in enumerate(found, start=1)
        for reason in reasons
    ]


def _ratings(mine: InSection, its: InSection, swap: _Swap) -> Iterator[Reason]:
    original, other = swap.original.name, swap.other.name
    asked = _asked(mine)
    lower = False
    for key, (label, unit) in RATINGS.items():
        has, gets = mine.ratings.get(key), its.ratings.get(key)
        if gets is None or gets >= (has if has is not None else asked.get(key, 0.0)):
            continue
        lower = True
        beyond = gets < asked.get(key, 0.0)
        allowed = f"{has:g} {unit} in the {original}" if has is not None else f"no figure for the {original}"
        tail = f"the {original}'s usual test point has {asked[key]:.3g} {unit}" if beyond else "see what the set asks"
        text = f"{label}: at most {gets:g} {unit} in the {other}, {allowed}; {tail}"
        yield Reason(FitLevel.CHANGE if beyond else FitLevel.CHECK, "ratings", text)
    unknown = [label for key, (label, _) in RATINGS.items() if key in mine.ratings and key not in its.ratings]
    if unknown:
        yield Reason(FitLevel.CHECK, "ratings", f"no rating is at hand for the {other}: {', '.join(unknown)}")
    if lower and mine.rating_system != its.rating_system:
        text = (
            f"rating systems: {mine.rating_system} for the {original}, {its.rating_system} for the {other}; "
            "not to be compared to the last volt"
        )
        yield Reason(FitLevel.NOTE, "ratings", text)


def _asked(section: InSection) -> dict[str, float]:
    """What the usual test point of an amplifying section asks of its ratings."""
    if not section.points or _class(section) in _BY_CLASS:
        return {}
    usual = section.points[0]
    # A cathode resistor's drop is not across the valve: the sheet's voltage is then that of the supply.
    across_v = usual.anode_voltage_v - (usual.cathode_resistor_ohm or 0.0) * usual.anode_current_ma / 1000
    asked = {
        "anode_voltage_max_v": across_v,
        "anode_dissipation_max_w": across_v * usual.anode_current_ma / 1000,
    }
    if usual.screen_voltage_v is not None:
        asked["screen_voltage_max_v"] = usual.screen_voltage_v
    return asked


def _working(mine: InSection, its: InSection, swap: _Swap) -> Iterator[Reason]:
    if not mine.points or not its.points:
        if mine.points or its.points:
            text = f"no test point is at hand for the {swap.lacking(mine.points)}: compare bias and gain on the sheets"
            yield Reason(FitLevel.CHECK, "bias", text)
        return
    common = next(((p, q) for p in mine.points for q in its.points if _same_point(p, q)), None)
    p, q = common or (mine.points[0], its.points[0])
    if common:
        yield from _bias(p, q, swap)
    else:
        text = "bias: no test point in common; compare bias and current on the sheets"
        yield Reason(FitLevel.CHANGE if _power(p, q, swap) else FitLevel.CHECK, "bias", text)
    where = "" if common else ", at different test points"
    gains = [("gm", p.gm_ma_per_v, q.gm_ma_per_v, " mA/V")]
    if _class(mine) == "triode":
        gains.append(("mu", p.amplification, q.amplification, ""))
    for label, was, now, unit in gains:
        if was and now and (ratio := max(was, now) / min(was, now)) > SPREAD:
            level = FitLevel.NOTE if ratio <= NOTICEABLE else FitLevel.CHECK if ratio <= DOUBLE else FitLevel.CHANGE
            text = (
                f"{label}: {now:.3g}{unit} in the {swap.other.name}, {was:.3g}{unit} in the {swap.original.name}, "
                f"{_percent(was, now)}{where}"
            )
            yield Reason(level, "gain", text)


def _same_point(p: WorkingPoint, q: WorkingPoint) -> bool:
    if (p.screen_voltage_v is None) != (q.screen_voltage_v is None):
        return False
    return _near(p.anode_voltage_v, q.anode_voltage_v, SAME_POINT) and _near(
        p.screen_voltage_v or 0.0, q.screen_voltage_v or 0.0, SAME_POINT
    )


def _bias(p: WorkingPoint, q: WorkingPoint, swap: _Swap) -> Iterator[Reason]:
    was, now = p.bias_v, q.bias_v
    if was is None or now is None:
        if was is not now:
            yield Reason(FitLevel.CHECK, "bias", "bias: not known for both; compare the sheets")
        return
    least, most = sorted([p.anode_current_ma, q.anode_current_ma])
    if abs(now - was) <= max(BIAS * max(abs(was), abs(now)), LEAST_BIAS_V) and most <= SPREAD * least:
        return
    screen = f", {p.screen_voltage_v:g} V on the screen" if p.screen_voltage_v is not None else ""
    text = (
        f"bias at {p.anode_voltage_v:g} V{screen}: {_signed(now)} V for {q.anode_current_ma:g} mA in the "
        f"{swap.other.name}, {_signed(was)} V for {p.anode_current_ma:g} mA in the {swap.original.name}"
    )
    if _power(p, q, swap):
        yield Reason(FitLevel.CHANGE, "bias", f"{text}; set the bias for the new valve before it is worked hard")
    else:
        yield Reason(FitLevel.CHECK, "bias", text)


def _power(p: WorkingPoint, q: WorkingPoint, swap: _Swap) -> bool:
    """True where a wrong bias can burn the valve."""
    power = {"power pentode", "beam tetrode"} & {swap.original.kind, swap.other.kind}
    return bool(power) or max(p.anode_current_ma, q.anode_current_ma) >= POWER_MA


def _drop(mine: InSection, its: InSection, swap: _Swap) -> Iterator[Reason]:
    if not mine.points or not its.points:
        if mine.points or its.points:
            text = f"the voltage lost in the {swap.lacking(mine.points)} is not at hand: compare the sheets"
            yield Reason(FitLevel.CHECK, "drop", text)
        return
    p, q = mine.points[0], its.points[0]
    vapour = "mercury" in swap.other.cautions  # its drop hardly moves with the current
    was = p.anode_voltage_v
    now = q.anode_voltage_v * (1.0 if vapour else (p.anode_current_ma / q.anode_current_ma) ** (2 / 3))
    if abs(now - was) <= max(2.0, (SPREAD - 1) * was):
        return
    about = "about " if p.anode_current_ma != q.anode_current_ma else ""
    text = (
        f"at {p.anode_current_ma:g} mA the {swap.other.name} loses {about}{now:.0f} V, "
        f"the {swap.original.name} {was:g} V"
    )
    if now < was:
        so = f"the supply rises by about {was - now:.0f} V, which capacitors and valves must stand"
        yield Reason(FitLevel.CHECK, "drop", f"{text}; {so}; look up the largest reservoir capacitor allowed")
    else:
        yield Reason(FitLevel.NOTE, "drop", f"{text}; the supply falls by about {now - was:.0f} V")


def _held(mine: InSection, its: InSection, swap: _Swap) -> Iterator[Reason]:
    if not mine.points or not its.points:
        if mine.points or its.points:
            text = f"the voltage that the {swap.lacking(mine.points)} holds is not at hand"
            yield Reason(FitLevel.STOP, "drop", text)
        return
    was, now = mine.points[0].anode_voltage_v, its.points[0].anode_voltage_v
    if not _near(was, now, HELD_VOLTAGE):
        yield Reason(
            FitLevel.STOP, "drop", f"the {swap.other.name} holds {now:g} V, the {swap.original.name} {was:g} V"
        )


_BY_CLASS: Mapping[str, Callable[[InSection, InSection, _Swap], Iterator[Reason]]] = {
    "diode": _drop,
    "stabiliser": _held,
}


def _near(was: float, now: float, relative: float) -> bool:
    return abs(now - was) <= relative * max(abs(was), abs(now)) + 1e-9


def _percent(was: float, now: float) -> str:
    return f"{abs(now / was - 1) * 100:.0f} % {'more' if now > was else 'less'}"


def _signed(volts: float) -> str:
    return f"{volts:.3g}".replace("-", "\N{MINUS SIGN}")
