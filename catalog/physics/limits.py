"""What a position asks of a valve at work, beside what its sheet allows.

A limit that the sheet does not give is at least what the sheet's own points run at; above that nobody can say. Between
heater and cathode, and for a cathode's current, a little is taken as allowed without a figure (constants below, common
practice, no source): of a cathode's current, what its own heater's power shows that it can give.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Set
from math import sqrt
from typing import NamedTuple

from catalog.physics.findings import AT_LIMIT, Level, Margin, Reason, shown
from catalog.physics.sheets import SectionSheet, TypeSheet
from catalog.physics.stages import Stage

HEATER_CATHODE_UNASKED_V = 50.0
CATHODE_CURRENT_UNASKED = 1.25  # times what the sheet's own points run at
CATHODE_MA_PER_HEATER_W = 3.0  # of an indirectly heated oxide cathode; no sheet on file allows less than 4.4
UNIT_OF = {"w": "W", "v": "V", "ma": "mA", "kohm": "kΩ", "uf": "µF", "ohm": "Ω"}


class AskedOfValve(NamedTuple):
    """A quantity that the position asks, and the rating that bounds it. ``trusted``: shown to stand this much."""

    name: str
    value: float
    rating: str
    trusted: float | None = None
    decisive: bool = True

    @property
    def unit(self) -> str:
        return UNIT_OF[self.rating.rpartition("_")[2]]


def asked_of(stage: Stage, valve: TypeSheet, section: SectionSheet) -> Iterator[AskedOfValve]:
    position, rest = stage.position, stage.rest
    stands = section.shown_to_stand
    heat = rest.anode_w
    if position.two_valves and heat <= section.ratings.get("anode_dissipation_max_w", 0.0):
        heat = max(heat, stage.signal.anode_w)  # class AB works harder driven than at rest
    yield AskedOfValve("anode voltage", rest.anode_v, "anode_voltage_max_v", stands("anode_voltage_max_v"))
    yield AskedOfValve("anode dissipation", heat, "anode_dissipation_max_w", stands("anode_dissipation_max_w"))
    if len(valve.sections) > 1 and position.sections_at_work > 1:
        both = heat * position.sections_at_work
        one = section.ratings.get("anode_dissipation_max_w")
        yield AskedOfValve("dissipation of both anodes", both, "all_anodes_dissipation_max_w", one, decisive=False)
    known = [(stands("cathode_current_max_ma") or 0.0) * CATHODE_CURRENT_UNASKED, heated_cathode_ma(valve)]
    yield AskedOfValve("cathode current", rest.cathode_ma, "cathode_current_max_ma", max(known) or None)
    if rest.screen_v is not None:
        yield AskedOfValve("screen voltage", rest.screen_v, "screen_voltage_max_v", stands("screen_voltage_max_v"))
        yield AskedOfValve(
            "screen dissipation", rest.screen_w, "screen_dissipation_max_w", stands("screen_dissipation_max_w")
        )
    if "anode_voltage_cold_max_v" in section.ratings:
        yield AskedOfValve("anode voltage before it is warm", position.supply_v, "anode_voltage_cold_max_v")
    if valve.cathode == "indirect":
        yield from _heater_cathode(stage, section)
    if position.grid_circuit_kohm is not None:
        bias = "fixed" if position.cathode_resistor_ohm <= 0 else "self"
        yield AskedOfValve(
            "grid circuit", position.grid_circuit_kohm, f"grid_circuit_{bias}_bias_max_kohm", decisive=False
        )


def heated_cathode_ma(valve: TypeSheet) -> float:
    """The current that each of a valve's like sections gives without harm, by the power of its heater; 0: not known.

    Sections that differ share the heater unequally, and nothing is said of them.
    """
    if valve.cathode != "indirect" or not valve.heaters or len({section.kind for section in valve.sections}) != 1:
        return 0.0
    heater = valve.heaters[0]
    return CATHODE_MA_PER_HEATER_W * heater.voltage_v * heater.current_a / len(valve.sections)


def _heater_cathode(stage: Stage, section: SectionSheet) -> Iterator[AskedOfValve]:
    """Warm: the cathode against the heater, at the peak of a follower's signal. Cold: the cathode is at the foot."""
    elevation = stage.position.heater.elevation_v
    signal = stage.signal.output_v_rms * sqrt(2) if stage.position.role == "cathode follower" else 0.0
    node = stage.rest.cathode_node_v
    seen = {
        True: max(elevation, elevation - (node - signal)),  # heater positive
        False: node + signal - elevation,
    }
    words = {True: "heater positive to cathode", False: "heater negative to cathode"}
    for positive, volts in seen.items():
        if volts > 1.0:
            signed = f"heater_{'positive' if positive else 'negative'}_voltage_max_v"
            rating = signed if signed in section.ratings else "heater_cathode_voltage_max_v"
            yield AskedOfValve(words[positive], volts, rating, HEATER_CATHODE_UNASKED_V)


