"""A position and what a valve does in it, as rows of words and numbers for pages and papers."""

from __future__ import annotations

from collections.abc import Iterator
from math import isinf
from typing import NamedTuple

from catalog.physics.answers import Advice
from catalog.physics.findings import shown
from catalog.physics.positions import HEATER_WIRINGS, LOADS, ROLES, SCREENS, Position
from catalog.physics.rectifiers import Supplied
from catalog.physics.stages import Stage


class Told(NamedTuple):
    name: str
    value: str


def position_rows(position: Position) -> list[Told]:
    """What was described, in the order of the form; what was left out is not there."""
    rows = [Told("Role", ROLES[position.role])]
    if position.rectifier or position.stabiliser:
        rows += _supply_rows(position)
    elif position.supply_v:
        rows += _stage_rows(position)
    heater = position.heater
    spare = "not known" if heater.spare_a is None else f"{heater.spare_a:g} A"
    volts = f"{heater.voltage_v:g} V, " if heater.voltage_v else ""
    switch = ", can be switched to 6.3 or 12.6 V" if heater.switchable else ""
    rows.append(Told("Heater", f"{volts}{HEATER_WIRINGS[heater.wiring]}; to spare: {spare}{switch}"))
    if heater.elevation_v:
        rows.append(Told("Heater stands at", f"{shown(heater.elevation_v)} V"))
    return rows


def _stage_rows(p: Position) -> Iterator[Told]:
    source = f" behind {shown(p.source_resistance_kohm)} kΩ" if p.source_resistance_kohm else ""
    yield Told("Supply", f"{shown(p.supply_v)} V{source}")
    load = LOADS[p.load]
    if p.load == "current source":
        load += f", {shown(p.load_ma)} mA"
    elif p.load in ("resistor", "transformer"):
        load += f", {shown(p.load_kohm)} kΩ{' anode to anode' if p.two_valves else ''}"
    if p.winding_kohm:
        load += f", winding {shown(1000 * p.winding_kohm)} Ω"
    yield Told("Anode load", load)
    if p.cathode_resistor_ohm:
        yield Told("Cathode resistor", f"{shown(p.cathode_resistor_ohm)} Ω, {'' if p.bypassed else 'not '}bypassed")
    if p.grid_v:
        yield Told("Grid at", f"{shown(p.grid_v)} V{' (fixed bias)' if p.fixed_bias else ''}")
    if p.grid_circuit_kohm:
        yield Told("Grid circuit", f"{shown(p.grid_circuit_kohm)} kΩ")
    if p.next_grid_kohm:
        yield Told("Next grid", f"{shown(p.next_grid_kohm)} kΩ")
    if p.screen:
        own = f", {shown(p.screen_supply_v or p.supply_v)} V" if p.screen == "pentode" else ""
        behind = f" behind {shown(p.screen_resistor_kohm)} kΩ" if p.screen_resistor_kohm else ""
        tap = f", {100 * p.ultralinear_tap:.0f} %" if p.screen == "ultralinear" else ""
        yield Told("Screen", f"{SCREENS[p.screen]}{own}{behind}{tap}")
    if p.output_v_rms:
        yield Told("Asked to give", f"{shown(p.output_v_rms)} V rms")


def _supply_rows(p: Position) -> Iterator[Told]:
    if duty := p.rectifier:
        yield Told("Each anode", f"{shown(duty.rms_v)} V rms, {shown(duty.source_ohm)} Ω of source resistance")
        yield Told("Anodes", "two, full wave" if duty.anodes == 2 else "one, half wave")
        first = (
            "choke first" if duty.first_capacitor_uf is None else f"first capacitor {shown(duty.first_capacitor_uf)} µF"
        )
        stand = "not known" if duty.capacitor_rating_v is None else f"{shown(duty.capacitor_rating_v)} V"
        yield Told("Filter", f"{first}; capacitors stand: {stand}")
        yield Told("Load", f"{shown(duty.load_ma)} mA")
    if steady := p.stabiliser:
        yield Told("Supply", f"{shown(steady.supply_v)} V behind {shown(steady.series_resistor_kohm)} kΩ")
        yield Told("Load", f"{shown(steady.load_ma)} mA")


class Effect(NamedTuple):
    name: str
    before: str
    after: str


def effects(advice: Advice) -> list[Effect]:
    """What a meter shows before and after the swap."""
    if advice.supply_before and advice.supply_after:
        return list(_supply_effects(advice.supply_before, advice.supply_after))
    if advice.before and advice.after:
        return list(_stage_effects(advice.before, advice.after))
    return []


def _supply_effects(before: Supplied, after: Supplied) -> Iterator[Effect]:
    rows = (
        ("Supply", "output_v", "V"),
        ("Ripple, peak to peak", "ripple_v", "V"),
        ("Peak current of an anode", "peak_ma", "mA"),
        ("Drop at the peak", "drop_v", "V"),
        ("Heat in the anodes", "anode_w", "W"),
    )
    for name, field, unit in rows:
        yield Effect(name, *(f"{shown(getattr(found, field))} {unit}" for found in (before, after)))


def _stage_effects(before: Stage, after: Stage) -> Iterator[Effect]:
    both = (before, after)

    def row(name: str, unit: str, values: list[float]) -> Effect:
        told = ["very high" if isinf(value) else f"{shown(value)} {unit}".strip() for value in values]
        return Effect(name, *told)

    yield row("Anode to cathode", "V", [stage.rest.anode_v for stage in both])
    yield row("Grid to cathode", "V", [stage.rest.grid_v for stage in both])
    yield row("Anode current", "mA", [stage.rest.anode_ma for stage in both])
    yield row("Anode dissipation", "W", [stage.rest.anode_w for stage in both])
    if before.rest.screen_v is not None:
        yield row("Screen current", "mA", [stage.rest.screen_ma for stage in both])
    yield row("Mutual conductance", "mA/V", [stage.slopes.gm_ma_per_v for stage in both])
    yield row("Gain", "", [stage.gain for stage in both])
    yield row("Output resistance", "kΩ", [stage.output_kohm for stage in both])
    yield row("Most it gives", "V rms", [stage.swing_v_rms for stage in both])
    signals = [stage.signal for stage in both]
    if signals[0].power_w is not None:
        yield row("Power at full drive", "W", [signal.power_w or 0.0 for signal in signals])
    at = " and ".join(shown(signal.output_v_rms) for signal in signals)
    yield row(f"Second harmonic at {at} V rms", "%", [signal.second_percent for signal in signals])
    yield row(f"Third harmonic at {at} V rms", "%", [signal.third_percent for signal in signals])
