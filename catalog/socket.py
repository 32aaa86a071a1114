"""What else can run in this socket: one valve put where another belongs, and every reason to think twice.

    InSocket, InSection, WorkingPoint, HeaterOption   what must be known of a valve; the caller fills them in
    compare(original, other)                          a Fit: the verdict in plain words, and the reasons
    SAFETY                                            the note that is shown with every answer

That pins, heater, ratings, bias and gain all have to agree is common practice, no source. So are the margins, which are
named constants below. Two relations are used: bias over a cathode resistor by Ohm's law, and a rectifier's drop brought
to another current by the three-halves-power law of Child and Langmuir.

The answer is about the socket as the original's sheet would have it wired. Nobody here has seen the set, so whatever
cannot be judged without looking into it is a thing to check, never a yes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from itertools import permutations

from catalog.reference import BASES, ELECTRODES

SAFETY = (
    "This compares published data and has not seen your set. Lethal voltages remain in a set that is switched off "
    "and unplugged. Valves are hot and break; some hold mercury or radioactive material. Leave work inside a set to "
    "a licensed or qualified person and follow your local codes."
)

SPREAD = 1.10  # valves of one type differ by this much anyhow
NOTICEABLE = 1.5  # a ratio of gain up to here is heard or measured, no more
DOUBLE = 2.0  # beyond this the stage was designed for another valve
HEATER_VOLTAGE = 0.06  # relative; keeps 6.0 V and 6.3 V together and 5.0 V apart
HEATER_CURRENT = 0.02  # relative; below it nothing is said
HEATER_LOAD = 0.10  # relative; above it the transformer or the string must be looked at
SAME_POINT = 0.02  # relative; two test points within it are one
BIAS = 0.10  # relative, and at least a quarter of a volt
HELD_VOLTAGE = 0.02  # relative, of a stabiliser


class Level(IntEnum):
    NOTE = 1  # good to know, nothing to do
    CHECK = 2  # right or wrong according to the set: look
    CHANGE = 3  # the set must be changed first
    STOP = 4  # do not


VERDICTS: Mapping[int, str] = {
    0: "fits as it is",
    Level.NOTE: "fits as it is",
    Level.CHECK: "fits, with things to check",
    Level.CHANGE: "fits after changes",
    Level.STOP: "does not fit",
}


@dataclass(frozen=True)
class HeaterOption:
    """One way to feed the heater. "parallel" needs the centre tap against both ends; the others use the two ends."""

    voltage_v: float
    current_a: float
    wiring: str = "single"


@dataclass(frozen=True)
class WorkingPoint:
    """A test point. For a rectifier the anode voltage is the drop at the current, for a stabiliser what it holds."""

    anode_voltage_v: float
    anode_current_ma: float
    screen_voltage_v: float | None = None
    screen_current_ma: float | None = None
    grid_voltage_v: float | None = None
    cathode_resistor_ohm: float | None = None
    gm_ma_per_v: float | None = None
    mu: float | None = None

    @property
    def bias_v(self) -> float | None:
        """The grid against the cathode, fixed or from the cathode resistor."""
        if self.cathode_resistor_ohm is None:
            return self.grid_voltage_v
        return -(self.anode_current_ma + (self.screen_current_ma or 0.0)) * self.cathode_resistor_ohm / 1000


@dataclass(frozen=True)
class InSection:
    kind: str  # triode, pentode, beam tetrode, tetrode, diode, ...
    ratings: Mapping[str, float] = field(default_factory=dict)  # by the keys of RATINGS, those that are known
    rating_system: str = "unstated"
    points: tuple[WorkingPoint, ...] = ()  # the first is the usual one


@dataclass(frozen=True)
class InSocket:
    name: str
    base: str  # a key of catalog.reference.BASES
    pins: tuple[str, ...]  # pin 1 first, as the basing files write them: "1:k+1:g3", "h", "nc", "" or "-" for no pin
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
    level: Level
    about: (
        str  # "base", "sections", "pin 9", "top cap", "heater", "cathode", "ratings", "bias", "gain", "drop", "hazard"
    )
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Fit:
    """Reasons stand worst first. SAFETY belongs beside every one of them."""

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
    def plugs_in(self) -> bool:
        """True where nothing has to be changed, though there may be things to check."""
        return self.worst <= Level.CHECK

    @property
    def same_electrically(self) -> bool:
        """True where heater, ratings, bias and gain raise nothing, whatever the base and the pins say."""
        inside = {"sections", "heater", "cathode", "ratings", "bias", "gain", "drop"}
        return not any(r.about in inside and r.level > Level.NOTE for r in self.reasons)


def compare(original: InSocket, other: InSocket) -> Fit:
    """`other` put into the socket of `original`, which is wired as the original's sheet wants it.

    Raises ValueError where a valve has not as many pins as its base.
    """
    for valve in (original, other):
        if valve.base in BASES and len(valve.pins) != BASES[valve.base].pins:
            raise ValueError(
                f"{valve.name}: a base {valve.base} has {BASES[valve.base].pins} pins, not {len(valve.pins)}"
            )
    same_base = original.base == other.base
    found: list[Reason] = []
    if not same_base:
        text = f"base: {_base(original)} for the {original.name}, {_base(other)} for the {other.name}"
        found.append(Reason(Level.STOP, "base", text))
    orders = _orders(original.sections, other.sections)
    if not orders:
        text = f"sections: {_kinds(original)} in the {original.name}, {_kinds(other)} in the {other.name}"
        found.append(Reason(Level.STOP, "sections", text))
    else:

        def both(order: Sequence[int]) -> list[Reason]:
            pins = _pins(original, other, order) if same_base else []
            return [*pins, *_sections(original, other, order)]

        found += min((both(order) for order in orders), key=_severity)
    found += _heaters(original, other, same_base)
    found += _cathodes(original, other)
    found += _hazards(original, other)
    return Fit(original.name, other.name, tuple(sorted(found, key=lambda reason: -reason.level)))


def _severity(reasons: Sequence[Reason]) -> tuple[int, int]:
    return max((r.level for r in reasons), default=0), sum(r.level for r in reasons)


def _base(valve: InSocket) -> str:
    return BASES[valve.base].label if valve.base in BASES else valve.base


# --- sections: which of one valve stands for which of the other --------------------------------------------------------

_ALIKE: Mapping[str, str] = {"beam tetrode": "pentode", "tetrode": "pentode"}


def _class(section: InSection) -> str:
    return _ALIKE.get(section.kind, section.kind)


def _kinds(valve: InSocket) -> str:
    return " and ".join(section.kind for section in valve.sections) or "none"


def _orders(original: Sequence[InSection], other: Sequence[InSection]) -> list[tuple[int, ...]]:
    """Every way to read the other's sections as the original's: order[i] is the other's section for original i."""
    if len(original) != len(other):
        return []
    return [
        order
        for order in permutations(range(len(other)))
        if all(_class(section) == _class(other[j]) for section, j in zip(original, order, strict=True))
    ]


