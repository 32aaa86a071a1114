"""What runs in a position: every candidate, judged by what the position would do to it and it to the position.

`advise` puts one valve into the socket that another was made for. A described position is solved for both; where nobody
described the set, the original's usual test point stands for it and its limits for what a set may ask. The worst reason
decides the table. The steps, in order: base, sections, pins, heater, then by what the socket is for: an amplifying
section (`_amplify`), a rectifier or a stabiliser (`catalog.physics.supplies`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from catalog.physics.answers import Advice
from catalog.physics.findings import Level, Margin, Reason, more_or_less, shown, worst
from catalog.physics.heaters import judge_heater
from catalog.physics.limits import asked_of, compare_limits, judge_limits
from catalog.physics.pins import Substitution, Wiring, best_order, check_pin_count, judge_pins
from catalog.physics.positions import POWER_ROLES, HeaterSupply, Position
from catalog.physics.sheets import SectionSheet, TypeSheet
from catalog.physics.stages import CannotWork, Stage, biased_for, stage_of
from catalog.physics.supplies import judge_rectifier, judge_stabiliser

GAIN_FAR = 2.0  # ratio either way: beyond it the stage was designed for another valve (common practice, no source)
BIAS_FAR = 0.25  # relative change of a power valve's current at rest, beyond which its bias is set anew


def advise(position: Position, original: TypeSheet, other: TypeSheet, *, in_full: bool = True) -> Advice:
    """Raises ValueError where a valve has not as many pins as its base.

    Not ``in_full``: what pins or heater refuse is not solved, nor are the effects of what a limit refuses.
    """
    for valve in (original, other):
        check_pin_count(valve)
    for valve in (original, other):
        if not valve.sections:
            text = f"nothing but its name is on file of the {valve.name}"
            return Advice(other.name, (Reason(Level.UNKNOWN, "sections", text),))
    wiring = Wiring(_suppressor_tied(position, original), _tap_wired(position))
    swap = best_order(original, other, wiring)
    if swap is None:
        text = f"{_kinds(original)} in the {original.name}, {_kinds(other)} in the {other.name}"
        return Advice(other.name, (Reason(Level.NO, "sections", text),))
    reasons = [*_base(swap), *(judge_pins(swap, wiring) if swap.same_base else ())]
    reasons += judge_heater(swap, position.heater, assumed=position.assumed)
    reasons += _hazards(swap)
    section = original.sections[position.section - 1]
    if not in_full and worst(reasons) == Level.NO:
        return Advice(other.name, tuple(sorted(reasons, key=lambda reason: -reason.level)))
    match section.kind:
        case "diode":
            told = judge_rectifier(position, swap)
        case "stabiliser":
            told = judge_stabiliser(position, swap)
        case _:
            told = _amplify(position, swap, in_full)
    ordered = sorted([*reasons, *told.reasons], key=lambda reason: -reason.level)
    return replace(told, other=other.name, reasons=tuple(dict.fromkeys(ordered)))


def _suppressor_tied(position: Position, original: TypeSheet) -> bool | None:
    """A set made for a pentode whose grid 3 has a pin of its own has joined it to the cathode, at any audio socket."""
    if position.suppressor_tied is not None or position.assumed:
        return position.suppressor_tied
    own = any("g3" in pin and ":k" not in pin for pin in original.pins)
    return True if own and position.role in POWER_ROLES else None


def _tap_wired(position: Position) -> bool | None:
    return None if position.assumed else position.heater.wiring == "parallel"


def _kinds(valve: TypeSheet) -> str:
    return " and ".join(section.kind for section in valve.sections) or "nothing"


def _base(swap: Substitution) -> Iterator[Reason]:
    unknown = [valve.name for valve in (swap.original, swap.other) if not valve.base]
    if unknown:
        yield Reason(Level.UNKNOWN, "base", f"the base of the {unknown[0]} is not on file")
    elif not swap.same_base:
        text = f"an adapter, from its base ({swap.other.base_name}) to the socket ({swap.original.base_name})"
        yield Reason(Level.CHANGE, "base", text)


def _hazards(swap: Substitution) -> Iterator[Reason]:
    new = swap.other.cautions - swap.original.cautions
    if "mercury" in new:
        text = "it holds mercury: the anode voltage must be delayed, and a broken one is hazardous waste"
        yield Reason(Level.CHANGE, "hazard", text)
    if "radioactive" in new:
        yield Reason(Level.NOTE, "hazard", "it may hold a trace of radioactive material")


# An amplifying section


def _amplify(position: Position, swap: Substitution, in_full: bool) -> Advice:
    reasons: list[Reason] = []
    if not (swap.original.cathode and swap.other.cathode):
        reasons.append(Reason(Level.UNKNOWN, "cathode", "how the cathode of one of the two is heated is not on file"))
    elif swap.original.cathode != swap.other.cathode:
        text = "one has a filament for a cathode, the other a cathode apart: bias and heater winding are made for one"
        reasons.append(Reason(Level.NO, "cathode", text))
    mine, its = swap.sections(position.section)
    if position.assumed:
        for pair in swap.pairs:
            reasons += compare_limits(*pair)
    before, reasons_before = _stage(position, mine, swap.original.name)
    if before is None:
        return Advice(swap.other.name, (*reasons, *reasons_before))
    after, failed = _stage(position, its, swap.other.name)
    if after is None and not (failed and failed[0].level == Level.NO):
        return Advice(swap.other.name, (*reasons, *failed), before=before)
    allowance = judge_limits(asked_of(before, swap.original, mine), mine)[0] if position.assumed else []
    margins, over = judge_limits(asked_of(after, swap.other, its), its, allowance) if after else ([], failed)
    if _wants_bias(position, before, after, over):
        biased = _biased(position, before, its, swap.other, allowance)
        if biased is not None and (after is None or worst(biased[3]) < Level.NO):
            change, after, margins, over = biased
            reasons.append(change)
    reasons += over
    if after is not None and (in_full or worst(over) < Level.NO):
        reasons += _effects(position, before, after)
    return Advice(swap.other.name, tuple(reasons), tuple(margins), before, after)


def _stage(position: Position, section: SectionSheet, name: str) -> tuple[Stage | None, list[Reason]]:
    fitted = section.fitted
    if fitted is None:
        return None, [Reason(Level.UNKNOWN, "bias", f"no test point of the {name} is at hand to reckon with")]
    if not fitted.usable:
        text = f"the curves of the {name} miss its own sheet by {100 * fitted.worst:.0f} %"
        return None, [Reason(Level.UNKNOWN, "bias", text)]
    try:
        return stage_of(fitted.curve, position), []
    except CannotWork as why:
        return None, [Reason(Level.NO, "bias", f"{name}: {str(why)[:1].lower()}{str(why)[1:].removesuffix('.')}")]


def _wants_bias(position: Position, before: Stage, after: Stage | None, over: Iterable[Reason]) -> bool:
    """Where another bias may help: the valve is over a limit, or a power valve idles far from what it replaces."""
    if position.cathode_resistor_ohm <= 0 and position.grid_v >= 0:
        return False
    if after is None or worst(over) == Level.NO:
        return True
    far = abs(after.rest.anode_ma / before.rest.anode_ma - 1) > BIAS_FAR
    return far and position.role in POWER_ROLES


def _biased(
    position: Position, before: Stage, its: SectionSheet, other: TypeSheet, allowance: Iterable[Margin]
) -> tuple[Reason, Stage, list[Margin], list[Reason]] | None:
    """The bias at which the other rests at the original's current, or at what its dissipation allows."""
    fitted = its.fitted
    assert fitted is not None
    target = before.rest.anode_ma
    most = its.ratings.get("anode_dissipation_max_w")
    if most and before.rest.anode_v > 0:
        target = min(target, 0.95 * most * 1000 / before.rest.anode_v)
    fixed = position.cathode_resistor_ohm <= 0

    def at(bias: float) -> Position:
        return position.with_bias(grid_v=-bias) if fixed else position.with_bias(resistor_ohm=bias)

    now = -position.grid_v if fixed else position.cathode_resistor_ohm
    found = biased_for(target, lambda bias: Stage(fitted.curve, at(bias)), now / 10, now * 10)
    if found is None:
        return None
    found = _round_bias(found)
    try:
        after = Stage(fitted.curve, at(found))
    except CannotWork:
        return None
    margins, over = judge_limits(asked_of(after, other, its), its, allowance)
    if fixed:
        text = f"fixed bias from {shown(-now)} V to {shown(-found)} V, for {shown(after.rest.anode_ma)} mA"
    else:
        text = f"cathode resistor from {shown(now)} Ω to {shown(found)} Ω, for {shown(after.rest.anode_ma)} mA"
    return Reason(Level.CHANGE, "bias", text), after, margins, over


