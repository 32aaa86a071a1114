"""A position: what a set asks of the valve in one of its sockets, as a person who knows the set describes it.

Voltages are against the foot of the cathode resistor, which is the set's earth unless it says otherwise. None is "not
known", and stays so in the answer. Units are in the names.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

ROLES = {
    "common cathode": "common cathode (voltage amplifier)",
    "cathode follower": "cathode follower",
    "long-tailed pair": "long-tailed pair (splitter)",
    "paraphase splitter": "paraphase splitter",
    "cathode-coupled driver": "cathode-coupled driver",
    "single-ended class A": "single-ended output, class A",
    "push-pull class A": "push-pull output, class A",
    "push-pull class AB": "push-pull output, class AB",
    "rectifier": "rectifier",
    "stabiliser": "stabiliser",
}
POWER_ROLES = frozenset({"single-ended class A", "push-pull class A", "push-pull class AB"})
PAIRED_ROLES = frozenset({"long-tailed pair", "cathode-coupled driver"})  # two sections on one cathode resistor
LOADS = {
    "resistor": "resistor",
    "transformer": "transformer",
    "choke": "choke",
    "current source": "current source",
    "none": "none: the anode is on the supply",
}
SCREENS = {
    "": "no screen",
    "pentode": "its own supply",
    "triode": "tied to the anode",
    "ultralinear": "a tap of the transformer",
}
HEATER_WIRINGS = {
    "across": "across the two ends",
    "parallel": "tap against both ends joined",
    "string": "in a series string",
}


@dataclass(frozen=True)
class HeaterSupply:
    """``spare_a`` is beyond what the type it was made for takes. ``elevation_v`` is where the heater stands."""

    voltage_v: float | None = None  # None: what the type it was made for wants
    wiring: str = "across"
    spare_a: float | None = None
    switchable: bool = False  # to 6.3 or 12.6 V, across the ends
    elevation_v: float = 0.0


@dataclass(frozen=True)
class RectifierDuty:
    rms_v: float  # each anode, without load
    source_ohm: float  # in each anode's way, windings included
    load_ma: float
    first_capacitor_uf: float | None  # None: a choke comes first
    anodes: int = 2
    mains_hz: float = 50.0
    capacitor_rating_v: float | None = None  # of the set's capacitors after it
    loads_warm_slowly: bool = True  # every load is a valve with an indirectly heated cathode


@dataclass(frozen=True)
class StabiliserDuty:
    supply_v: float
    series_resistor_kohm: float
    load_ma: float


@dataclass(frozen=True)
class Position:
    made_for: str
    role: str
    section: int = 1  # of the type it was made for, that this circuit uses
    sections_at_work: int = 1  # that work like this one in the same bottle
    supply_v: float = 0.0
    source_resistance_kohm: float = 0.0
    load: str = "resistor"
    load_kohm: float = 0.0  # of a transformer: what the anode sees, or anode to anode
    winding_kohm: float = 0.0  # resistance to direct current of a transformer's half, or of a choke
    load_ma: float = 0.0  # of a current source
    cathode_resistor_ohm: float = 0.0  # push-pull: each valve's own, or twice one that they share
    bypassed: bool = True
    grid_v: float = 0.0  # negative: fixed bias; positive: a grid that a stage before it lifts
    grid_circuit_kohm: float | None = None
    next_grid_kohm: float | None = None
    screen: str = ""
    screen_supply_v: float = 0.0  # ultralinear: as the anode's where left at nought
    screen_resistor_kohm: float = 0.0
    ultralinear_tap: float = 0.43
    output_v_rms: float | None = None  # the signal asked of it; None: half of what it can do
    heater: HeaterSupply = HeaterSupply()
    rectifier: RectifierDuty | None = None
    stabiliser: StabiliserDuty | None = None
    suppressor_tied: bool | None = None  # the set joins grid 3 to the cathode at the socket
    assumed: bool = False  # nobody described a set: this is the sheet's own test point

    @property
    def fixed_bias(self) -> bool:
        return self.cathode_resistor_ohm <= 0 and self.grid_v < 0

    @property
    def two_valves(self) -> bool:
        """Push-pull: the partner is another valve in its own socket."""
        return self.role.startswith("push-pull")

    @property
    def paired(self) -> bool:
        return self.role in PAIRED_ROLES

    def with_bias(self, *, resistor_ohm: float | None = None, grid_v: float | None = None) -> Position:
        if resistor_ohm is not None:
            return replace(self, cathode_resistor_ohm=resistor_ohm)
        return replace(self, grid_v=grid_v if grid_v is not None else self.grid_v)


_NESTED = {"heater": HeaterSupply, "rectifier": RectifierDuty, "stabiliser": StabiliserDuty}


def details_of(position: Position) -> dict[str, Any]:
    """The position as plain values, without what is as it would be anyhow; `from_details` reads it again."""
    plain = Position(position.made_for, position.role)
    kept = {f.name: value for f in fields(position) if (value := getattr(position, f.name)) != getattr(plain, f.name)}
    return {name: asdict(value) if name in _NESTED else value for name, value in kept.items()}


def from_details(made_for: str, role: str, details: Mapping[str, Any]) -> Position:
    """Raises ValueError at a key or a word that is not known."""
    told = dict(details)
    for name, kind in _NESTED.items():
        if told.get(name) is not None:
            told[name] = _made(kind, told[name])
    position: Position = _made(Position, {**told, "made_for": made_for, "role": role})
    for name, known in (("role", ROLES), ("load", LOADS), ("screen", SCREENS)):
        if (word := getattr(position, name)) not in known:
            raise ValueError(f"{name}: “{word}” is not one of: {', '.join(filter(None, known))}")
    if position.heater.wiring not in HEATER_WIRINGS:
        raise ValueError(f"heater wiring: “{position.heater.wiring}” is not one of: {', '.join(HEATER_WIRINGS)}")
    return position


def _made(kind: Any, told: Mapping[str, Any]) -> Any:
    if unknown := set(told) - {f.name for f in fields(kind)}:
        raise ValueError(f"{', '.join(sorted(unknown))}: not known of a position")
    try:
        return kind(**told)
    except TypeError as fault:
        raise ValueError(f"a position lacks something: {fault}") from fault
