"""A type's curves: a published model with parameters fitted to what the type's own sheet says.

Follows
-------
Triode: N. L. Koren, "Improved vacuum tube models for SPICE simulations", Glass Audio 8(5), 1996, p. 18, the form that
    `catalog.physics.electrics` cites.
Pentode: D. Reefman, "Spice models for vacuum tubes using the uTracer", 2016 (from memory): the current that leaves the
    cathode by Koren's law of grid and screen, shared between screen and anode by how far the anode is beyond its knee,
    rational for a pentode and exponential for a beam tetrode, with a slope for the anode's own reach.
Parameters: least squares on the logarithms of the sheet's own values, with weak priors (the spread of such parameters
    over types, common practice, no source) for what one or two test points cannot tell. Where the knee of a pentode or
    beam tetrode lies no test point tells: its prior was set by the powers that sheets print of typical operation.

Grid current is not modelled: an answer with a grid above the cathode is for the caller to refuse. Units: volts,
milliamperes, mA/V, kilohms.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp, inf, log, log1p, sqrt
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

# Beyond this at any of the type's own values the curves say nothing of use (our rule, no source).
MOST_RESIDUAL = 0.15
# A screen's current varies that much between valves of a type, and a pentode's anode resistance hardly moves anything.
MOST_RESIDUAL_OF_SCREEN = {"Ig2": 0.4, "ra": 1.0}


class SheetPoint(NamedTuple):
    """What a sheet gives at one setting, voltages to the cathode; None where it does not say."""

    anode_voltage_v: float
    grid_voltage_v: float
    anode_current_ma: float
    gm_ma_per_v: float | None = None
    mu: float | None = None
    screen_voltage_v: float | None = None
    screen_current_ma: float | None = None
    anode_resistance_kohm: float | None = None

    @classmethod
    def printed(
        cls,
        *,
        cathode_resistor_ohm: float | None,
        grid_voltage_v: float | None,
        screen_voltage_v: float | None,
        **told: Any,
    ) -> SheetPoint:
        """From a sheet's row: one with a cathode resistor prints what stands above its foot (from memory)."""
        current_ma = told["anode_current_ma"] + (told.get("screen_current_ma") or 0.0)
        dropped = current_ma * (cathode_resistor_ohm or 0.0) / 1000
        told["anode_voltage_v"] -= dropped
        return cls(
            **told,
            grid_voltage_v=-dropped if cathode_resistor_ohm else grid_voltage_v or 0.0,
            screen_voltage_v=None if screen_voltage_v is None else screen_voltage_v - dropped,
        )


@dataclass(frozen=True, slots=True)
class TriodeCurve:
    """E1 = (Va / kp) ln(1 + exp(kp (1/mu + (Vg + vct) / sqrt(kvb + Va^2)))), Ia = E1^x / kg1; kg1 in V^x / mA.

    vct stands for the electrons' first velocity and the contact potential, which a grid of -1 V cannot do without.
    """

    mu: float
    exponent: float
    kg1: float
    kp: float
    kvb: float
    vct: float

    def currents_ma(self, va: float, vg: float, vs: float = 0.0) -> tuple[float, float]:
        """Anode and screen; a triode has no screen."""
        if va <= 0:
            return 0.0, 0.0
        z = self.kp * (1 / self.mu + (vg + self.vct) / sqrt(self.kvb + va * va))
        e1 = va / self.kp * (z + log1p(exp(-z)) if z > 0 else log1p(exp(z)))
        return e1**self.exponent / self.kg1, 0.0


