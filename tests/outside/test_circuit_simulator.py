"""Points of rest and rectifiers beside an open circuit simulator, on the same model of the valve.

ngspice 39 (Debian's package), https://ngspice.sourceforge.io, with the valve as behavioural current sources. Operating
points agree within 1 %, a rectifier's mean output within 2 %, its peak current within 5 %. Where the program is not
installed these tests skip and say so.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from catalog.physics.curves import Curve, TriodeCurve
from catalog.physics.positions import Position
from catalog.physics.rectifiers import Filter, perveance_of, supply
from catalog.physics.stages import Stage
from tests.catalog.known import examples, named

pytestmark = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")


def run(netlist: str, folder: Path) -> dict[str, float]:
    """What the netlist prints, by name."""
    path = folder / "circuit.cir"
    path.write_text(netlist)
    done = subprocess.run(["ngspice", "-b", str(path)], capture_output=True, text=True, timeout=60, cwd=folder)
    return {
        name.lower(): float(value) for name, value in re.findall(r"^\s*(\S+)\s*=\s*([-+0-9.eE]+)", done.stdout, re.M)
    }


def valve(name: str, curve: Curve, anode: str, grid: str, cathode: str, screen: str) -> str:
    """The curve as current sources from anode and screen to cathode, in amperes."""
    vg = f"V({grid},{cathode})"
    if isinstance(curve, TriodeCurve):
        va = f"max(V({anode},{cathode}),1e-6)"
        z = f"{curve.kp}*({1 / curve.mu}+({vg}+{curve.vct})/sqrt({curve.kvb}+{va}*{va}))"
        e1 = f"{va}/{curve.kp}*(max({z},0)+ln(1+exp(-abs({z}))))"
        return f"B{name}a {anode} {cathode} I=1e-3*pow({e1},{curve.exponent})/{curve.kg1}\n"
    vs, va = f"max(V({screen},{cathode}),1e-6)", f"max(V({anode},{cathode}),0)"
    z = f"{curve.kp}*({1 / curve.mu}+({vg}+{curve.vct})/sqrt({curve.kvb}+{vs}*{vs}))"
    space = f"pow({vs}/{curve.kp}*(max({z},0)+ln(1+exp(-abs({z})))),{curve.exponent})"
    reach = f"exp(-pow({curve.beta}*{va},1.5))" if curve.beam else f"1/(1+{curve.beta}*{va})"
    a = 1 - (1 + curve.share) * curve.kg1 / curve.kg2
    ia = f"((1+{curve.slope}*{va}-{a}*({reach}))/{curve.kg1}-(1+{curve.share}*({reach}))/{curve.kg2})"
    return (
        f"B{name}a {anode} {cathode} I=1e-3*{space}*max({ia},0)\n"
        f"B{name}s {screen} {cathode} I=1e-3*{space}*(1+{curve.share}*({reach}))/{curve.kg2}\n"
    )


def netlist_of(curve: Curve, p: Position) -> str:
    """The direct-current circuit of a position, drawn up from its description alone."""
    at_work = 2 if p.two_valves or p.paired else p.sections_at_work
    direct = {"resistor": p.load_kohm, "none": 0.0}.get(p.load, p.winding_kohm)
    lines = [f"* {p.role}", f"Vb b 0 {p.supply_v}", f"Vg g 0 {p.grid_v}"]
    names = ("x", "y") if p.paired else ("x",)
    for name in names:
        bare = p.role == "cathode-coupled driver" and name == "x"
        load = (p.source_resistance_kohm if bare else direct + p.source_resistance_kohm * at_work) + 1e-6
        lines.append(f"Ra{name} b a{name} {load}k")
        screen = f"s{name}"
        if p.screen == "triode":
            screen = f"a{name}"
        elif p.screen:
            lines.append(f"Vs{name} t{name} 0 {p.screen_supply_v or p.supply_v}")
            lines.append(f"Rs{name} t{name} s{name} {p.screen_resistor_kohm + 1e-6}k")
        lines.append(valve(name, curve, f"a{name}", "g", "k", screen))
    lines.append(f"Rk k 0 {p.cathode_resistor_ohm + 1e-3}")
    lines.append(f".nodeset v(k)={1 if p.grid_v <= 0 else p.grid_v + 1}")
    told = " ".join(f"v(a{name})" for name in names)
    lines += [".control", "op", f"print v(k) {told}", ".endc", ".end", ""]
    return "\n".join(lines)


EXTRA = {
    "signal pentode with a screen resistor": Position(
        "EF86",
        "common cathode",
        supply_v=250,
        load_kohm=100,
        cathode_resistor_ohm=1000,
        screen="pentode",
        screen_supply_v=250,
        screen_resistor_kohm=390,
    ),
    "behind a source resistance": Position(
        "ECC83", "common cathode", supply_v=350, source_resistance_kohm=22, load_kohm=220, cathode_resistor_ohm=2200
    ),
}


@pytest.mark.parametrize(
    "position",
    [
        pytest.param(position, id=name)
        for name, position in {**examples(), **EXTRA}.items()
        if position.rectifier is None and position.stabiliser is None
    ],
)
def test_every_position_rests_where_the_simulator_says(position: Position, tmp_path: Path) -> None:
    fitted = named(position.made_for).sections[position.section - 1].fitted
    assert fitted is not None
    stage = Stage(fitted.curve, position)
    told = run(netlist_of(fitted.curve, position), tmp_path)
    assert stage.solved.cathode_node_v == pytest.approx(told["v(k)"], rel=0.01, abs=0.01)
    for name, side in zip(("x", "y"), stage.solved.sides, strict=False):
        assert side.anode_node_v == pytest.approx(told[f"v(a{name})"], rel=0.01)
    if position.cathode_resistor_ohm:
        total = sum(side.cathode_ma for side in stage.solved.sides)
        assert total == pytest.approx(told["v(k)"] / position.cathode_resistor_ohm * 1000, rel=0.01)


def rectifier_netlist(perveance: float, at: Filter) -> str:
    """Two anodes (or one) on sine sources, the capacitor and a current sink, over 25 periods; the last two are told."""
    assert at.capacitor_uf is not None
    peak, period = at.rms_v * 2**0.5, 1 / at.mains_hz
    lines = ["* rectifier", f"Cf out 0 {at.capacitor_uf}u ic={0.8 * peak}", f"Il out 0 {at.load_ma}m"]
    for name, sign in (("x", 1), ("y", -1))[: at.anodes]:
        lines += [
            f"Ve{name} e{name} 0 sin(0 {sign * peak} {at.mains_hz})",
            f"Vi{name} e{name} i{name} 0",
            f"Rs{name} i{name} a{name} {at.source_ohm + 1e-3}",
            f"Bd{name} a{name} out I={perveance / 1000}*pow(max(V(a{name},out),0),1.5)",
        ]
    lines += [
        f".tran {period / 400} {25 * period} {23 * period} {period / 400} uic",
        ".control",
        "run",
        "meas tran mean avg v(out)",
        "meas tran peak max i(vix)",
        "meas tran ripple pp v(out)",
        ".endc",
        ".end",
        "",
    ]
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("designation", "at"),
    [
        ("5Y3GT", Filter(350, 150, 100, 20)),
        ("GZ34", Filter(350, 75, 200, 50)),
        ("5U4G", Filter(350, 75, 200, 40)),
        ("EZ81", Filter(280, 200, 130, 50)),
        ("GZ34", Filter(250, 100, 60, 32, anodes=1)),
        ("5Y3GT", Filter(300, 100, 60, 8, mains_hz=60)),
    ],
)
def test_a_rectifier_gives_what_the_simulator_gives(designation: str, at: Filter, tmp_path: Path) -> None:
    drop = named(designation).sections[0].drop
    assert drop is not None
    found = supply(perveance_of(*drop), at)
    told = run(rectifier_netlist(perveance_of(*drop), at), tmp_path)
    assert found.output_v == pytest.approx(told["mean"], rel=0.02)
    assert found.peak_ma == pytest.approx(told["peak"] * 1000, rel=0.05)
    assert found.ripple_v == pytest.approx(told["ripple"], rel=0.03)


def test_a_choke_first_gives_what_the_simulator_gives(tmp_path: Path) -> None:
    drop = named("GZ34").sections[0].drop
    assert drop is not None
    perveance = perveance_of(*drop)
    at = Filter(350, 75, 200, None)
    netlist = rectifier_netlist(perveance, at._replace(capacitor_uf=50.0))
    found = supply(perveance, at)
    # A resistor for a load, which draws the 200 mA if the voltage is right, damps the choke and its capacitor.
    netlist = netlist.replace("Cf out 0", "Lf out load 20 ic=0.2\nCf load 0")
    netlist = re.sub("Il out 0 .*", f"Rl load 0 {found.output_v / 0.2}", netlist)
    netlist = re.sub(r"\.tran .*", ".tran 5e-5 1.5 1.4 5e-5 uic", netlist)
    told = run(netlist.replace("avg v(out)", "avg v(load)"), tmp_path)
    assert found.output_v == pytest.approx(told["mean"], rel=0.02)
