"""What a valve does in a position: its point of rest, and what it makes of a signal.

Rest and signal are both states of `catalog.physics.circuits`: at rest the nodes hang on the supply through the
resistors; under signal they move along the load line through the point of rest, with bypassed nodes standing still. A
push-pull pair is solved as two valves on one ideal transformer, each seeing a quarter of the load from anode to anode
times the difference of their currents (the composite characteristic; from memory). Harmonics are the cosine series of
the output over one cycle of a cosine drive. Gain and output resistance are the text-book expressions in mu and ra, or
differences.

Units: volts, milliamperes, mA/V, kilohms, watts.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property, lru_cache
from math import cos, inf, isinf, pi, sqrt
from typing import NamedTuple

from scipy import optimize

from catalog.physics.circuits import TIED, Cathode, Currents, Screen, Side, Solved, solve
from catalog.physics.curves import Curve, Slopes, slopes
from catalog.physics.positions import POWER_ROLES, Position

IDLE_LOAD_KOHM = 1e5  # stands for a choke or a current source with nothing after it
PHASES = 12  # of half a cycle of the drive, which is all of it: the curves have no memory


class CannotWork(ValueError):
    """The position and the valve have no point of rest worth the name. The message says why."""


class PointOfRest(NamedTuple):
    """One section at rest, voltages to its cathode."""

    anode_v: float
    grid_v: float
    screen_v: float | None
    cathode_node_v: float
    anode_ma: float
    screen_ma: float

    @property
    def cathode_ma(self) -> float:
        return self.anode_ma + self.screen_ma

    @property
    def anode_w(self) -> float:
        return self.anode_v * self.anode_ma / 1000

    @property
    def screen_w(self) -> float:
        return (self.screen_v or 0.0) * self.screen_ma / 1000


class Driven(NamedTuple):
    """At the drive that gives ``output_v_rms``; the second and third harmonic as percents of the first."""

    output_v_rms: float
    power_w: float | None
    second_percent: float
    third_percent: float
    anode_w: float  # mean over the cycle, of one valve


class Stage:
    """A curve in a position. Raises CannotWork where the valve is cut off, or its grid would have to draw current."""

    def __init__(self, curve: Curve, position: Position, partner: Curve | None = None) -> None:
        self.curve, self.position = curve, position
        self.partner = partner or curve
        self.solved = self._at_rest()
        self.own = 1 if position.role == "cathode-coupled driver" else 0
        self.rest = self._rest(self.own)
        if self.rest.anode_ma < 1e-3:
            raise CannotWork("The valve is cut off here.")
        if self.rest.grid_v > 0:
            raise CannotWork("The valve cannot carry the current asked of it without grid current.")

    # at rest

    def _at_rest(self) -> Solved:
        if self.position.load == "current source":
            return self._on_current_source()
        return solve(self._sides(self._direct_load()), Cathode(self.position.cathode_resistor_ohm / 1000))

    def _on_current_source(self) -> Solved:
        """Anode current as the source gives it, unless the node would have to stand above the supply."""
        p = self.position
        emf = p.supply_v / 2 + p.load_ma * IDLE_LOAD_KOHM
        cathode = Cathode(p.cathode_resistor_ohm / 1000)
        solved = solve(self._sides(IDLE_LOAD_KOHM, emf), cathode)
        if solved.sides[0].anode_node_v <= p.supply_v:
            return solved
        return solve(self._sides(p.source_resistance_kohm), cathode)

    def _direct_load(self) -> float:
        p = self.position
        at_work = 2 if p.two_valves or p.paired else p.sections_at_work
        own = {"resistor": p.load_kohm, "none": 0.0}.get(p.load, p.winding_kohm)
        return own + p.source_resistance_kohm * at_work

    def _sides(self, load_kohm: float, emf_v: float | None = None) -> list[Side]:
        p = self.position
        emf = p.supply_v if emf_v is None else emf_v
        side = Side(self.curve, p.grid_v, emf, load_kohm, self._screen())
        if not p.paired:
            return [side]
        first = side._replace(load_kohm=p.source_resistance_kohm) if p.role == "cathode-coupled driver" else side
        return [first, side._replace(curve=self.partner)]

    def _screen(self) -> Screen:
        p = self.position
        if p.screen == "triode":
            return TIED
        if not p.screen:
            return Screen()
        return Screen(p.screen_supply_v or p.supply_v, 0.0, p.screen_resistor_kohm)

    def _rest(self, which: int) -> PointOfRest:
        side, vk = self.solved.sides[which], self.solved.cathode_node_v
        return PointOfRest(
            anode_v=side.anode_node_v - vk,
            grid_v=self.position.grid_v - vk,
            screen_v=side.screen_node_v - vk if self.position.screen else None,
            cathode_node_v=vk,
            anode_ma=side.anode_ma,
            screen_ma=side.screen_ma,
        )

    # small signals

    @cached_property
    def slopes(self) -> Slopes:
        """gm and ra as the circuit sees them: of the triode where the screen is tied, between where it is tapped."""
        tied = {"triode": 1.0, "ultralinear": self.position.ultralinear_tap}.get(self.position.screen, 0.0)
        found = slopes(self.curve, self.rest.anode_v, self.rest.grid_v, self.rest.screen_v or 0.0, tied=tied)
        if tied == 1.0:
            step = 1e-4
            up, down = (
                sum(self.curve.currents_ma(self.rest.anode_v, self.rest.grid_v + d, self.rest.screen_v or 0.0))
                for d in (step, -step)
            )
            return found._replace(gm_ma_per_v=(up - down) / (2 * step))
        return found

    @property
    def _signal_load(self) -> float:
        p = self.position
        after = p.next_grid_kohm or IDLE_LOAD_KOHM
        if p.role == "cathode follower" or p.load == "none":
            return 0.0
        if p.load == "transformer":
            return p.load_kohm
        own = p.load_kohm if p.load == "resistor" else IDLE_LOAD_KOHM
        return _together(own, after)

    @property
    def _signal_cathode(self) -> float:
        """What the cathode node sees under signal."""
        p = self.position
        resistor = p.cathode_resistor_ohm / 1000
        if p.role == "cathode follower":
            return _together(resistor, p.next_grid_kohm or IDLE_LOAD_KOHM)
        still = p.two_valves or (p.bypassed and not p.paired)  # a pair's currents swing against each other
        return 0.0 if still else resistor

    @cached_property
    def gain(self) -> float:
        """From grid to output, at the point of rest, without sign."""
        step = 1e-3 * max(1.0, abs(self.rest.grid_v))
        return abs(self._output(step) - self._output(-step)) / (2 * step)

    @property
    def output_kohm(self) -> float:
        """What the next stage sees, the load resistor included; of a power stage, the valve's own resistance."""
        p = self.position
        ra, mu = self.slopes.ra_kohm, self.slopes.mu
        if isinf(ra):
            return p.load_kohm if p.load == "resistor" else inf
        if p.role == "cathode follower":
            return _together(p.cathode_resistor_ohm / 1000, (ra + p.source_resistance_kohm) / (mu + 1))
        other = {"long-tailed pair": (ra + self._signal_load) / (mu + 1), "cathode-coupled driver": ra / (mu + 1)}
        below = self._signal_cathode
        if p.role in other:
            below = _together(below, other[p.role])
        inner = ra + (mu + 1) * below
        return _together(p.load_kohm, inner) if p.load == "resistor" else inner

    # large signals

    def _swung(self) -> tuple[list[Side], Cathode]:
        """The sides and the cathode as a signal finds them: load lines through the point of rest."""
        p, vk = self.position, self.solved.cathode_node_v
        loads = [self._signal_load] * len(self.solved.sides)
        if p.role == "cathode-coupled driver":
            loads[0] = 0.0
        sides = []
        for side, found, load in zip(self._sides(0.0), self.solved.sides, loads, strict=True):
            screen = self._screen_swung(found)
            current = found.anode_ma + screen.follows * found.screen_ma
            sides.append(side._replace(emf_v=found.anode_node_v + current * load, load_kohm=load, screen=screen))
        resistor = self._signal_cathode
        total = sum(side.cathode_ma for side in self.solved.sides)
        return sides, Cathode(resistor, vk - total * resistor)

    def _screen_swung(self, found: Currents) -> Screen:
        p = self.position
        if p.screen == "ultralinear":
            return Screen(found.screen_node_v - p.ultralinear_tap * found.anode_node_v, p.ultralinear_tap)
        return TIED if p.screen == "triode" else Screen(found.screen_node_v)

    @cached_property
    def _lines(self) -> tuple[list[Side], Cathode]:
        return self._swung()

    def swung(self, drive_v: float) -> Solved:
        """The state with this much added to the (first) grid; of a push-pull pair, this valve's."""
        sides, cathode = self._lines
        if self.position.two_valves:
            return Solved(cathode.emf_v, (self._composite(drive_v)[1],))
        # The cathode node follows the grid, by less than the grid moves.
        node = self.solved.cathode_node_v
        near = (node + min(drive_v, 0.0) - 1e-6, node + max(drive_v, 0.0) + 1e-6)
        return solve([sides[0]._replace(grid_v=sides[0].grid_v + drive_v), *sides[1:]], cathode, near)

    def _output(self, drive_v: float) -> float:
        if self.position.two_valves:
            return self._composite(drive_v)[0]
        state = self.swung(drive_v)
        follower = self.position.role == "cathode follower"
        return state.cathode_node_v if follower else state.sides[self.own].anode_node_v

    def _composite(self, drive_v: float) -> tuple[float, Currents]:
        """Half the primary's voltage, and this valve's state, with opposite drives on the two grids."""
        (side,), cathode = self._lines[0][:1], self._lines[1]
        quarter, vk = self.position.load_kohm / 4, cathode.emf_v
        node = self.solved.sides[0].anode_node_v

        def one(curve: Curve, drive: float, anode: float) -> Currents:
            screen = side.screen.emf_v + side.screen.follows * anode
            ia, i2 = curve.currents_ma(anode - vk, side.grid_v + drive - vk, screen - vk)
            return Currents(ia, i2, anode, screen)

        def carried(found: Currents) -> float:
            return found.anode_ma + side.screen.follows * found.screen_ma

        def surplus(v: float) -> float:
            return (carried(one(self.curve, drive_v, node - v)) - carried(one(self.partner, -drive_v, node + v))) * (
                quarter
            ) - v

        reach = node - vk
        v = float(optimize.brentq(surplus, -reach, reach, xtol=1e-9)) if surplus(reach) < 0 < surplus(-reach) else reach
        return v, one(self.curve, drive_v, node - v)

    @cached_property
    def full_drive_v(self) -> float:
        """The peak drive at which the grid reaches its cathode."""

        def grid(drive: float) -> float:
            return self.position.grid_v + drive - self.swung(drive).cathode_node_v

        if self._signal_cathode <= 0:
            return -self.rest.grid_v
        high = 2 * (self.position.supply_v + abs(self.rest.grid_v))
        return float(optimize.brentq(grid, 0.0, high, xtol=1e-3 * high)) if grid(high) > 0 else high

    @cached_property
    def swing_v_rms(self) -> float:
        """The output at full drive, by its lesser half."""
        middle = self._output(0.0)
        up, down = (abs(self._output(side * self.full_drive_v) - middle) for side in (1, -1))
        return min(up, down) / sqrt(2)

    @cached_property
    def signal(self) -> Driven:
        p = self.position
        if p.role in POWER_ROLES:
            return self.driven(self.full_drive_v)
        wanted = p.output_v_rms or self.swing_v_rms / 2
        return self.driven(min(wanted * sqrt(2) / self.gain, self.full_drive_v) if self.gain > 0 else 0.0)

    def driven(self, drive_v: float) -> Driven:
        """One cycle of a cosine of this peak on the grid."""
        angles = [pi * k / PHASES for k in range(PHASES + 1)]
        states = [self.swung(drive_v * cos(angle)) for angle in angles]
        outputs = [self._output_of(state, drive_v * cos(angle)) for state, angle in zip(states, angles, strict=True)]
        first, second, third = (abs(_cosine(outputs, n)) for n in (1, 2, 3))
        heat = [self._heat(state) for state in states]
        if first <= 0:
            return Driven(0.0, None, 0.0, 0.0, self.rest.anode_w)
        return Driven(
            first / sqrt(2), self._power(first), 100 * second / first, 100 * third / first, _cosine(heat, 0) / 2
        )

    def _output_of(self, state: Solved, drive_v: float) -> float:
        if self.position.two_valves:
            return self.solved.sides[0].anode_node_v - state.sides[0].anode_node_v
        if self.position.role == "cathode follower":
            return state.cathode_node_v
        return state.sides[self.own].anode_node_v

    def _heat(self, state: Solved) -> float:
        side = state.sides[self.own if len(state.sides) > 1 else 0]
        return (side.anode_node_v - state.cathode_node_v) * side.anode_ma / 1000

    def _power(self, peak_v: float) -> float | None:
        p = self.position
        if p.role not in POWER_ROLES or p.load_kohm <= 0:
            return None
        return peak_v**2 / 2 / (p.load_kohm / 4 if p.two_valves else p.load_kohm) / 1000


