"""A rectifier or a stabiliser put where another was: what the supply becomes, and whether the valve stands it.

The duty is solved over time (`catalog.physics.rectifiers`) for both valves at the same load current, which is the worse
case for a rise: a set that draws more as its supply rises falls a little short of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import sqrt

from catalog.physics.answers import Advice
from catalog.physics.findings import Level, Margin, Reason, shown
from catalog.physics.limits import DECISIVE, AskedOfValve, compare_limits, judge_limits
from catalog.physics.pins import Substitution
from catalog.physics.positions import Position, RectifierDuty, StabiliserDuty
from catalog.physics.rectifiers import Filter, NoSupply, Supplied, critical_inductance_h, supply
from catalog.physics.sheets import SectionSheet

RISE_TOLD = 0.03  # relative; less is within the mains' own tolerance
RISE_CHANGES = 0.05  # relative; from here on the set must be looked at
FALL_CHANGES = 0.10
HELD_VOLTAGE = 0.02  # relative, of a stabiliser
SURELY_STRIKES = (
    1.5  # times the voltage held: above that a stabiliser of this kind strikes (common practice, no source)
)


def judge_rectifier(position: Position, swap: Substitution) -> Advice:
    mine, its = swap.sections(position.section)
    duty = position.rectifier
    if duty is None:
        compared = [reason for pair in swap.pairs for reason in compare_limits(*pair, _decisive(swap, *pair))]
        return Advice(swap.other.name, (*compared, *_compare_drops(mine, its), *_cold(swap, None)))
    solved = []
    for name, section in ((swap.original.name, mine), (swap.other.name, its)):
        if section.perveance is None:
            unknown = Reason(Level.UNKNOWN, "supply", f"the voltage that the {name} loses is not at hand")
            margins, over = judge_limits(_told(duty), its)  # what kills needs no solution
            return Advice(swap.other.name, (unknown, *over), tuple(margins))
        try:
            solved.append(supply(section.perveance, _filter(duty)))
        except NoSupply as why:
            return Advice(swap.other.name, (Reason(Level.NO, "supply", str(why)),))
    before, after = solved
    margins, reasons = judge_limits(_asked(duty, swap, its, after), its)
    least = its.ratings.get("source_resistance_min_ohm")
    if duty.first_capacitor_uf is not None and least is not None:
        margin = Margin("source resistance", duty.source_ohm, least, "Ω", least=True)
        margins.append(margin)
        if margin.over:
            text = f"{shown(least - duty.source_ohm)} Ω more in each anode's lead, for the {shown(least)} Ω it asks"
            asked_before = mine.ratings.get("source_resistance_min_ohm", 0.0)
            if asked_before >= least:
                text = f"{text}; the original asks {shown(asked_before)} Ω"
            reasons.append(Reason(Level.NOTE if asked_before >= least else Level.CHANGE, "supply", text))
    if duty.first_capacitor_uf is None:
        henries = critical_inductance_h(after.output_v, duty.load_ma, duty.mains_hz)
        text = f"reckoned for a choke of {shown(henries)} H at least: with less, the supply rises towards its peak"
        reasons.append(Reason(Level.NOTE, "supply", text))
    reasons += [*_stands_capacitor(duty, its, after), *_moved(duty, before, after), *_cold(swap, duty)]
    return Advice(swap.other.name, tuple(reasons), tuple(margins), supply_before=before, supply_after=after)


def _filter(duty: RectifierDuty) -> Filter:
    return Filter(duty.rms_v, duty.source_ohm, duty.load_ma, duty.first_capacitor_uf, duty.anodes, duty.mains_hz)


def _told(duty: RectifierDuty) -> Iterator[AskedOfValve]:
    yield AskedOfValve("direct current", duty.load_ma, "anode_current_max_ma")
    if duty.first_capacitor_uf is not None:
        yield AskedOfValve("first capacitor", duty.first_capacitor_uf, "first_capacitor_max_uf", decisive=False)


def _decisive(swap: Substitution, mine: SectionSheet, its: SectionSheet) -> frozenset[str]:
    """Without a duty: what a rectifier's sheet must give where the original's does, since any set may rely on it."""
    asked = {"first_capacitor_max_uf"}
    if not {"peak_inverse_voltage_max_v", "supply_rms_max_v"} & mine.ratings.keys() & its.ratings.keys():
        asked |= {"peak_inverse_voltage_max_v", "supply_rms_max_v"}
    if swap.other.cathode == "indirect" and not swap.other.cathode_on_heater:
        asked.add("heater_cathode_voltage_max_v")
    return DECISIVE | asked


def _asked(duty: RectifierDuty, swap: Substitution, its: SectionSheet, supplied: Supplied) -> Iterator[AskedOfValve]:
    yield from _told(duty)
    yield AskedOfValve("peak inverse voltage", supplied.inverse_v, "peak_inverse_voltage_max_v")
    # One of the two says how hard the pulses may be; `_stands_capacitor` asks that one of them is known.
    yield AskedOfValve("peak anode current", supplied.peak_ma, "peak_anode_current_max_ma", decisive=False)
    if duty.first_capacitor_uf is not None and "supply_rms_max_v" in its.ratings:
        yield AskedOfValve("supply of each anode", duty.rms_v, "supply_rms_max_v")
    if swap.other.cathode == "indirect" and not swap.other.cathode_on_heater:
        signed = "heater_negative_voltage_max_v"
        rating = signed if signed in its.ratings else "heater_cathode_voltage_max_v"
        yield AskedOfValve("heater negative to cathode, at switch-on", supplied.cold_v, rating)


def _stands_capacitor(duty: RectifierDuty, its: SectionSheet, after: Supplied) -> Iterator[Reason]:
    known = {"first_capacitor_max_uf", "peak_anode_current_max_ma"} & set(its.ratings)
    if duty.first_capacitor_uf is not None and not known:
        text = (
            "neither its largest first capacitor nor its peak current is at hand: here "
            f"{shown(duty.first_capacitor_uf)} µF draws peaks of {shown(after.peak_ma)} mA"
        )
        yield Reason(Level.UNKNOWN, "supply", text)


def _moved(duty: RectifierDuty, before: Supplied, after: Supplied) -> Iterator[Reason]:
    """How the supply rises or falls."""
    change = after.output_v - before.output_v
    relative = change / before.output_v
    if abs(relative) < RISE_TOLD:
        return
    moves = f"the supply {'rises' if change > 0 else 'falls'} by {shown(abs(change))} V"
    text = f"{moves}, from {shown(before.output_v)} V to {shown(after.output_v)} V"
    rating = duty.capacitor_rating_v
    if change > 0 and rating is not None and after.output_v > rating:
        yield Reason(Level.NO, "supply", f"{text}: the set's capacitors stand {shown(rating)} V")
    elif relative > RISE_CHANGES:
        resistor = 1000 * change / duty.load_ma
        cure = f"a dropper of {shown(resistor)} Ω after the first capacitor takes it off again"
        yield Reason(Level.CHANGE, "supply", f"{text}, which every capacitor and valve must stand; {cure}")
    elif relative < -FALL_CHANGES:
        yield Reason(Level.CHANGE, "supply", f"{text}: every stage works with less")
    else:
        yield Reason(Level.NOTE, "supply", text)


def _cold(swap: Substitution, duty: RectifierDuty | None) -> Iterator[Reason]:
    """A filament is there before the valves that would draw its current."""
    if swap.other.cathode == swap.original.cathode:
        return
    if swap.other.cathode == "indirect":
        yield Reason(Level.NOTE, "supply", "it comes up slowly, which spares what follows; see which pin the set takes")
        return
    if duty is not None and not duty.loads_warm_slowly:
        return
    if duty is None:
        text = "its filament is hot before the other valves: the supply stands at its full peak until they draw current"
        yield Reason(Level.NOTE, "supply", text)
        return
    peak = sqrt(2) * duty.rms_v
    text = f"its filament is hot before the other valves: the capacitors see {shown(peak)} V at switch-on"
    if duty.capacitor_rating_v is None:
        yield Reason(Level.UNKNOWN, "supply", f"{text}; nobody said what they stand")
    elif peak > duty.capacitor_rating_v:
        yield Reason(Level.NO, "supply", f"{text}, and stand {shown(duty.capacitor_rating_v)} V")
    else:
        yield Reason(Level.NOTE, "supply", f"{text}, of {shown(duty.capacitor_rating_v)} V")


def _compare_drops(mine: SectionSheet, its: SectionSheet) -> Iterator[Reason]:
    """Without a duty: the drops at the original's own current. Pulses lose more, so a rise is at least this."""
    if mine.drop is None or its.drop is None or its.perveance is None:
        yield Reason(Level.UNKNOWN, "supply", "the voltage that is lost in one of the two is not at hand")
        return
    was, at_ma = mine.drop
    now = (at_ma / its.perveance) ** (2 / 3)
    if abs(now - was) <= max(2.0, 0.1 * was):
        return
    lost = f"at {shown(at_ma)} mA it loses about {shown(now)} V, the original {shown(was)} V"
    if now < was:
        text = f"{lost}: the supply rises by at least {shown(was - now)} V, and by more into a capacitor"
        yield Reason(Level.CHANGE, "supply", f"{text}; every capacitor and valve must stand it")
    else:
        yield Reason(Level.NOTE, "supply", f"{lost}: the supply falls by at least {shown(now - was)} V")


