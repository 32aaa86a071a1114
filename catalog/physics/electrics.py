"""The valve as a circuit element: its three constants, its current, and its operating point.

What it offers
--------------
The three constants
    :func:`amplification_factor`, :func:`mutual_conductance`, :func:`anode_resistance`: mu = gm ra
Space charge
    :func:`child_langmuir_density`, :func:`perveance`, :func:`space_charge_current`
A model of a type
    :class:`Triode`, :class:`Pentode`, :data:`TRIODES`, :data:`PENTODES`,
    :func:`anode_current`, :func:`small_signal`
A circuit
    :func:`operating_point`: a load line met by a valve
Other test conditions
    :func:`convert`: a reading taken at one test point, carried to another with the model's own uncertainty

Follows
-------
mu = gm ra: H. J. van der Bijl, "The Thermionic Vacuum Tube and Its Applications", 1920 (from memory).
Space charge: the Child-Langmuir law, J = (4/9) e0 sqrt(2e/m) V^(3/2) / d^2 (from memory; CODATA constants).
Model: N. L. Koren, "Improved vacuum tube models for SPICE simulations", Glass Audio 8(5), 1996, p. 18 (read
in part in its author's web edition, updated 20 March 2003; the final triode equation was checked against a
worked point of another book, the final pentode equation is from memory). The parameters are those of the
author's model library, read in a third party's listing of it.

Units: volts, milliamperes, mA/V and kilohms, so that gm in mA/V times ra in kilohms is a pure number.

The voltages here are lethal. Nothing in this module is a procedure: work on live equipment belongs to
qualified people under the rules of the place.
"""

from math import atan, exp, log, log1p, sqrt
from typing import NamedTuple

from scipy import constants, optimize

# The three constants


def amplification_factor(gm_ma_per_v: float, ra_kohm: float) -> float:
    """mu = gm ra.

    >>> amplification_factor(1.6, 62.5)
    100.0
    """
    return gm_ma_per_v * ra_kohm


def mutual_conductance(mu: float, ra_kohm: float) -> float:
    """gm = mu / ra, in mA/V. Raises ValueError for a resistance not above nought."""
    if not ra_kohm > 0:
        raise ValueError("The anode resistance must be positive.")
    return mu / ra_kohm


def anode_resistance(mu: float, gm_ma_per_v: float) -> float:
    """ra = mu / gm, in kilohms. Raises ValueError for a conductance not above nought."""
    if not gm_ma_per_v > 0:
        raise ValueError("The mutual conductance must be positive.")
    return mu / gm_ma_per_v


# Space charge

# (4/9) e0 sqrt(2 e / m), in A V^(-3/2)
CHILD_LANGMUIR = 4 / 9 * constants.epsilon_0 * sqrt(2 * constants.elementary_charge / constants.electron_mass)


def child_langmuir_density(voltage_v: float, spacing_m: float) -> float:
    """Current density between parallel plates limited by space charge, in A/m^2; none at or below 0 V."""
    if not spacing_m > 0:
        raise ValueError("The spacing must be positive.")
    return float(CHILD_LANGMUIR * max(voltage_v, 0.0) ** 1.5 / spacing_m**2)


def perveance(current_ma: float, voltage_v: float) -> float:
    """G = I / V^(3/2), in mA V^(-3/2). Raises ValueError for a voltage not above nought."""
    if not voltage_v > 0:
        raise ValueError("The voltage must be positive.")
    return float(current_ma / voltage_v**1.5)


def space_charge_current(perveance_ma: float, voltage_v: float) -> float:
    """I = G V^(3/2), in mA; none at or below 0 V."""
    return float(perveance_ma * max(voltage_v, 0.0) ** 1.5)


# A model of a type


class Triode(NamedTuple):
    """Parameters of a triode: ``kg1`` in V^exponent / A, ``kvb`` in V^2, the others pure numbers."""

    designation: str
    mu: float
    exponent: float
    kg1: float
    kp: float
    kvb: float


class Pentode(NamedTuple):
    """Parameters of a pentode or beam tetrode, as for a triode but ``kvb``, in V, which sets the knee."""

    designation: str
    mu: float
    exponent: float
    kg1: float
    kp: float
    kvb: float


Model = Triode | Pentode


# A model's current tails off for ever: below a nanoampere the valve is called cut off.
CUT_OFF_MA = 1e-6


class Conditions(NamedTuple):
    """A test point: voltages to the cathode. The screen's is for a pentode only."""

    anode_voltage_v: float
    grid_voltage_v: float
    screen_voltage_v: float | None = None


class OperatingPoint(NamedTuple):
    """A valve at work. ``mu`` is gm ra at this very point, which a real valve's and the model's both vary."""

    conditions: Conditions
    anode_current_ma: float
    gm_ma_per_v: float
    ra_kohm: float
    mu: float


