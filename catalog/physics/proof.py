"""Random positions, and whether the solver's answer satisfies what it was asked to satisfy.

Nothing here trusts the solver: node voltages are carried through the circuit again from the currents it gives, and the
currents taken again from the curves at those voltages.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from random import Random
from typing import NamedTuple

from catalog.physics.circuits import TIED, Cathode, Screen, Side, Solved, solve
from catalog.physics.curves import Curve
from catalog.physics.positions import PAIRED_ROLES, POWER_ROLES, Position
from catalog.physics.stages import CannotWork, Stage

AMPLIFYING = sorted({"common cathode", "cathode follower", "paraphase splitter"} | PAIRED_ROLES | POWER_ROLES)


class Circuit(NamedTuple):
    sides: tuple[Side, ...]
    cathode: Cathode


def random_circuit(random: Random, curves: Sequence[Curve]) -> Circuit:
    """One or two sides with anything from no load to a megohm, on any supply, resistor, bias and kind of screen."""

    def side() -> Side:
        emf = random.uniform(20, 600)
        load = random.choice([0.0, 10 ** random.uniform(-2, 3)])
        screen = random.choice(
            [Screen(random.uniform(20, 500)), Screen(random.uniform(20, 500), 0, 10 ** random.uniform(0, 3)), TIED]
        )
        return Side(random.choice(curves), random.uniform(-80, 0), emf, load, screen)

    sides = tuple(side() for _ in range(random.choice([1, 1, 2])))
    return Circuit(sides, Cathode(random.choice([0.0, 10 ** random.uniform(-2, 2)])))


def kirchhoff_miss(circuit: Circuit, solved: Solved) -> float:
    """By how much the answer fails the laws and the curves, in volts or milliamperes of the larger of 1 and itself."""
    total = 0.0
    misses = []
    for side, found in zip(circuit.sides, solved.sides, strict=True):
        load = found.anode_ma + side.screen.follows * found.screen_ma
        node = side.emf_v - load * side.load_kohm
        screen = side.screen.emf_v + side.screen.follows * node - side.screen.resistor_kohm * found.screen_ma
        vk = solved.cathode_node_v
        ia, i2 = side.curve.currents_ma(found.anode_node_v - vk, side.grid_v - vk, found.screen_node_v - vk)
        misses += [
            (found.anode_node_v, node),
            (found.screen_node_v, screen),
            (found.anode_ma, ia),
            (found.screen_ma, i2),
        ]
        total += found.cathode_ma
    misses.append((solved.cathode_node_v, circuit.cathode.emf_v + total * circuit.cathode.resistor_kohm))
    return max(abs(one - other) / max(1.0, abs(one)) for one, other in misses)


def raised(circuit: Circuit, volts: float) -> Circuit:
    """The same on a higher anode supply."""
    return circuit._replace(sides=tuple(side._replace(emf_v=side.emf_v + volts) for side in circuit.sides))


def random_position(random: Random, curves: Sequence[Curve]) -> tuple[Curve, Position]:
    """A position of any amplifying role, as a person might describe one."""
    curve = random.choice(curves)
    role = random.choice(AMPLIFYING)
    power = role in POWER_ROLES
    screened = type(curve).__name__ == "PentodeCurve"
    position = Position(
        "any",
        role,
        supply_v=random.uniform(60, 500),
        source_resistance_kohm=random.choice([0.0, random.uniform(0.05, 2)]),
        load="transformer" if power else random.choice(["resistor", "choke", "current source"]),
        load_kohm=10 ** (random.uniform(0, 1) if power else random.uniform(0.5, 2.5)),
        winding_kohm=random.uniform(0.02, 0.5),
        load_ma=random.uniform(0.5, 20),
        cathode_resistor_ohm=10 ** random.uniform(2, 4.5),
        bypassed=random.choice([True, False]),
        next_grid_kohm=random.choice([None, 10 ** random.uniform(2, 3)]),
        screen=random.choice(["pentode", "triode", "ultralinear"]) if screened else "",
        screen_supply_v=random.uniform(60, 400),
        screen_resistor_kohm=0.0 if power else random.choice([0.0, 10 ** random.uniform(1, 3)]),
    )
    if role == "cathode follower":
        return curve, replace(position, load="none", grid_v=random.uniform(0, position.supply_v / 2), bypassed=False)
    if position.paired:
        return curve, replace(position, load="resistor", grid_v=random.uniform(0, 80))
    if power and random.random() < 0.5:
        return curve, replace(position, cathode_resistor_ohm=0.0, grid_v=random.uniform(-60, -2))
    return curve, position


class Tried(NamedTuple):
    solved: int
    cannot_work: int  # cut off, or grid current: said so, no failure
    worst_miss: float
    failures: tuple[str, ...]


def try_positions(count: int, curves: Sequence[Curve], seed: int = 1) -> Tried:
    """Solve, and check, so many random circuits and as many random positions with all that is told of them."""
    random = Random(seed)
    solved = cannot = 0
    worst, failures = 0.0, []
    for n in range(count):
        circuit = random_circuit(random, curves)
        curve, position = random_position(random, curves)
        try:
            answer = solve(circuit.sides, circuit.cathode)
            worst = max(worst, kirchhoff_miss(circuit, answer))
            stage = Stage(curve, position)
            told = (stage.gain, stage.swing_v_rms, stage.signal.output_v_rms, stage.rest.anode_w)
            if not all(0 <= value < 1e6 for value in told):
                failures.append(f"position {n}: {position} tells {told}")
            solved += 1
        except CannotWork:
            cannot += 1
        except (ValueError, ArithmeticError, RuntimeError, AssertionError) as fault:
            failures.append(f"position {n}: {position}: {fault!r}")
    return Tried(solved, cannot, worst, tuple(failures))
