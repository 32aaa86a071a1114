"""A rectifier and its filter: output, ripple and peak current, solved over time.

Follows
-------
The valve obeys Child's law, i = G v^(3/2), with the perveance G that its sheet's drop gives (from memory). The circuit
is the text-book one: a transformer's electromotive force and a source resistance in front of each anode, a first
capacitor and a load that draws a steady current; its equation C dv/dt = i(e - v) - I is stepped through one period by
the classical Runge-Kutta rule and closed by Newton's on the voltage at which the period begins.
Between valve and source, v + i Rs = u gives with i = w^3 the cubic Rs w^3 + G^(-2/3) w^2 = u, which has one root.
Into a choke above its critical inductance: the mean of the rectified wave, less what a steady current loses on its way.

Units: volts, milliamperes, ohms, microfarads, hertz.
"""

from __future__ import annotations

from math import pi, sin, sqrt
from typing import NamedTuple

STEPS = 80  # a half period; four times as many move no result by 0.1 %


class Filter(NamedTuple):
    """What stands before and after the valve. ``capacitor_uf`` is None where a choke comes first."""

    rms_v: float  # electromotive force at each anode, against the centre tap
    source_ohm: float  # in series with each anode, the transformer's resistances included
    load_ma: float
    capacitor_uf: float | None
    anodes: int = 2  # 1: half wave, or both anodes on one wire
    mains_hz: float = 50.0


class Supplied(NamedTuple):
    output_v: float  # mean
    ripple_v: float  # peak to peak, on the first capacitor
    peak_ma: float  # of one anode, in every cycle
    inverse_v: float  # peak
    cold_v: float  # the first capacitor while nothing draws current yet
    drop_v: float  # across the valve at its peak
    anode_w: float  # heat in all anodes together


class NoSupply(ValueError):
    """The circuit as described cannot give this current."""


def perveance_of(drop_v: float, drop_at_ma: float) -> float:
    """G in mA V^(-3/2) from a drop at a current."""
    if not (drop_v > 0 and drop_at_ma > 0):
        raise ValueError("A drop and its current must be positive.")
    return float(drop_at_ma / drop_v**1.5)


def supply(perveance: float, at: Filter) -> Supplied:
    """Raises NoSupply where the source and the valve cannot carry the load."""
    if not (at.rms_v > 0 and at.load_ma > 0 and at.source_ohm >= 0 and perveance > 0):
        raise ValueError("The transformer's voltage and the load current must be positive.")
    if at.capacitor_uf is None:
        return _choke_input(perveance, at)
    if not at.capacitor_uf > 0:
        raise ValueError("The first capacitor must be positive; leave it out where a choke comes first.")
    return _capacitor_input(perveance, at)


def critical_inductance_h(output_v: float, load_ma: float, mains_hz: float = 50.0) -> float:
    """What a choke after a full-wave rectifier needs at least, in henries, for its current never to cease.

    With less the supply rises towards the peak of the wave. L = R / 6 pi f, of the second harmonic (from memory).

    >>> round(critical_inductance_h(400, 100), 1)
    4.2
    """
    return 1000 * output_v / load_ma / (6 * pi * mains_hz)


def _choke_input(perveance: float, at: Filter) -> Supplied:
    if at.anodes != 2:
        raise NoSupply("A choke straight after a half-wave rectifier carries no steady current.")
    peak = sqrt(2) * at.rms_v
    drop = (at.load_ma / perveance) ** (2 / 3)
    output = 2 / pi * peak - at.load_ma / 1000 * at.source_ohm - drop
    if output <= 0:
        raise NoSupply(f"The transformer cannot drive {at.load_ma:g} mA through this valve.")
    return Supplied(output, 0.0, at.load_ma, 2 * peak - drop, peak, drop, drop * at.load_ma / 1000)


def _capacitor_input(perveance: float, at: Filter) -> Supplied:
    peak = sqrt(2) * at.rms_v
    start = 0.8 * peak
    low, high = -peak, peak
    for _ in range(60):  # Newton on the return map, kept inside a bracket: the map is monotone and contracts
        end, slope, _ = _period(perveance, at, start)
        if end > start:
            low = start
        else:
            high = start
        if abs(end - start) < 1e-6 * peak:
            break
        step = (end - start) / max(1 - slope, 1e-9)
        start = start + step if low < start + step < high else (low + high) / 2
    else:
        raise NoSupply(f"The transformer cannot drive {at.load_ma:g} mA through this valve.")
    _, _, told = _period(perveance, at, start, told=True)
    assert told is not None
    if told.output_v <= 0:
        raise NoSupply(f"The transformer cannot drive {at.load_ma:g} mA through this valve.")
    return told


def _current(perveance_root: float, ohm_per_ma: float, u: float) -> float:
    """The root of R w^3 + G^(-2/3) w^2 = u by Newton's rule, which from above comes down without passing it; mA."""
    if u <= 0:
        return 0.0
    w = sqrt(u / perveance_root)
    if ohm_per_ma > 0:
        w = min(w, (u / ohm_per_ma) ** (1 / 3))
        for _ in range(30):
            f = (ohm_per_ma * w + perveance_root) * w * w - u
            change = f / ((3 * ohm_per_ma * w + 2 * perveance_root) * w)
            w -= change
            if change < 1e-9 * w:
                break
    return w * w * w


def _period(perveance: float, at: Filter, start: float, told: bool = False) -> tuple[float, float, Supplied | None]:
    """The capacitor's voltage after one period of the ripple, how it follows the start, and what happened."""
    assert at.capacitor_uf is not None
    peak = sqrt(2) * at.rms_v
    root, r = perveance ** (-2 / 3), at.source_ohm / 1000
    half = 1 / (2 * at.mains_hz)
    turns = 1 if at.anodes == 2 else 2
    step = half / STEPS
    per_ma = step * 1e3 / at.capacitor_uf  # volts that one milliampere adds in a step
    v, slope = start, 1.0
    charge = volts = heat = most = 0.0
    least = highest = start
    for n in range(STEPS * turns):
        emf, middle, after = (_emf(peak, n + part, at.anodes) for part in (0.0, 0.5, 1.0))
        i1 = _current(root, r, emf - v)
        k1 = per_ma * (i1 - at.load_ma)
        k2 = per_ma * (_current(root, r, middle - v - k1 / 2) - at.load_ma)
        k3 = per_ma * (_current(root, r, middle - v - k2 / 2) - at.load_ma)
        k4 = per_ma * (_current(root, r, after - v - k3) - at.load_ma)
        if i1 > 0:
            w = i1 ** (1 / 3)
            slope /= 1 + per_ma * 3 * w / (3 * r * w + 2 * root)  # di/du of the cubic
        v += (k1 + 2 * k2 + 2 * k3 + k4) / 6
        if told:
            drop = root * i1 ** (2 / 3)
            most, charge, volts, heat = max(most, i1), charge + i1, volts + v, heat + drop * i1
            least, highest = min(least, v), max(highest, v)
    if not told:
        return v, slope, None
    count = STEPS * turns
    found = Supplied(
        output_v=volts / count,
        ripple_v=highest - least,
        peak_ma=most,
        inverse_v=peak + highest,
        cold_v=peak,
        drop_v=root * most ** (2 / 3),
        anode_w=heat / count / 1000,
    )
    return v, slope, found


def _emf(peak: float, step: float, anodes: int) -> float:
    wave = peak * sin(pi * step / STEPS)
    return abs(wave) if anodes == 2 else wave
