"""Valves in a circuit: the currents and voltages at which Kirchhoff's laws and the curves agree.

Every stage here is one or two valves (*sides*) on one cathode node. An anode node is what its source gives less what
the load takes, a screen node stands at a voltage of its own or follows its anode, and the cathode node is carried up
by the sum of the currents in its resistor. At rest these are the supply and the resistors; under signal they are the
load line through the point of rest. So one bracketed solver serves both.

All brackets are sure: a side's current falls as the cathode node or the current in its load rises (Kirchhoff; the
curves rise in every voltage), so there is one answer, and it lies between nothing and what the source could drive.

Units: volts, milliamperes, kilohms. Voltages of nodes are against the foot of the cathode resistor.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from scipy import optimize

from catalog.physics.curves import Curve

_XTOL, _RTOL = 1e-9, 1e-12


class Screen(NamedTuple):
    """The screen node: ``emf_v`` + ``follows`` x anode node - ``resistor_kohm`` x screen current.

    A screen of its own supply follows nothing, one tied to the anode follows it wholly, an ultralinear tap in part.
    """

    emf_v: float = 0.0
    follows: float = 0.0
    resistor_kohm: float = 0.0


TIED = Screen(follows=1.0)


class Side(NamedTuple):
    """A valve with its grid node, and its anode node as ``emf_v`` - ``load_kohm`` x the current in the load."""

    curve: Curve
    grid_v: float
    emf_v: float
    load_kohm: float
    screen: Screen = Screen()


class Cathode(NamedTuple):
    """The cathode node: ``emf_v`` + ``resistor_kohm`` x the sum of the cathode currents."""

    resistor_kohm: float = 0.0
    emf_v: float = 0.0


class Currents(NamedTuple):
    anode_ma: float
    screen_ma: float
    anode_node_v: float
    screen_node_v: float

    @property
    def cathode_ma(self) -> float:
        return self.anode_ma + self.screen_ma


class Solved(NamedTuple):
    cathode_node_v: float
    sides: tuple[Currents, ...]


def solve(sides: Sequence[Side], cathode: Cathode, within: tuple[float, float] | None = None) -> Solved:
    """The one state that satisfies the curves and Kirchhoff's laws.

    ``within`` is where the caller expects the cathode node, which saves time if it is there and costs little if not.
    """

    def surplus(vk: float) -> float:
        total = sum(_side(side, vk).cathode_ma for side in sides)
        return cathode.emf_v + total * cathode.resistor_kohm - vk

    low = cathode.emf_v
    if cathode.resistor_kohm <= 0:
        return Solved(low, tuple(_side(side, low) for side in sides))
    high = low + max(_highest(side) for side in sides) - min(low, 0.0)
    if within and surplus(within[0]) > 0 > surplus(within[1]):
        low, high = within
    elif surplus(low) <= 0:
        return Solved(low, tuple(_side(side, low) for side in sides))
    vk = float(optimize.brentq(surplus, low, high, xtol=_XTOL, rtol=_RTOL))
    return Solved(vk, tuple(_side(side, vk) for side in sides))


def _highest(side: Side) -> float:
    """A cathode node above this takes no current from the side: nothing then pulls it further."""
    return max(side.emf_v, side.screen.emf_v, 0.0) + 1.0


def _side(side: Side, vk: float) -> Currents:
    """A side's currents for a cathode node: the load line meets the curve."""

    def state(load_ma: float) -> Currents:
        node = side.emf_v - load_ma * side.load_kohm
        screen_node = side.screen.emf_v + side.screen.follows * node
        if side.screen.resistor_kohm > 0:
            screen_node = _screen_node(side, node, screen_node, vk)
        ia, i2 = side.curve.currents_ma(node - vk, side.grid_v - vk, screen_node - vk)
        return Currents(ia, i2, node, screen_node)

    curve, (grid, emf, load, screen) = side.curve, side[1:]
    behind_resistor = screen.resistor_kohm > 0

    def surplus(load_ma: float) -> float:
        if behind_resistor:
            found = state(load_ma)
            return found.anode_ma + screen.follows * found.screen_ma - load_ma
        node = emf - load_ma * load
        ia, i2 = curve.currents_ma(node - vk, grid - vk, screen.emf_v + screen.follows * node - vk)
        return ia + screen.follows * i2 - load_ma

    free = state(0.0)
    most = free.anode_ma + side.screen.follows * free.screen_ma
    if side.load_kohm <= 0:
        return free
    if most <= 0:
        return free
    most = min(most, max(side.emf_v - vk, 0.0) / side.load_kohm)
    if surplus(most) >= 0:  # an anode at its cathode's voltage and a screen that still draws: no room to fall further
        return state(most)
    return state(float(optimize.brentq(surplus, 0.0, most, xtol=_XTOL, rtol=_RTOL)))


def _screen_node(side: Side, node: float, emf: float, vk: float) -> float:
    """The screen behind its dropping resistor."""

    def surplus(screen_node: float) -> float:
        _, i2 = side.curve.currents_ma(node - vk, side.grid_v - vk, screen_node - vk)
        return emf - i2 * side.screen.resistor_kohm - screen_node

    if emf <= vk:
        return emf
    return float(optimize.brentq(surplus, vk, emf, xtol=_XTOL, rtol=_RTOL))
