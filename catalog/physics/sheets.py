"""What a type's sheet says, as the adviser reads it. A rating that the sheet does not give is absent, not nought."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from catalog.physics.curves import Fitted, SheetPoint, fit
from catalog.physics.rectifiers import perveance_of
from catalog.reference.vocabulary import BASES

_ALIKE: Mapping[str, str] = {"beam tetrode": "pentode", "tetrode": "pentode"}


def similar_kind(kind: str) -> str:
    """The kind of a section, with the tetrodes among the pentodes whose place they take."""
    return _ALIKE.get(kind, kind)


@dataclass(frozen=True)
class HeaterOption:
    """One way to feed the heater: "parallel" has the centre tap against both ends, the others use the two ends."""

    voltage_v: float
    current_a: float
    wiring: str = "single"


@dataclass(frozen=True)
class SectionSheet:
    kind: str  # triode, pentode, beam tetrode, tetrode, diode, stabiliser, ...
    ratings: Mapping[str, float] = field(default_factory=dict)  # by the field names of catalog.models.Ratings
    points: tuple[SheetPoint, ...] = ()  # the usual one first; a diode's is its drop

    @property
    def similar_kind(self) -> str:
        return similar_kind(self.kind)

    @property
    def fitted(self) -> Fitted | None:
        return fit(self.kind, self.points)

    @property
    def drop(self) -> tuple[float, float] | None:
        """A rectifier's: volts lost in one anode, at how many milliamperes through it."""
        if self.kind != "diode":
            return None
        if "drop_v" in self.ratings and "drop_at_ma" in self.ratings:
            return self.ratings["drop_v"], self.ratings["drop_at_ma"]
        if self.points:
            return self.points[0].anode_voltage_v, self.points[0].anode_current_ma
        return None

    @property
    def perveance(self) -> float | None:
        return perveance_of(*self.drop) if self.drop else None

    def shown_to_stand(self, rating: str) -> float | None:
        """What the sheet's own points run at: a rating that it does not give is at least this.

        A diode's points are its drop and a stabiliser's what it holds, which are no voltages or watts that it stands.
        """
        if self.kind in ("diode", "stabiliser"):
            return None
        found = [value for point in self.points if (value := _asked(point, rating)) is not None]
        return max(found, default=None)


def _asked(point: SheetPoint, rating: str) -> float | None:
    screen_v, screen_ma = point.screen_voltage_v, point.screen_current_ma
    match rating:
        case "anode_voltage_max_v":
            return point.anode_voltage_v
        case "anode_current_max_ma":
            return point.anode_current_ma
        case "anode_dissipation_max_w":
            return point.anode_voltage_v * point.anode_current_ma / 1000
        case "screen_voltage_max_v":
            return screen_v
        case "screen_dissipation_max_w" if screen_v is not None and screen_ma is not None:
            return screen_v * screen_ma / 1000
        case "cathode_current_max_ma":
            return point.anode_current_ma + (screen_ma or 0.0)
    return None


@dataclass(frozen=True)
class TypeSheet:
    name: str
    base: str  # a key of catalog.reference.files.BASES
    pins: tuple[str, ...]  # pin 1 first, written as in the basing files: "1:k+1:g3", "h", "nc", "-" for no pin
    heaters: tuple[HeaterOption, ...]
    sections: tuple[SectionSheet, ...]
    top_cap: str = ""
    cathode: str = "indirect"  # or "direct", "cold"
    kind: str = ""  # power pentode, rectifier, ...
    cautions: frozenset[str] = frozenset()
    warm_up_s: float | None = None
    series_string_a: float | None = None

    @property
    def base_name(self) -> str:
        return BASES[self.base].label if self.base in BASES else self.base

    @property
    def cathode_on_heater(self) -> bool:
        """The cathode comes out on a pin of the heater, which therefore stands at its voltage."""
        return any("h" in (parts := pin.split("+")) and any(p.endswith(":k") for p in parts) for pin in self.pins)