# --- pins ----------------------------------------------------------------------------------------------------------------

_EMPTY = frozenset({"nc", "ic"})
_SOFT = frozenset({"s", "hct", "g3"})  # not by themselves fatal in the wrong place


def _places(
    valve: InSocket, drop_joined_cathode: bool, order: Sequence[int] | None
) -> list[tuple[str, frozenset[str]]]:
    """(name, electrodes) of every pin and the cap. Filament reads as heater and beam plates as grid 3; with `order`
    the sections are renumbered as the original's."""
    number = {str(j + 1): str(i + 1) for i, j in enumerate(order)} if order is not None else {}
    named = [(f"pin {n}", text) for n, text in enumerate(valve.pins, start=1)]
    places = []
    for name, text in [*named, ("top cap", valve.top_cap)]:
        electrodes = set()
        for part in _parts(text):
            section, _, code = part.rpartition(":")
            code = {"f": "h", "fct": "hct", "bp": "g3"}.get(code, code)
            electrodes.add(f"{number.get(section, section)}:{code}" if section else code)
        if drop_joined_cathode and "h" in electrodes:
            electrodes = {e for e in electrodes if _code(e) != "k"}
        places.append((name, frozenset(electrodes)))
    return places


def _parts(text: str) -> list[str]:
    return [] if text in {"", "-"} else text.split("+")


def _code(electrode: str) -> str:
    return electrode.rpartition(":")[2]