TRIODES = {
    model.designation: model
    for model in (
        Triode("12AX7", 100, 1.4, 1060, 600, 300),
        Triode("12AU7", 21.5, 1.3, 1180, 84, 300),
        Triode("12AT7", 60, 1.35, 460, 300, 300),
        Triode("6DJ8", 28, 1.3, 330, 320, 300),
        Triode("2A3", 4.2, 1.4, 1500, 60, 300),
        Triode("300B", 3.95, 1.4, 1550, 65, 300),
    )
}

PENTODES = {
    model.designation: model
    for model in (
        Pentode("6L6GC", 8.7, 1.35, 1460, 48, 12),
        Pentode("EL34", 11, 1.35, 650, 60, 24),
    )
}


def anode_current(model: Model, at: Conditions) -> float:
    """Anode current of a bogey valve, in mA.

    Triode:  E1 = (Va / kp) ln(1 + exp(kp (1/mu + Vg / sqrt(kvb + Va^2)))),  Ia = 2 E1^x / kg1.
    Pentode: E1 = (Vs / kp) ln(1 + exp(kp (1/mu + Vg / Vs))),  Ia = (2 E1^x / kg1) arctan(Va / kvb).
    (Koren writes the 2 as 1 + sgn E1.) No current flows at or below 0 V. Grid current is not modelled: the
    grid must not be positive, and ValueError is raised if it is, or if a pentode's screen is not given.
    """
    if at.grid_voltage_v > 0:
        raise ValueError("The model holds for a grid at or below the cathode's voltage only.")
    if at.anode_voltage_v <= 0:
        return 0.0
    if isinstance(model, Triode):
        reach = sqrt(model.kvb + at.anode_voltage_v**2)
        e1 = at.anode_voltage_v / model.kp * _softplus(model.kp * (1 / model.mu + at.grid_voltage_v / reach))
        return float(2000 * e1**model.exponent / model.kg1)
    screen = _screen_of(at)
    e1 = screen / model.kp * _softplus(model.kp * (1 / model.mu + at.grid_voltage_v / screen))
    return float(2000 * e1**model.exponent / model.kg1 * atan(at.anode_voltage_v / model.kvb))


def small_signal(model: Model, at: Conditions) -> OperatingPoint:
    """Ia, gm, ra and mu at a test point, the slopes by central differences of a millivolt.

    At 0 V on the grid the slope is taken from below. Raises ValueError where the valve is cut off.
    """
    current = anode_current(model, at)
    if current < CUT_OFF_MA:
        raise ValueError("The valve is cut off here.")
    h = 1e-3
    above = min(at.grid_voltage_v + h, 0.0)
    below = at.grid_voltage_v - h
    gm = (
        anode_current(model, at._replace(grid_voltage_v=above))
        - anode_current(model, at._replace(grid_voltage_v=below))
    ) / (above - below)
    conductance = (
        anode_current(model, at._replace(anode_voltage_v=at.anode_voltage_v + h))
        - anode_current(model, at._replace(anode_voltage_v=at.anode_voltage_v - h))
    ) / (2 * h)
    return OperatingPoint(at, current, gm, 1 / conductance, gm / conductance)


# A circuit


def operating_point(
    model: Model,
    *,
    supply_v: float,
    anode_load_kohm: float,
    cathode_resistor_kohm: float = 0.0,
    grid_bias_v: float = 0.0,
    screen_voltage_v: float | None = None,
) -> OperatingPoint:
    """Where the load line Va = supply - Ia (R_load + R_cathode) meets the valve, Vg = bias - Ia R_cathode.

    ``screen_voltage_v`` is to the cathode. Screen current through the cathode resistor is not modelled.
    Raises ValueError for a supply or a total resistance that is not positive, or for a bias above nought.
    """
    resistance = anode_load_kohm + cathode_resistor_kohm
    if not supply_v > 0 or not resistance > 0 or anode_load_kohm < 0 or cathode_resistor_kohm < 0:
        raise ValueError("The supply and the resistance in the anode's path must be positive.")
    if grid_bias_v > 0:
        raise ValueError("The grid bias must not be positive.")

    def conditions(current_ma: float) -> Conditions:
        return Conditions(
            supply_v - current_ma * resistance,
            grid_bias_v - current_ma * cathode_resistor_kohm,
            screen_voltage_v,
        )

    def surplus(current_ma: float) -> float:
        return anode_current(model, conditions(current_ma)) - current_ma

    if surplus(0.0) < CUT_OFF_MA:
        raise ValueError("The valve is cut off: there is no operating point.")
    current = float(optimize.brentq(surplus, 0.0, supply_v / resistance, xtol=1e-12))
    return small_signal(model, conditions(current))


# Other test conditions

# An individual valve's mu lies within this much of its type's, in percent (common practice, no source).
MU_TOLERANCE_PERCENT = 10.0

# Beyond these the model says too little, and a house nominal is the better judge (our rule, no source).
MOST_CHANGE = 3.0
MOST_RELATIVE_U = 0.25