def judge_stabiliser(position: Position, swap: Substitution) -> Advice:
    mine, its = swap.sections(position.section)
    if not mine.points or not its.points:
        return Advice(
            swap.other.name, (Reason(Level.UNKNOWN, "supply", "the voltage that one of them holds is not at hand"),)
        )
    was, now = mine.points[0].anode_voltage_v, its.points[0].anode_voltage_v
    reasons = []
    if abs(now - was) > HELD_VOLTAGE * max(now, was):
        text = f"it holds {shown(now)} V, the original {shown(was)} V"
        reasons.append(Reason(Level.NO, "supply", text))
    duty = position.stabiliser
    if duty is None:
        return Advice(swap.other.name, (*reasons, *compare_limits(mine, its)))
    idle = (duty.supply_v - now) / duty.series_resistor_kohm  # with no load: while the set warms up
    current = idle - duty.load_ma
    reasons += [*_keeps_burning(current, its), *_strikes(duty, mine, its, now)]
    margins, over = judge_limits([AskedOfValve("current, load drawn", current, "anode_current_max_ma")], its)
    most, original = its.ratings.get("anode_current_max_ma"), mine.ratings.get("anode_current_max_ma")
    if most and current <= most < idle:
        level = Level.NOTE if original and original <= most else Level.CHANGE
        text = f"until the set draws its current the stabiliser takes {shown(idle)} mA of {shown(most)}"
        reasons.append(Reason(level, "limits", text))
    return Advice(swap.other.name, (*reasons, *over), tuple(margins))


