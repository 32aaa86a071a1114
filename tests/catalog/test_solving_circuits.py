"""The solver's answers hold by Kirchhoff's laws and by the curves, and move the way physics says."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.physics.circuits import Cathode, Side, solve
from catalog.physics.curves import Curve, TriodeCurve
from catalog.physics.positions import Position
from catalog.physics.proof import kirchhoff_miss, raised, random_circuit, try_positions
from catalog.physics.stages import CannotWork, Stage
from tests.catalog.known import examples, named, some_sheets

seeds = st.integers(0, 2**32)


@cache
def curves() -> tuple[Curve, ...]:
    found = [section.fitted for sheet in some_sheets(200) for section in sheet.sections[:1]]
    return tuple(dict.fromkeys(fitted.curve for fitted in found if fitted and fitted.usable))


@settings(max_examples=25)
@given(seeds)
def test_kirchhoffs_laws_hold_at_the_answer(seed: int) -> None:
    circuit = random_circuit(Random(seed), curves())
    assert kirchhoff_miss(circuit, solve(circuit.sides, circuit.cathode)) < 1e-3


@settings(max_examples=25)
@given(seeds, st.floats(0.1, 200))
def test_a_higher_supply_never_lowers_a_current_through_one_valve(seed: int, volts: float) -> None:
    circuit = random_circuit(Random(seed), curves())
    alone = circuit._replace(sides=circuit.sides[:1])
    before, after = (solve(c.sides, c.cathode).sides[0] for c in (alone, raised(alone, volts)))
    assert after.anode_ma >= before.anode_ma - 1e-6


def test_no_random_position_fails_to_be_solved() -> None:
    tried = try_positions(50, curves())
    assert tried.failures == ()
    assert tried.solved > 25
    assert tried.worst_miss < 1e-3


def test_a_hint_where_the_cathode_stands_changes_nothing_even_when_it_is_wrong() -> None:
    curve = TriodeCurve(20, 1.4, 1.2, 100, 300, 0.4)
    sides, cathode = [Side(curve, 0, 300, 47)] * 2, Cathode(4.7)
    free = solve(sides, cathode).cathode_node_v
    assert free > 1
    for within in [(free - 1, free + 1), (free + 5, free + 9), (-3.0, -1.0)]:
        assert solve(sides, cathode, within).cathode_node_v == pytest.approx(free, abs=1e-6)


def test_a_signal_of_nothing_leaves_the_point_of_rest_alone() -> None:
    for position in examples().values():
        fitted = named(position.made_for).sections[position.section - 1].fitted
        if fitted is None or position.rectifier or position.stabiliser:
            continue
        stage = Stage(fitted.curve, position)
        still = stage.swung(0.0).sides[stage.own if position.paired else 0]
        assert still.anode_ma == pytest.approx(stage.rest.anode_ma, rel=1e-5), position


def test_gain_agrees_with_the_textbook_for_a_bypassed_stage() -> None:
    """A = mu R / (R + ra), with R the anode load beside the next grid (from memory)."""
    position = next(p for p in examples().values() if p.made_for == "12AX7" and p.role == "common cathode")
    fitted = named("12AX7").sections[0].fitted
    assert fitted is not None
    stage = Stage(fitted.curve, position)
    load = 100 * 1000 / 1100
    expected = stage.slopes.mu * load / (load + stage.slopes.ra_kohm)
    assert stage.gain == pytest.approx(expected, rel=1e-3)
    unbypassed = Stage(fitted.curve, replace(position, bypassed=False))
    below = (unbypassed.slopes.mu + 1) * 1.5
    assert unbypassed.gain == pytest.approx(stage.slopes.mu * load / (load + stage.slopes.ra_kohm + below), rel=1e-3)
    assert unbypassed.output_kohm > stage.output_kohm


def test_a_follower_follows_and_a_pair_splits() -> None:
    by_role = {position.role: position for position in examples().values()}
    follower = by_role["cathode follower"]
    fitted = named(follower.made_for).sections[0].fitted
    assert fitted is not None
    stage = Stage(fitted.curve, follower)
    assert 0.85 < stage.gain < 1
    assert stage.output_kohm == pytest.approx(1 / stage.slopes.gm_ma_per_v, rel=0.25)
    pair = by_role["long-tailed pair"]
    fitted = named(pair.made_for).sections[0].fitted
    assert fitted is not None
    split = Stage(fitted.curve, pair)
    states = split.swung(0.5), split.swung(0.0)
    moved = [one.anode_node_v - other.anode_node_v for one, other in zip(*(s.sides for s in states), strict=True)]
    assert moved[0] < 0 < moved[1]
    assert -moved[1] == pytest.approx(moved[0], rel=0.1)  # a tail of 15 kΩ splits within a tenth


def test_a_push_pull_pair_sees_a_quarter_of_its_load_for_the_difference_of_its_currents() -> None:
    """v = (i1 - i2) Raa / 4 across each half of an ideal transformer (from memory)."""
    position = examples()["Fixed-bias pair of 6L6GCs, 450 V"]
    fitted = named("6L6GC").sections[0].fitted
    assert fitted is not None
    stage = Stage(fitted.curve, position)
    node = stage.solved.sides[0].anode_node_v
    for drive in (5.0, 20.0, stage.full_drive_v):
        side = stage.swung(drive).sides[0]
        v = node - side.anode_node_v
        other, _ = fitted.curve.currents_ma(node + v, position.grid_v - drive, side.screen_node_v)
        assert v == pytest.approx((side.anode_ma - other) * position.load_kohm / 4, rel=1e-4)
    signal = stage.signal
    assert signal.power_w == pytest.approx(signal.output_v_rms**2 / (position.load_kohm / 4) / 1000, rel=1e-6)


def test_a_current_source_sets_the_current_until_the_supply_ends() -> None:
    fitted = named("6SN7GT").sections[0].fitted
    assert fitted is not None
    position = Position(
        "6SN7GT", "common cathode", supply_v=350, load="current source", load_ma=8, cathode_resistor_ohm=1000
    )
    assert Stage(fitted.curve, position).rest.anode_ma == pytest.approx(8, rel=1e-3)
    starved = Stage(fitted.curve, replace(position, supply_v=120)).rest
    assert starved.anode_ma < 8
    assert starved.anode_v + starved.cathode_node_v == pytest.approx(120)


def test_a_valve_that_is_cut_off_or_wants_grid_current_is_refused_in_words() -> None:
    fitted = named("12AU7").sections[0].fitted
    assert fitted is not None
    plain = Position("12AU7", "common cathode", supply_v=250, load_kohm=47, grid_v=-60)
    with pytest.raises(CannotWork, match="cut off"):
        Stage(fitted.curve, plain)
    with pytest.raises(CannotWork, match="grid current"):
        Stage(fitted.curve, replace(plain, role="cathode follower", load="none", grid_v=200, cathode_resistor_ohm=1000))