@dataclass(frozen=True, slots=True)
class PentodeCurve:
    """I = E1^x, E1 = (Vs / kp) ln(1 + exp(kp (1/mu + (Vg + vct) / sqrt(kvb + Vs^2)))), shared by the anode's reach h:

    Ia = I (1/kg1 - 1/kg2 + slope Va / kg1 - h (a / kg1 + s / kg2)), Is = I (1 + s h) / kg2,
    h = 1 / (1 + beta Va) or, in a beam tetrode, exp(-(beta Va)^1.5); a = 1 - (1 + s) kg1 / kg2, so that no current
    flows to an anode at 0 V.
    """

    mu: float
    exponent: float
    kg1: float
    kp: float
    kg2: float
    share: float  # s above: how much more the screen takes when the anode takes nothing
    beta: float
    slope: float
    vct: float
    beam: bool
    kvb: float = 20.0

    def currents_ma(self, va: float, vg: float, vs: float = 0.0) -> tuple[float, float]:
        if vs <= 0:
            return 0.0, 0.0
        z = self.kp * (1 / self.mu + (vg + self.vct) / sqrt(self.kvb + vs * vs))
        e1 = vs / self.kp * (z + log1p(exp(-z)) if z > 0 else log1p(exp(z)))
        space = e1**self.exponent
        reach = max(va, 0.0)
        h = exp(-((self.beta * reach) ** 1.5)) if self.beam else 1 / (1 + self.beta * reach)
        a = 1 - (1 + self.share) * self.kg1 / self.kg2
        anode = (1 + self.slope * reach - a * h) / self.kg1 - (1 + self.share * h) / self.kg2
        return space * max(anode, 0.0), space * (1 + self.share * h) / self.kg2


Curve = TriodeCurve | PentodeCurve


class Slopes(NamedTuple):
    """At a point: mutual conductance, anode resistance, and their product."""

    gm_ma_per_v: float
    ra_kohm: float

    @property
    def mu(self) -> float:
        return self.gm_ma_per_v * self.ra_kohm


def slopes(curve: Curve, va: float, vg: float, vs: float = 0.0, *, tied: float = 0.0) -> Slopes:
    """By central differences. ``tied`` is the part of the anode's swing that the screen follows (1 for a triode)."""
    step = max(abs(va), 1.0) * 1e-4

    def current(dva: float, dvg: float) -> float:
        ia, i2 = curve.currents_ma(va + dva, vg + dvg, vs + tied * dva)
        return ia + tied * i2

    gm = (current(0, 1e-4) - current(0, -1e-4)) / 2e-4
    conductance = (current(step, 0) - current(-step, 0)) / (2 * step)
    return Slopes(gm, 1 / conductance if conductance > 0 else inf)


# Fitting


class Residual(NamedTuple):
    """One value of the sheet beside the fitted curve's."""

    at: SheetPoint
    quantity: str
    sheet: float
    fitted: float

    @property
    def relative(self) -> float:
        return self.fitted / self.sheet - 1


class Fitted(NamedTuple):
    curve: Curve
    residuals: tuple[Residual, ...]

    @property
    def worst(self) -> float:
        """Of the values that decide a point of rest and its gain: Ia, gm, mu."""
        judged = [abs(r.relative) for r in self.residuals if r.quantity not in MOST_RESIDUAL_OF_SCREEN]
        return max(judged, default=0.0)

    @property
    def usable(self) -> bool:
        within = all(abs(r.relative) <= MOST_RESIDUAL_OF_SCREEN.get(r.quantity, MOST_RESIDUAL) for r in self.residuals)
        return bool(self.residuals) and within


# How well the curve is asked to meet each, as a relative standard deviation.
_WEIGHTS = {"Ia": 0.01, "gm": 0.02, "mu": 0.03, "Ig2": 0.03, "ra": 0.15}


@lru_cache(maxsize=4096)
def fit(kind: str, points: tuple[SheetPoint, ...]) -> Fitted | None:
    """The curve of a section of this kind through its sheet's points; None where there is nothing to fit.

    Currents alone leave open how steeply the grid commands them, so one point at least must give gm.
    """
    if not any(point.gm_ma_per_v for point in points):
        return None
    if kind == "triode":
        return _fit(_triode, _triode_prior(points), points)
    if kind in ("pentode", "beam tetrode", "tetrode") and all(point.screen_voltage_v for point in points):
        beam = kind == "beam tetrode"
        return _fit(lambda logs: _pentode(logs, beam), _pentode_prior(points, beam), points)
    return None


Prior = list[tuple[float, float]]  # of each parameter: the likeliest value, and how far its logarithm may be from it
Logs = NDArray[np.float64]