def _round_bias(value: float) -> float:
    """Two figures and a half: nobody sets a bias closer."""
    return float(f"{value:.3g}") if value < 1000 else float(f"{value:.2g}")


def _effects(position: Position, before: Stage, after: Stage) -> Iterator[Reason]:
    was, now = before.gain, after.gain
    if was > 0 and now > 0 and position.role != "cathode follower":
        ratio = max(was, now) / min(was, now)
        text = f"gain {shown(was)} becomes {shown(now)}, {more_or_less(was, now)}"
        if ratio > GAIN_FAR:
            yield Reason(Level.CHANGE, "gain", f"{text}: the set's level or feedback must suit")
        elif ratio > 1.1:
            yield Reason(Level.NOTE, "gain", text)
    if position.output_v_rms and before.swing_v_rms >= position.output_v_rms > after.swing_v_rms:
        text = f"it gives {shown(after.swing_v_rms)} V rms of the {shown(position.output_v_rms)} V rms asked"
        yield Reason(Level.NO, "gain", text)
    elif after.swing_v_rms < before.swing_v_rms / 2:
        text = f"the most it gives is {shown(after.swing_v_rms)} V rms, where there were {shown(before.swing_v_rms)}"
        yield Reason(Level.CHANGE, "gain", text)
    was, now = before.output_kohm, after.output_kohm
    if now > 2 * was and position.role not in POWER_ROLES:
        yield Reason(Level.NOTE, "gain", f"output resistance {shown(was)} kΩ becomes {shown(now)} kΩ")
    if position.role not in POWER_ROLES:
        return
    power_was, power_now = before.signal.power_w, after.signal.power_w
    if power_was and power_now and not 0.8 < power_now / power_was < 1.25:
        yield Reason(Level.NOTE, "gain", f"full drive gives {shown(power_now)} W, it gave {shown(power_was)} W")