def _soft(electrode: str, valve: InSocket) -> bool:
    """Grid 3 is a suppressor only in a pentode: in a heptode it is a control grid."""
    section, _, code = electrode.rpartition(":")
    if code == "g3":
        return _class(valve.sections[int(section) - 1]) == "pentode"
    return code in _SOFT


def _pins(original: InSocket, other: InSocket, order: Sequence[int]) -> list[Reason]:
    # Where a filament is the cathode of one and a joined cathode stands on a heater pin of the other, the pins agree.
    joined = original.cathode != other.cathode
    there, here = _places(original, joined, None), _places(other, joined, order)
    shared = {
        e: sum(e in a and e in b for (_, a), (_, b) in zip(there, here, strict=True)) for _, a in there for e in a
    }
    reasons = []
    for (name, a), (_, b), was, now in zip(
        there, here, [*original.pins, original.top_cap], [*other.pins, other.top_cap], strict=True
    ):
        judged = list(_place(a, b, shared, original))
        if judged:
            level = max(level for level, _ in judged)
            tails = dict.fromkeys(tail for at, tail in judged if at == level and tail)
            text = f"{name}: {_words(was, original)} in the {original.name}, {_words(now, other)} in the {other.name}"
            reasons.append(Reason(level, name, "; ".join([text, *tails])))
    return reasons


def _place(
    a: frozenset[str], b: frozenset[str], shared: Mapping[str, int], original: InSocket
) -> Iterator[tuple[Level, str]]:
    """What one pin or cap that carries `a` there and `b` here asks for. `shared` counts where both have an electrode."""
    carried, offered = a - _EMPTY, b - _EMPTY
    if "ic" in b and "ic" not in a and not carried:
        yield Level.CHECK, "nothing may be wired to this contact"
    for electrode in sorted(carried - offered):
        yield from _lost(electrode, carried, offered, shared, original)
    for electrode in sorted(offered - carried):
        yield from _gained(electrode, carried, offered, shared, original)


def _lost(
    electrode: str, carried: frozenset[str], offered: frozenset[str], shared: Mapping[str, int], original: InSocket
) -> Iterator[tuple[Level, str]]:
    code = _code(electrode)
    if code == "s":
        yield Level.NOTE, "the shield is lost, which matters at high frequencies only"
    elif code == "hct":
        yield Level.CHECK, "only a heater fed across its two ends can work"
    elif _soft(electrode, original):
        if f"{electrode[:-2]}k" not in carried:  # grid 3 on a pin of its own
            yield Level.CHECK, "right only where the set joins grid 3 to the cathode"
    elif code == "h":
        yield (Level.STOP, "") if offered else (Level.CHANGE, "the heater leads must be moved")
    elif shared.get(electrode):
        yield Level.CHECK, "the set must take this connection from the other pin that has it"
    else:
        yield Level.STOP, ""


def _gained(
    electrode: str, carried: frozenset[str], offered: frozenset[str], shared: Mapping[str, int], original: InSocket
) -> Iterator[tuple[Level, str]]:
    code = _code(electrode)
    tie = "the set may use this contact as a tie point"
    if code == "s":
        if carried & offered:
            return
        yield (Level.CHANGE, "") if carried else (Level.CHECK, tie)
    elif code == "hct":
        yield (Level.CHANGE, "no wire may stay on the tap") if carried else (Level.CHECK, tie)
    elif _soft(electrode, original):
        if f"{electrode[:-2]}k" not in offered:
            yield Level.CHANGE, "grid 3 must be joined to the cathode at the socket"
    elif code == "h":
        yield (Level.STOP, "") if carried else (Level.CHANGE, "the heater leads must be moved")
    elif not shared.get(electrode):
        yield Level.STOP, ""
    elif not carried:
        yield Level.CHECK, tie
    elif all(_soft(e, original) for e in carried):
        yield Level.CHANGE, "what the set joins to this contact would be joined to that electrode"
    else:
        yield Level.STOP, ""


def _words(text: str, valve: InSocket) -> str:
    words = []
    for part in _parts(text):
        section, _, code = part.rpartition(":")
        word = ELECTRODES.get(code, code)
        words.append(f"{word} of section {section}" if section and len(valve.sections) > 1 else word)
    return " with ".join(words) or "nothing"


