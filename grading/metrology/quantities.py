"""The register of what a tester reads of a section: the one list that forms, files, grades, papers and pages go by.

A new quantity is an entry here and in `ReadNumbers`, a field of `grading.models.Reading` with its migration, and a
column of `grading.bench.pure.readings_header`; with a limit of its own, a demand in `grading.verdicts.pure` too.

>>> Quantity.GM.shown(1.6), Quantity.GM.column, Quantity.named("heater-cathode leakage").unit
('1.6 mA/V', 'gm, mA/V', 'µA')
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Any, NamedTuple

from grading.metrology.units import MA_PER_V, MICROAMPERES, MICROMHOS, MILLIAMPERES, VOLTS, Unit
from stockroom.pure.written import figures, plain


class SheetColumns(NamedTuple):
    """Where a test point keeps the nominal of a quantity and the sheet's own limits: fields of `catalog.TestPoint`."""

    nominal: str
    least: str = ""
    most: str = ""


class Demands(NamedTuple):
    """The demands of a policy's level on a quantity: fields of `grading.verdicts.pure.rules.GradeLevel`, or nothing.

    The first two are per cent of nominal, `within` that either way, `spread` per cent between the sections of
    a valve, `most` in the quantity's unit.
    """

    least_share: str = ""
    most_share: str = ""
    spread: str = ""
    most: str = ""
    within: str = ""


class Believable(NamedTuple):
    """From what size a value is asked about once, and from what size refused (common practice, no source)."""

    surprising: float
    impossible: float


NO_DEMANDS = Demands()


@dataclass(frozen=True, kw_only=True)
class QuantityFacts:
    """What is known of a quantity.

    `label` is its full name and `short` the one in a sentence; `symbol` heads a column and stands on a label.
    `key` names its field on a form. `unit` is how its own unit is written; `typed_in` that unit where a
    person may write another one behind the number, `also_typed_in` what a bench may choose instead.
    `decimals` is the most that it is shown with: finer than any tester's display. `headings` are what its column
    may be called in a file, with everything but letters and digits taken out; none where files do not bring it.
    """

    label: str
    short: str
    symbol: str
    key: str
    unit: str
    typed_in: Unit | None = None
    also_typed_in: tuple[Unit, ...] = ()
    decimals: int = 4
    headings: str = ""
    beside: SheetColumns | None = None
    demands: Demands = NO_DEMANDS
    believable: Believable | None = None
    signed: bool = False  # grid current flows either way
    doubted_beyond: float | None = None  # this share of nominal either way is asked about once
    only_of: str = ""  # the kind of section that is read in this and in nothing else that claims a grade


class Quantity(StrEnum):
    """What a tester can read; the values are the names of a `Reading`'s fields, and what is stored."""

    ANODE_CURRENT = "anode_current_ma"
    GM = "gm_ma_per_v"
    EMISSION = "emission_scale"
    LEAKAGE = "heater_cathode_leakage_ua"
    GRID_CURRENT = "grid_current_ua"
    ANODE_VOLTAGE = "anode_voltage_v"

    @property
    def facts(self) -> QuantityFacts:
        return FACTS[self]

    @classmethod
    def choices(cls) -> list[tuple[str, str]]:
        """As a model's field or a form's takes them."""
        return [(quantity.value, quantity.label) for quantity in cls]

    @classmethod
    def named(cls, name: str) -> Quantity:
        """The quantity of this field or short name. Raises KeyError for one that nobody knows."""
        found = next((quantity for quantity in cls if name in (quantity.value, quantity.short)), None)
        if found is None:
            raise KeyError(f"No quantity is called {name!r}.")
        return found

    @property
    def label(self) -> str:
        return self.facts.label

    @property
    def short(self) -> str:
        return self.facts.short

    @property
    def symbol(self) -> str:
        return self.facts.symbol

    @property
    def key(self) -> str:
        return self.facts.key

    @property
    def unit(self) -> str:
        return self.facts.unit

    @property
    def decimals(self) -> int:
        return self.facts.decimals

    @property
    def claims(self) -> bool:
        """A grade may rest on it in figures: the sheet has a nominal. A scale without a unit claims nothing."""
        return self.facts.beside is not None

    @property
    def column(self) -> str:
        """What heads its column: "Ia, mA"."""
        return f"{self.symbol}, {self.unit}"

    @property
    def full_name(self) -> str:
        """Its name and symbol: "Mutual conductance gm"."""
        says_it = self.symbol.split()[-1] in self.label  # a symbol made of the name adds nothing to it
        return f"{capitalised(self.label)} {self.symbol}" if self.claims and not says_it else capitalised(self.label)

    def amount(self, value: float | None) -> str:
        """The number alone, in the quantity's own unit; a dash where it was not read."""
        return plain(value, self.decimals)

    def shown(self, value: float, digits: int | None = None) -> str:
        """The value with its unit: "1.6 mA/V"; an estimate such as a standard deviation to so many figures."""
        return f"{self.amount(value) if digits is None else figures(value, digits)} {self.unit}"

    def said(self, value: float) -> str:
        """As a sentence says it: a current or a conductance by its unit alone, what else there is by its name."""
        return self.shown(value) if self.claims else f"{self.short} {self.shown(value)}"

    def limits(self, point: Any) -> tuple[float | None, float | None, float | None]:
        """What the sheet says at a test point: nominal, least and most; None where it says nothing.

        What a section is not graded by there, such as the current set through a stabiliser, is no nominal.
        """
        if self.facts.beside is None or self not in claimed_at(point):
            return None, None, None
        nominal, least, most = (getattr(point, name) if name else None for name in self.facts.beside)
        return nominal, least, most