def _fit(make: Callable[[Logs], Curve], prior: Prior, points: Sequence[SheetPoint]) -> Fitted:
    centre = np.log([value for value, _ in prior])
    spread = np.array([width for _, width in prior])

    def misses(scaled: Logs) -> list[float]:
        curve = make(centre + spread * scaled)
        return [*(log(r.fitted / r.sheet) / _WEIGHTS[r.quantity] for p in points for r in _compare(curve, p)), *scaled]

    found = optimize.least_squares(misses, np.zeros(len(prior)), method="lm", x_scale=1.0, ftol=1e-6, xtol=1e-6)
    curve = make(centre + spread * found.x)
    return Fitted(curve, tuple(r for p in points for r in _compare(curve, p)))


def _compare(curve: Curve, p: SheetPoint) -> Iterator[Residual]:
    vs = p.screen_voltage_v or 0.0
    ia, i2 = curve.currents_ma(p.anode_voltage_v, p.grid_voltage_v, vs)
    near = slopes(curve, p.anode_voltage_v, p.grid_voltage_v, vs)
    tiny = 1e-9
    yield Residual(p, "Ia", p.anode_current_ma, max(ia, tiny))
    if p.gm_ma_per_v:
        yield Residual(p, "gm", p.gm_ma_per_v, max(near.gm_ma_per_v, tiny))
    if isinstance(curve, TriodeCurve):
        mu = p.mu or (p.gm_ma_per_v and p.anode_resistance_kohm and p.gm_ma_per_v * p.anode_resistance_kohm)
        if mu:
            yield Residual(p, "mu", mu, max(min(near.mu, 1e6), tiny))
    elif p.anode_resistance_kohm:
        yield Residual(p, "ra", p.anode_resistance_kohm, max(min(near.ra_kohm, 1e6), tiny))
    if p.screen_current_ma:
        yield Residual(p, "Ig2", p.screen_current_ma, max(i2, tiny))


def _triode(logs: Logs) -> TriodeCurve:
    return TriodeCurve(*(float(v) for v in np.exp(logs)))


def _triode_prior(points: Sequence[SheetPoint]) -> Prior:
    p = points[0]
    x = 1.4
    guessed = p.anode_voltage_v / max(x * p.anode_current_ma / (p.gm_ma_per_v or 1.0) - p.grid_voltage_v, 1.0)
    mu = p.mu or guessed
    drive = max(p.anode_voltage_v / mu + p.grid_voltage_v + 0.4, 0.2 * p.anode_voltage_v / mu)
    return [
        (mu * 1.05, 0.1 if p.mu else 0.4),
        (x, 0.12),
        (drive**x / p.anode_current_ma, 1.0),
        (mu * 5, 1.0),
        (300.0, 1.0),
        (0.4, 0.5),
    ]


def _pentode(logs: Logs, beam: bool) -> PentodeCurve:
    mu, x, kg1, kp, screen, share, beta, slope, vct = (float(v) for v in np.exp(logs))
    return PentodeCurve(mu, x, kg1, kp, kg1 * screen, share, beta, slope, vct, beam)


def _pentode_prior(points: Sequence[SheetPoint], beam: bool) -> Prior:
    p = points[0]
    x = 1.4
    vs = p.screen_voltage_v or p.anode_voltage_v
    drive = x * p.anode_current_ma / (p.gm_ma_per_v or 1.0)
    mu = vs / max(drive - p.grid_voltage_v, 1.0)
    ratio = p.anode_current_ma / (p.screen_current_ma or p.anode_current_ma / 8)
    slope = 1 / ((p.anode_resistance_kohm or 1e3) * p.anode_current_ma)
    return [
        (mu, 0.15),
        (x, 0.1),
        (drive**x / p.anode_current_ma, 1.0),
        (mu * 4, 0.7),
        (ratio + 1, 0.5),
        (3.0, 0.4),
        (0.06 if beam else 0.05, 0.7),
        (slope, 1.0),
        (0.4, 0.5),
    ]