def _keeps_burning(current_ma: float, its: SectionSheet) -> Iterator[Reason]:
    """Below its least current it goes out, or its voltage wanders."""
    least = its.ratings.get("least_current_ma")
    if current_ma <= 0:
        yield Reason(Level.NO, "supply", "the series resistor leaves it no current: it goes out")
    elif least is None:
        text = f"{shown(current_ma)} mA are left for it; the least that it works with is not at hand"
        yield Reason(Level.UNKNOWN, "supply", text)
    elif current_ma < least:
        text = f"{shown(current_ma)} mA are left for it, and it needs {shown(least)}: it goes out or wanders"
        yield Reason(Level.NO, "supply", text)


def _strikes(duty: StabiliserDuty, mine: SectionSheet, its: SectionSheet, held_v: float) -> Iterator[Reason]:
    """Before it strikes, all that the load draws is lost in the series resistor."""
    needs, original = its.ratings.get("striking_voltage_v"), mine.ratings.get("striking_voltage_v")
    offered = duty.supply_v - duty.series_resistor_kohm * duty.load_ma
    if needs is None:
        if offered < SURELY_STRIKES * held_v:
            text = f"the set offers {shown(offered)} V with its load; the voltage at which it strikes is not at hand"
            yield Reason(Level.UNKNOWN, "supply", text)
    elif duty.supply_v < needs:
        text = f"it strikes at {shown(needs)} V, and the supply is {shown(duty.supply_v)} V"
        yield Reason(Level.NO, "supply", text)
    elif offered < needs:
        level = Level.NOTE if original and original >= needs else Level.CHANGE
        text = f"it strikes at {shown(needs)} V and has {shown(offered)} V once the load draws: it must strike before"
        yield Reason(level, "supply", text)