FACTS = {
    Quantity.ANODE_CURRENT: QuantityFacts(
        label="anode current",
        short="anode current",
        symbol="Ia",
        key="anode_current",
        unit="mA",
        typed_in=MILLIAMPERES,
        headings=(
            "ia ip anodecurrent platecurrent anode plate ianode iplate anodenstrom courantanodique courantdanode "
            "courantplaque courantdeplaque corrienteanódica corrientedeánodo corrientedeplaca анодныйток токанода iа"
        ),
        beside=SheetColumns("anode_current_ma", "anode_current_min_ma", "anode_current_max_ma"),
        demands=Demands(
            least_share="anode_current_min_percent",
            most_share="anode_current_max_percent",
            spread="anode_current_section_spread_percent",
        ),
    ),
    Quantity.GM: QuantityFacts(
        label="mutual conductance",
        short="gm",
        symbol="gm",
        key="gm",
        unit="mA/V",
        typed_in=MA_PER_V,
        also_typed_in=(MICROMHOS,),
        headings=(
            "gm mutualconductance transconductance conductance slope steilheit pente transconductancia pendiente "
            "крутизна крутизнахарактеристики"
        ),
        beside=SheetColumns("gm_ma_per_v", "gm_min_ma_per_v", "gm_max_ma_per_v"),
        demands=Demands(least_share="gm_min_percent", spread="gm_section_spread_percent"),
    ),
    Quantity.EMISSION: QuantityFacts(
        label="emission on a scale",
        short="emission",
        symbol="Emission",
        key="scale",
        unit="divisions",
        decimals=2,
    ),
    Quantity.LEAKAGE: QuantityFacts(
        label="heater-cathode leakage",
        short="heater-cathode leakage",
        symbol="Heater-cathode",
        key="leakage",
        unit="µA",
        typed_in=MICROAMPERES,
        headings=(
            "leakage heatercathodeleakage heatercathode leak hk hkleakage leakagehk hkleak ihk cathodeleakage "
            "leckstrom fuite fuitefilamentcathode courantdefuite fuga corrientedefuga утечка токутечки"
        ),
        demands=Demands(most="heater_cathode_leakage_max_ua"),
        believable=Believable(1_000, 100_000),
    ),
    Quantity.GRID_CURRENT: QuantityFacts(
        label="grid current",
        short="grid current",
        symbol="Grid",
        key="grid_current",
        unit="µA",
        typed_in=MICROAMPERES,
        headings=(
            "ig ig1 gridcurrent igrid gas gascurrent grid gitterstrom courantgrille courantdegrille "
            "corrientederejilla токсетки токпервойсетки обратныйтоксетки"
        ),
        demands=Demands(most="grid_current_max_ua"),
        believable=Believable(100, 10_000),
        signed=True,
    ),
    Quantity.ANODE_VOLTAGE: QuantityFacts(  # by a stabiliser, at the current of its test point
        label="voltage held",
        short="voltage held",
        symbol="V held",
        key="voltage",
        unit="V",
        typed_in=VOLTS,
        headings=(
            "voltageheld heldvoltage runningvoltage maintainingvoltage burningvoltage brennspannung "
            "tensiondentretien tensióndemantenimiento tensiondemantenimiento напряжениестабилизации напряжениегорения"
        ),
        beside=SheetColumns("anode_voltage_v"),
        demands=Demands(within="voltage_held_within_percent"),
        doubted_beyond=0.25,  # it holds its voltage or does not work at all (common practice, no source)
        only_of="stabiliser",
    ),
}
NOISE = ("quiet", "slight", "noisy")  # what somebody heard while the valve was tapped, the best first
CLAIMING = tuple(quantity for quantity in Quantity if quantity.claims)
FAULTS = tuple(quantity for quantity in Quantity if quantity.facts.demands.most)