@lru_cache(maxsize=512)
def stage_of(curve: Curve, position: Position) -> Stage:
    """The stage, reckoned once: the original stands beside every candidate. Raises CannotWork."""
    return Stage(curve, position)


def biased_for(anode_ma: float, make: Callable[[float], Stage], low: float, high: float) -> float | None:
    """The bias (a resistor or a grid voltage) at which `make(bias)` rests at this anode current; None for no such."""

    def surplus(bias: float) -> float:
        try:
            return make(bias).rest.anode_ma - anode_ma
        except CannotWork:
            return -anode_ma

    if surplus(low) * surplus(high) > 0:
        return None
    return float(optimize.brentq(surplus, low, high, xtol=1e-4 * high, rtol=1e-4))


def _together(one_kohm: float, other_kohm: float) -> float:
    """Two resistances side by side."""
    return one_kohm * other_kohm / (one_kohm + other_kohm) if one_kohm > 0 and other_kohm > 0 else 0.0


def _cosine(values: list[float], n: int) -> float:
    """The n-th coefficient of the cosine series through equally spaced values over half a cycle, ends included."""
    steps = len(values) - 1
    ends = (values[0] + values[-1] * (-1) ** n) / 2
    return 2.0 / steps * float(ends + sum(values[k] * cos(pi * n * k / steps) for k in range(1, steps)))