# --- heater --------------------------------------------------------------------------------------------------------------


def _feed(option: HeaterOption, valve: InSocket) -> tuple[frozenset[int], frozenset[int]]:
    """The two groups of pins that the supply stands between, the lower numbered first."""
    ends = frozenset(n for n, t in enumerate(valve.pins, 1) if {"h", "f"} & set(_parts(t)))
    taps = frozenset(n for n, t in enumerate(valve.pins, 1) if {"hct", "fct"} & set(_parts(t)))
    if option.wiring == "parallel" and taps:
        return ends, taps
    return frozenset(sorted(ends)[:1]), frozenset(sorted(ends)[1:])


def _fed(option: HeaterOption, valve: InSocket) -> str:
    between = " and ".join("+".join(str(n) for n in sorted(group)) for group in _feed(option, valve))
    return f"{option.voltage_v:g} V between pins {between}"


def _heaters(original: InSocket, other: InSocket, same_base: bool) -> list[Reason]:
    if not original.heaters and not other.heaters:
        return []
    if not original.heaters or not other.heaters:
        cold = other if original.heaters else original
        return [Reason(Level.STOP, "heater", f"heater: the {cold.name} has none")]

    def same_pins(mine: HeaterOption, its: HeaterOption) -> bool:
        return not same_base or set(_feed(mine, original)) == set(_feed(its, other))

    reasons: list[Reason] = []
    matched: list[tuple[HeaterOption, HeaterOption]] = []
    unmatched: list[HeaterOption] = []
    for mine in original.heaters:
        fits = [
            it for it in other.heaters if _near(mine.voltage_v, it.voltage_v, HEATER_VOLTAGE) and same_pins(mine, it)
        ]
        if fits:
            matched.append((mine, fits[0]))
        else:
            unmatched.append(mine)
    if not matched:
        if same_base:
            asks = " or ".join(_fed(it, other) for it in other.heaters)
            gets = " or ".join(_fed(it, original) for it in original.heaters)
            text = f"heater: the {other.name} wants {asks}; the socket of the {original.name} has {gets}"
        else:
            asks = " or ".join(f"{it.voltage_v:g} V" for it in other.heaters)
            gets = " or ".join(f"{it.voltage_v:g} V" for it in original.heaters)
            text = f"heater: {gets} for the {original.name}, {asks} for the {other.name}"
        reasons.append(Reason(Level.CHANGE, "heater", f"{text}; wrongly fed it stays cold or burns out"))
    elif unmatched:
        good = " or ".join(_fed(mine, original) for mine, _ in matched) if same_base else "one way"
        text = f"heater: right only in a set that feeds {good}"
        reasons.append(Reason(Level.CHECK, "heater", text))
    currents = {(mine.current_a, its.current_a): mine for mine, its in matched}
    for (mine_a, its_a), option in currents.items():
        if not _near(mine_a, its_a, HEATER_CURRENT):
            more = "more" if its_a > mine_a else "less"
            at = f" at {option.voltage_v:g} V" if len(currents) > 1 else ""
            text = (
                f"heater current{at}: {its_a:g} A in the {other.name}, {mine_a:g} A in the {original.name}, "
                f"{_percent(mine_a, its_a)} {more}; a series string wants the same current, "
                + ("a transformer must be able to give it" if its_a > mine_a else "a transformer is spared")
            )
            level = Level.CHECK if not _near(mine_a, its_a, HEATER_LOAD) else Level.NOTE
            reasons.append(Reason(level, "heater", text))
    return reasons


def _cathodes(original: InSocket, other: InSocket) -> list[Reason]:
    if original.cathode == other.cathode or not (original.heaters and other.heaters):
        return []
    if other.cathode == "direct":
        what = "the filament is the cathode: full voltage comes before other valves are warm, and hum may come in"
    else:
        what = "the cathode is a separate one, brought out on one pin: see which pin the set takes it from"
    return [Reason(Level.CHECK, "cathode", f"cathode: in the {other.name} {what}")]