def claimed_of(section_kind: str, current_is_set: bool = False) -> tuple[Quantity, ...]:
    """What a section of this kind is graded and matched by. A stabiliser's current is set, and its voltage read; where
    the bias is set until a current flows, that current is a setting too.

    >>> [quantity.symbol for quantity in claimed_of("triode")], claimed_of("stabiliser")[0].symbol
    (['Ia', 'gm'], 'V held')
    >>> [quantity.symbol for quantity in claimed_of("triode", current_is_set=True)]
    ['gm']
    """
    own = tuple(quantity for quantity in CLAIMING if quantity.facts.only_of == section_kind)
    set_there = {Quantity.ANODE_CURRENT} if current_is_set else set()
    return own or tuple(q for q in CLAIMING if not q.facts.only_of and q not in set_there)


def claimed_at(point: Any) -> tuple[Quantity, ...]:
    """What a section is graded and matched by at this test point."""
    return claimed_of(point.section.kind, point.current_is_set)


def capitalised(name: str) -> str:
    """With a capital at the beginning of a sentence, save a symbol, whose case says what it is.

    >>> capitalised("grid current"), capitalised("gm")
    ('Grid current', 'gm')
    """
    symbols = {quantity.symbol for quantity in Quantity}
    return name if name.split(" ", 1)[0] in symbols else name[:1].upper() + name[1:]


@dataclass(frozen=True, kw_only=True)
class ReadNumbers:
    """What was read of one section, each in its quantity's own unit; None where it was not read."""

    anode_current_ma: float | None = None
    gm_ma_per_v: float | None = None
    emission_scale: float | None = None
    heater_cathode_leakage_ua: float | None = None
    grid_current_ua: float | None = None
    anode_voltage_v: float | None = None
    shorted: bool = False
    short_between: str = ""
    noise: str = ""
    remark: str = ""

    @property
    def says_something(self) -> bool:
        """Enough to judge by: a current, a mutual conductance, a scale's reading or a short."""
        return self.shorted or any(quantity in numbers_of(self) for quantity in (*CLAIMING, Quantity.EMISSION))

    def as_fields(self) -> dict[str, Any]:
        """These alone, whatever a subclass adds: as a reading keeps them."""
        return {field.name: getattr(self, field.name) for field in fields(ReadNumbers)}


def numbers_of(reading: object) -> dict[Quantity, float]:
    """What was read, of anything with a field for each quantity; those that were not read are left out."""
    found = {quantity: getattr(reading, quantity.value) for quantity in Quantity}
    return {quantity: value for quantity, value in found.items() if value is not None}


def read_in(readings: Iterable[object]) -> tuple[Quantity, ...]:
    """The quantities that any of these has, in the register's order."""
    some: set[Quantity] = set()
    for reading in readings:
        some |= numbers_of(reading).keys()
    return tuple(quantity for quantity in Quantity if quantity in some)


def in_words(reading: Any) -> str:
    """ "1.2 mA, 1.6 mA/V, grid current 0.1 µA, noise quiet", of anything with a `Reading`'s fields."""
    parts = [quantity.said(value) for quantity, value in numbers_of(reading).items()]
    if stability := getattr(reading, "stability", ""):
        parts.append(stability)
    if reading.shorted:
        parts.append(f"shorted {reading.short_between}".strip())
    if reading.noise:
        parts.append(f"noise {reading.noise}")
    return ", ".join(parts)