class ConversionRefused(ValueError):
    """The two test points are too far apart for the model: judge against a house nominal instead."""


class Converted(NamedTuple):
    """A reading carried to other conditions.

    ``factor`` is what the reading was multiplied by; ``model_u`` the standard uncertainty that the model adds
    to ``value``; ``standard_uncertainty`` that with the reading's own.
    """

    value: float
    standard_uncertainty: float
    model_u: float
    factor: float
    statement: str


class Conversion(NamedTuple):
    """Ia and gm at the wanted conditions; gm is None when it was not read."""

    anode_current_ma: Converted
    gm_ma_per_v: Converted | None


def convert(
    model: Model,
    read_at: Conditions,
    wanted: Conditions,
    *,
    anode_current_ma: float,
    anode_current_u: float = 0.0,
    gm_ma_per_v: float | None = None,
    gm_u: float = 0.0,
    mu_tolerance_percent: float = MU_TOLERANCE_PERCENT,
) -> Conversion:
    """Carry one valve's reading from the tester's test point to the data sheet's.

    The reading is scaled by the ratio of the model's values at the two points. The model's relative standard
    uncertainty joins, each as a rectangular half-width over sqrt(3) (JCGM 100, 4.3.7): how far the ratio is
    from that of the plain three-halves-power law, and how far it moves when mu moves by its tolerance. At
    equal conditions the factor is one and nothing is added.

    Raises ConversionRefused when the factor exceeds ``MOST_CHANGE`` either way, when its relative uncertainty
    exceeds ``MOST_RELATIVE_U``, or when the valve is cut off at either point.
    """
    statement = f"converted from {_describe(read_at)} to {_describe(wanted)} by a model of the {model.designation}"
    if anode_current_u < 0 or gm_u < 0:
        raise ValueError("A standard uncertainty must not be negative.")

    def carried(value: float, u: float, quantity: str) -> Converted:
        factor = _ratio(model, read_at, wanted, quantity)
        plain = _three_halves_ratio(model, read_at, wanted, quantity)
        step = mu_tolerance_percent / 100
        more = _ratio(model._replace(mu=model.mu * (1 + step)), read_at, wanted, quantity)
        less = _ratio(model._replace(mu=model.mu * (1 - step)), read_at, wanted, quantity)
        relative = sqrt(((log(factor / plain)) ** 2 + (log(more / less) / 2) ** 2) / 3)
        if not 1 / MOST_CHANGE <= factor <= MOST_CHANGE or relative > MOST_RELATIVE_U:
            raise ConversionRefused(
                f"{_describe(read_at)} is too far from {_describe(wanted)}: the model's factor of"
                f" {factor:.3g} is uncertain by {100 * relative:.0f} %. Judge against a house nominal."
            )
        model_u = abs(value) * factor * relative
        return Converted(value * factor, sqrt((u * factor) ** 2 + model_u**2), model_u, factor, statement)

    current = carried(anode_current_ma, anode_current_u, "current")
    if gm_ma_per_v is None:
        return Conversion(current, None)
    return Conversion(current, carried(gm_ma_per_v, gm_u, "gm"))


# Kept apart


def _ratio(model: Model, read_at: Conditions, wanted: Conditions, quantity: str) -> float:
    """Model value at ``wanted`` over that at ``read_at``."""
    try:
        here, there = small_signal(model, read_at), small_signal(model, wanted)
    except ValueError as cause:
        raise ConversionRefused(f"The model does not reach this test point: {cause}") from cause
    if quantity == "gm":
        return there.gm_ma_per_v / here.gm_ma_per_v
    return there.anode_current_ma / here.anode_current_ma


def _three_halves_ratio(model: Model, read_at: Conditions, wanted: Conditions, quantity: str) -> float:
    """The same by I ~ (V / mu + Vg)^(3/2), V the anode's voltage in a triode, the screen's in a pentode."""

    def drive(at: Conditions) -> float:
        voltage = at.anode_voltage_v if isinstance(model, Triode) else _screen_of(at)
        return voltage / model.mu + at.grid_voltage_v

    here, there = drive(read_at), drive(wanted)
    if here <= 0 or there <= 0:
        raise ConversionRefused("By the three-halves-power law the valve is cut off at a test point.")
    return float((there / here) ** (0.5 if quantity == "gm" else 1.5))


def _screen_of(at: Conditions) -> float:
    if at.screen_voltage_v is None or not at.screen_voltage_v > 0:
        raise ValueError("A pentode needs its screen's voltage, above nought.")
    return at.screen_voltage_v


def _describe(at: Conditions) -> str:
    words = f"Va {at.anode_voltage_v:g} V, Vg {at.grid_voltage_v:g} V"
    return words if at.screen_voltage_v is None else f"{words}, Vs {at.screen_voltage_v:g} V"


def _softplus(x: float) -> float:
    """ln(1 + e^x), without overflow."""
    return max(x, 0.0) + log1p(exp(-abs(x)))