def _hazards(original: InSocket, other: InSocket) -> list[Reason]:
    new = other.cautions - original.cautions
    reasons = []
    if "mercury" in new:
        text = (
            f"the {other.name} holds mercury: the set must delay the anode voltage, and a broken one is hazardous waste"
        )
        reasons.append(Reason(Level.CHANGE, "hazard", text))
    if "radioactive" in new:
        reasons.append(Reason(Level.NOTE, "hazard", f"the {other.name} may hold a trace of radioactive material"))
    return reasons


# --- what is inside ------------------------------------------------------------------------------------------------------


def _sections(original: InSocket, other: InSocket, order: Sequence[int]) -> list[Reason]:
    """The reasons of every section; what all sections say alike is said once."""
    per_section: list[list[Reason]] = []
    for mine, j in zip(original.sections, order, strict=True):
        its = other.sections[j]
        found = [*_rating_reasons(mine, its, original, other)]
        if _class(mine) == "diode":
            found += _drop_reasons(mine, its, original, other)
        elif _class(mine) == "stabiliser":
            found += _held_reasons(mine, its, original, other)
        else:
            found += _working_reasons(mine, its, original, other)
        per_section.append(found)
    if not per_section:
        return []
    if all(found == per_section[0] for found in per_section):
        return per_section[0]
    return [
        Reason(reason.level, reason.about, f"section {n}: {reason.text}")
        for n, found in enumerate(per_section, start=1)
        for reason in found
    ]


def _rating_reasons(mine: InSection, its: InSection, original: InSocket, other: InSocket) -> Iterator[Reason]:
    usual = mine.points[0] if mine.points and _class(mine) not in {"diode", "stabiliser"} else None
    asked: dict[str, float] = {}
    if usual:
        asked["anode_voltage_max_v"] = usual.anode_voltage_v
        asked["anode_dissipation_max_w"] = usual.anode_voltage_v * usual.anode_current_ma / 1000
        if usual.screen_voltage_v is not None:
            asked["screen_voltage_max_v"] = usual.screen_voltage_v
    lower = False
    unknown = []
    for key, (label, unit) in RATINGS.items():
        has, gets = mine.ratings.get(key), its.ratings.get(key)
        if gets is None:
            if has is not None:
                unknown.append(label)
            continue
        if has is not None and gets < has:
            beyond = gets < min(has, asked.get(key, 0.0))
        elif has is None and gets < asked.get(key, 0.0):
            beyond = True
        else:
            continue
        lower = True
        allowed = f"{has:g} {unit} in the {original.name}" if has is not None else f"no figure for the {original.name}"
        tail = f"; the {original.name} is used at {asked[key]:.3g} {unit}" if beyond else "; see what the set asks"
        text = f"{label}: at most {gets:g} {unit} in the {other.name}, {allowed}{tail}"
        yield Reason(Level.CHANGE if beyond else Level.CHECK, "ratings", text)
    if unknown:
        text = f"no figure is at hand for the {other.name}: {', '.join(unknown)}"
        yield Reason(Level.CHECK, "ratings", text)
    if mine.rating_system != its.rating_system and (lower or its.rating_system == "absolute"):
        text = (
            f"the ratings are {mine.rating_system} in the {original.name} and {its.rating_system} in the {other.name}: "
            "not to be compared to the last volt"
        )
        yield Reason(Level.NOTE, "ratings", text)


def _working_reasons(mine: InSection, its: InSection, original: InSocket, other: InSocket) -> Iterator[Reason]:
    if not mine.points and not its.points:
        return
    if not mine.points or not its.points:
        lacking = other if mine.points else original
        yield Reason(Level.CHECK, "bias", f"no test point is at hand for the {lacking.name}: compare the sheets")
        return
    common = next(((p, q) for p in mine.points for q in its.points if _same_point(p, q)), None)
    p, q = common or (mine.points[0], its.points[0])
    if common is None:
        yield Reason(
            Level.CHECK, "bias", "the two have no test point in common: compare bias and current on the sheets"
        )
    else:
        yield from _bias_reasons(p, q, original, other)
    where = "" if common else " (at different test points)"
    for label, was, now, unit in (("gm", p.gm_ma_per_v, q.gm_ma_per_v, " mA/V"), ("mu", p.mu, q.mu, "")):
        if was and now:
            ratio = max(was, now) / min(was, now)
            if ratio > SPREAD:
                level = Level.NOTE if ratio <= NOTICEABLE else Level.CHECK if ratio <= DOUBLE else Level.CHANGE
                more = "higher" if now > was else "lower"
                text = (
                    f"{label}: {now:g}{unit} in the {other.name}, {was:g}{unit} in the {original.name}, "
                    f"{_percent(was, now)} {more}{where}"
                )
                yield Reason(level, "gain", text)