def judge_limits(
    asked: Iterable[AskedOfValve], section: SectionSheet, allowance: Iterable[Margin] = ()
) -> tuple[list[Margin], list[Reason]]:
    """``allowance``: margins that the original has where its own test point stands for a set; a test may be short and
    go beyond a limit, which is no reason against another that goes no further.
    """
    exceeded = {margin.name: margin.share or 0.0 for margin in allowance if margin.over}
    margins, reasons = [], []
    for one in asked:
        limit = section.ratings.get(one.rating)
        margin = Margin(one.name, one.value, limit, one.unit)
        margins.append(margin)
        if margin.over:
            level = Level.NOTE if (margin.share or 0.0) <= exceeded.get(one.name, 0.0) * AT_LIMIT else Level.NO
            if one.rating.startswith("grid_circuit"):
                level = Level.CHANGE
            reasons.append(Reason(level, "limits", _over(margin)))
        elif margin.at_limit:
            reasons.append(Reason(Level.NOTE, "limits", f"{margin.in_words}: at its limit"))
        elif limit is None and one.decisive and (one.trusted is None or one.value > one.trusted * AT_LIMIT):
            reasons.append(Reason(Level.UNKNOWN, "limits", _unknown(one)))
    return margins, reasons


def _over(margin: Margin) -> str:
    if margin.name == "grid circuit":
        return f"grid resistor of at most {shown(margin.limit or 0)} kΩ, from {shown(margin.asked)} kΩ"
    return f"{margin.in_words}: {100 * ((margin.share or 1) - 1):.0f} % over"


def _unknown(one: AskedOfValve) -> str:
    shows = f"; its own sheet runs it at {shown(one.trusted)} {one.unit}" if one.trusted and one.decisive else ""
    if one.rating == "heater_cathode_voltage_max_v":
        shows = ""
    elif one.rating == "cathode_current_max_ma" and one.trusted:
        shows = f"; {shown(one.trusted)} mA are trusted without one"
    return f"{one.name}: the position has {shown(one.value)} {one.unit}, no limit is at hand{shows}"


# Without a position: the original's limits are all that is known of what a set may ask.

FAR_BELOW = 0.8  # a limit below this part of the original's is "not unless your set asks less" (our rule, no source)
COMPARED = {
    "anode_voltage_max_v": "anode voltage",
    "anode_dissipation_max_w": "anode dissipation",
    "all_anodes_dissipation_max_w": "dissipation of both anodes",
    "anode_current_max_ma": "direct current",
    "peak_anode_current_max_ma": "peak anode current",
    "screen_voltage_max_v": "screen voltage",
    "screen_dissipation_max_w": "screen dissipation",
    "cathode_current_max_ma": "cathode current",
    "peak_inverse_voltage_max_v": "peak inverse voltage",
    "supply_rms_max_v": "supply of each anode",
    "first_capacitor_max_uf": "first capacitor",
    "heater_cathode_voltage_max_v": "voltage between heater and cathode",
    "heater_positive_voltage_max_v": "heater positive to cathode",
    "heater_negative_voltage_max_v": "heater negative to cathode",
}
DECISIVE = frozenset({"anode_voltage_max_v", "anode_dissipation_max_w", "anode_current_max_ma", "screen_voltage_max_v"})


def compare_limits(original: SectionSheet, other: SectionSheet, decisive: Set[str] = DECISIVE) -> Iterator[Reason]:
    """``decisive``: what the original allows and the other's sheet leaves open, so that nobody can say."""
    for rating, name in COMPARED.items():
        unit = UNIT_OF[rating.rpartition("_")[2]]
        has, gets = original.ratings.get(rating), other.ratings.get(rating)
        if has is None and gets is not None and original.shown_to_stand(rating):
            has = original.shown_to_stand(rating)
        if has is not None and gets is None and (shown_ := other.shown_to_stand(rating)) and shown_ >= FAR_BELOW * has:
            continue
        if has is None:
            if gets is not None and rating in decisive:
                yield Reason(Level.NOTE, "limits", f"{name}: at most {shown(gets)} {unit}; the original's is not known")
        elif gets is None:
            level = Level.UNKNOWN if rating in decisive else Level.NOTE
            yield Reason(level, "limits", f"{name}: the original has {shown(has)} {unit}, this one's is not known")
        elif gets < FAR_BELOW * has:
            text = f"not unless your set asks less than {shown(gets)} {unit} ({name}; the original allows {shown(has)})"
            yield Reason(Level.UNLESS, "limits", text)
        elif gets < has:
            yield Reason(
                Level.NOTE, "limits", f"{name}: at most {shown(gets)} {unit}, the original {shown(has)} {unit}"
            )
    needed, least = (section.ratings.get("source_resistance_min_ohm") for section in (original, other))
    if least and needed and least > needed / FAR_BELOW:
        text = f"not unless each anode has {shown(least)} Ω of source resistance (the original asks {shown(needed)})"
        yield Reason(Level.UNLESS, "limits", text)