def assumed_position(sheet: TypeSheet) -> Position:
    """The usual test point of the type's first amplifying section as a position: the anode fed at its voltage without a
    load, the bias by a cathode resistor as nearly every set has it. For a rectifier or stabiliser, its limits alone.
    """
    for number, section in enumerate(sheet.sections, start=1):
        if section.kind in ("diode", "stabiliser", "indicator") or not section.points:
            continue
        point = section.points[0]
        screen_ma = point.screen_current_ma or (point.anode_current_ma / 10 if point.screen_voltage_v else 0.0)
        cathode_ma = point.anode_current_ma + screen_ma
        bias = -point.grid_voltage_v
        power = section.similar_kind == "pentode" and point.anode_current_ma > 15
        return Position(
            made_for=sheet.name,
            role="single-ended class A" if power else "common cathode",
            section=number,
            supply_v=point.anode_voltage_v + bias,
            load="transformer",
            load_kohm=point.anode_voltage_v / point.anode_current_ma,
            cathode_resistor_ohm=1000 * bias / cathode_ma,
            screen="pentode" if point.screen_voltage_v else "",
            screen_supply_v=(point.screen_voltage_v or 0.0) + bias,
            heater=HeaterSupply(),
            assumed=True,
        )
    kinds = {section.kind for section in sheet.sections[:1]}
    role = "stabiliser" if "stabiliser" in kinds else "rectifier" if "diode" in kinds else "common cathode"
    return Position(made_for=sheet.name, role=role, assumed=True)