def _same_point(p: WorkingPoint, q: WorkingPoint) -> bool:
    screens = (p.screen_voltage_v, q.screen_voltage_v)
    if not _near(p.anode_voltage_v, q.anode_voltage_v, SAME_POINT) or (screens[0] is None) != (screens[1] is None):
        return False
    return screens[0] is None or screens[1] is None or _near(screens[0], screens[1], SAME_POINT)


def _bias_reasons(p: WorkingPoint, q: WorkingPoint, original: InSocket, other: InSocket) -> Iterator[Reason]:
    was, now = p.bias_v, q.bias_v
    if was is None or now is None:
        yield Reason(Level.CHECK, "bias", "the bias is not known for both: compare the sheets")
        return
    bias_off = abs(now - was) > max(BIAS * abs(was), 0.25)
    current_off = max(p.anode_current_ma, q.anode_current_ma) > SPREAD * min(p.anode_current_ma, q.anode_current_ma)
    if not bias_off and not current_off:
        return
    screen = f" with {p.screen_voltage_v:g} V on the screen" if p.screen_voltage_v is not None else ""
    text = (
        f"bias: {now:.3g} V for {q.anode_current_ma:g} mA in the {other.name}, {was:.3g} V for {p.anode_current_ma:g} mA "
        f"in the {original.name}, both at {p.anode_voltage_v:g} V{screen}"
    ).replace("-", "\N{MINUS SIGN}")
    if {original.kind, other.kind} & {"power pentode", "beam tetrode"} or p.anode_current_ma >= 30:
        yield Reason(Level.CHANGE, "bias", f"{text}; set the bias for the new valve before it is worked hard")
    else:
        yield Reason(Level.CHECK, "bias", text)


def _drop_reasons(mine: InSection, its: InSection, original: InSocket, other: InSocket) -> Iterator[Reason]:
    if not mine.points and not its.points:
        return
    if not mine.points or not its.points:
        lacking = other if mine.points else original
        yield Reason(Level.CHECK, "drop", f"the voltage lost in the {lacking.name} is not at hand: compare the sheets")
        return
    p, q = mine.points[0], its.points[0]
    vapour = "mercury" in other.cautions  # its drop hardly moves with the current
    now = q.anode_voltage_v * (1.0 if vapour else (p.anode_current_ma / q.anode_current_ma) ** (2 / 3))
    was = p.anode_voltage_v
    if abs(now - was) <= max(2.0, (SPREAD - 1) * was):
        return
    about = "about " if p.anode_current_ma != q.anode_current_ma else ""
    text = f"at {p.anode_current_ma:g} mA the {other.name} loses {about}{now:.0f} V, the {original.name} {was:g} V"
    if now < was:
        tail = f"the supply rises by about {was - now:.0f} V: capacitors and valves must stand it, and so must the rectifier"
        yield Reason(Level.CHECK, "drop", f"{text}; {tail}")
    else:
        yield Reason(Level.NOTE, "drop", f"{text}; the supply falls by about {now - was:.0f} V")


def _held_reasons(mine: InSection, its: InSection, original: InSocket, other: InSocket) -> Iterator[Reason]:
    if not mine.points and not its.points:
        return
    if not mine.points or not its.points:
        yield Reason(Level.STOP, "drop", "the voltage that one of them holds is not at hand")
        return
    was, now = mine.points[0].anode_voltage_v, its.points[0].anode_voltage_v
    if not _near(was, now, HELD_VOLTAGE):
        yield Reason(Level.STOP, "drop", f"holds {now:g} V in the {other.name}, {was:g} V in the {original.name}")


def _near(was: float, now: float, relative: float) -> bool:
    return abs(now - was) <= relative * max(abs(was), abs(now)) + 1e-9


def _percent(was: float, now: float) -> str:
    return f"{abs(now / was - 1):.0%}".replace("%", " %")
