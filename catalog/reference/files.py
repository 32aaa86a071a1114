"""The reference files: what a valve of each type should be, read from TOML and checked before it is believed.

The files are `sources*.toml`, `basings*.toml` and `types/*.toml`. Every row of values names its source by
key. Numbers are read as Decimal, so the digits a data sheet printed, trailing noughts included, can still be
counted. Nothing is guessed: a key we do not know, a source that is not listed, a basing without the electrode
its section needs, are all refused with the file, the type, the section and the key in the message.

A type of which only name, kind, heater and base are known is a good row too: its ratings are "unstated", it has no test
point, and every pin of its basing is "unknown", which no comparison of sockets takes for a fit.

What a type may say beside the plain maxima, all of it optional::

    [[type]]
    basing = "octal, pins not on file"          # the base alone is known; no basing file need list it
    warm_up_s = 11                  # controlled warm-up, where the sheet gives one
    series_string_a = 0.6           # the string that its heater is made for

    [type.section.ratings]          # per section, or per anode of a rectifier, unless the key says otherwise
    all_anodes_dissipation_max_w = 5.5          # of both sections together
    anode_voltage_cold_max_v = 550              # no anode current yet, or cut off
    heater_positive_voltage_max_v = 90          # heater positive to the cathode
    heater_negative_voltage_max_v = 180         # heater negative to it: the cathode stands above the heater
    heater_cathode_voltage_max_v = 180          # only where the sheet gives one figure, whatever the sign
    grid_circuit_fixed_bias_max_kohm = 250      # control grid to its return, bias fixed
    grid_circuit_self_bias_max_kohm = 1000      # the same with a cathode resistor
    anode_current_max_ma = 125                  # a full-wave rectifier's is the direct current of both anodes
    peak_anode_current_max_ma = 400             # of one anode, in each cycle
    first_capacitor_max_uf = 20                 # after a rectifier, capacitor input
    source_resistance_min_ohm = 50              # in series with each anode of a rectifier
    supply_rms_max_v = 350                      # each anode's alternating supply, capacitor input
    drop_v = 50                                 # what one anode of a rectifier loses
    drop_at_ma = 125                            # at this current through that one anode
    striking_voltage_v = 185                    # what a stabiliser must be offered to strike, in light
    least_current_ma = 5                        # with less a stabiliser goes out or wanders

    [[type.application]]            # a row of a resistance-coupled table, or typical operation
    name = "300 V, 100 kohm"
    section = 1
    role = "common cathode"         # a word of ROLES
    screen = "pentode"              # or "triode", "ultralinear"; left out where there is no screen
    supply_voltage_v = 300          # above the foot of the cathode resistor; or else
    anode_voltage_v = 250           # from anode to cathode, which transformer-coupled rows give
    anode_load_kohm = 100           # push-pull: anode to anode; a rectifier's own rows leave it out
    next_grid_kohm = 470            # the following grid's resistor, where there is one
    cathode_resistor_ohm = 1500     # or grid_voltage_v = -2; push-pull with one resistor for both: as printed
    screen_voltage_v = 250          # or screen_resistor_kohm = 470
    anode_current_ma = 1.1          # of one valve, no signal
    screen_current_ma = 5
    gain = 60
    output_voltage_v = 30           # rms
    output_power_w = 4.5            # push-pull: of both valves
    distortion_percent = 5          # total, at that output
    source = "memory"
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

from catalog.reference.equivalents import SOURCE, further_names, read_equivalents
from catalog.reference.possible import impossible, why_no_year
from catalog.reference.scripts import normal


class Base(NamedTuple):
    label: str
    pins: int


BASES: Mapping[str, Base] = {
    "B7G": Base("miniature, 7 pins (B7G)", 7),
    "B9A": Base("noval, 9 pins (B9A)", 9),
    "B9D": Base("magnoval, 9 pins (B9D)", 9),
    "B9E": Base("novar, 9 pins (B9E)", 9),
    "B10B": Base("decal, 10 pins (B10B)", 10),
    "duodecar": Base("duodecar, 12 pins", 12),
    "nuvistor": Base("nuvistor, 12 places of which 5 to 7 have a pin", 12),
    "B8A": Base("rimlock, 8 pins (B8A)", 8),
    "B9G": Base("all-glass, 9 thin pins (B9G)", 9),
    "octal": Base("octal, 8 pins with key", 8),
    "MO8": Base("British octal, 8 pins spaced otherwise than the octal (MO8)", 8),
    "loctal": Base("loctal, 8 pins with lock-in spigot (B8G)", 8),
    "Y8A": Base("German metal-valve base, 8 pins in groups of 5 and 3 (Y8A)", 8),
    "UX4": Base("American 4 pins (UX4)", 4),
    "UX5": Base("American 5 pins (UX5)", 5),
    "UX6": Base("American 6 pins (UX6)", 6),
    "UX7": Base("American 7 pins (UX7)", 7),
    "B4": Base("British or European 4 pins (B4)", 4),
    "B5": Base("British or European 5 pins (B5)", 5),
    "B7": Base("British 7 pins (B7)", 7),
    "B9": Base("British 9 pins (B9)", 9),
    "P5": Base("side contact, 5 contacts (P5)", 5),
    "P8": Base("side contact, 8 contacts (P8)", 8),
    "4-pin-jumbo": Base("jumbo, 4 pins with bayonet", 4),
    "4-pin-super-jumbo": Base("super jumbo, 4 pins with bayonet", 4),
    "5-pin-giant": Base("giant, 5 pins with bayonet", 5),
    "7-pin-giant": Base("giant, 7 pins with bayonet", 7),
    "septar": Base("septar, 7 stout pins", 7),
    "LS50": Base("8 stout pins in a metal rim, as the LS50 and the GU-50 have", 8),
    "acorn-5": Base("acorn, 5 side pins", 5),
    "acorn-7": Base("acorn, 7 side pins", 7),
    "B8D": Base("subminiature, 8 leads in a circle (B8D)", 8),
    "leads-3": Base("subminiature, 3 leads in line", 3),
    "leads-4": Base("subminiature, 4 leads in line", 4),
    "leads-5": Base("subminiature, 5 leads in line", 5),
    "leads-6": Base("subminiature, 6 leads in line", 6),
    "leads-7": Base("subminiature, 7 leads in line", 7),
    "P2000": Base("holder of the 12P2000, 6 contacts", 6),
    "B13B": Base("13 pins (B13B)", 13),
    "B8F": Base("8 pins around a spigot, for forced-air tetrodes (B8F)", 8),
    "BA15d": Base("bayonet cap with two contacts", 2),
    "leads": Base("wire leads, their order not on file", 1),
    "terminals": Base("no pin base: caps, rings, discs or studs", 1),
    "own": Base("a base of its own, its pins not on file", 1),
}

ELECTRODES: Mapping[str, str] = {
    "a": "anode",
    "a1": "first anode",
    "a2": "second anode",
    "g1": "grid 1 (control)",
    "g2": "grid 2 (screen)",
    "g3": "grid 3 (suppressor)",
    "g4": "grid 4",
    "g5": "grid 5",
    "g6": "grid 6",
    "bp": "beam plates",
    "k": "cathode",
    "t": "target (fluorescent)",
    "d": "deflector",
    "st": "starter",
    "ga": "first guide",
    "gb": "second guide",
    **{f"k{digit}": f"cathode {digit}" for digit in range(10)},
    "dp": "cathode of the decimal point",
    "h": "heater",
    "hct": "heater centre tap",
    "f": "filament",
    "fct": "filament centre tap",
    "s": "internal shield",
    "ic": "internal connection, leave free",
    "nc": "not connected",
    "unknown": "not on file",
}
SHARED_ELECTRODES = frozenset({"h", "hct", "f", "fct", "s", "ic", "nc", "unknown"})  # these belong to no section

TYPE_KINDS = frozenset(
    {
        "triode",
        "double triode",
        "triple triode",
        "diode-triode",
        "double diode-triode",
        "triple diode-triode",
        "triode-pentode",
        "triode-tetrode",
        "triode-double pentode",
        "triode-hexode",
        "triode-heptode",
        "signal pentode",
        "power pentode",
        "double pentode",
        "diode-pentode",
        "double diode-pentode",
        "beam tetrode",
        "double beam tetrode",
        "tetrode",
        "hexode",
        "heptode",
        "octode",
        "transmitting triode",
        "transmitting tetrode",
        "transmitting pentode",
        "rectifier",
        "diode",
        "double diode",
        "triple diode",
        "voltage stabiliser",
        "barretter",
        "thyratron",
        "trigger tube",
        "counting tube",
        "digit indicator",
        "phototube",
        "indicator",
        "triode-indicator",
        "double indicator",
    }
)
SECTION_ELECTRODES: Mapping[str, frozenset[str]] = {  # what a section of each kind cannot be without
    "triode": frozenset({"a", "g1"}),
    "tetrode": frozenset({"a", "g1", "g2"}),
    "beam tetrode": frozenset({"a", "g1", "g2"}),
    "pentode": frozenset({"a", "g1", "g2"}),
    "hexode": frozenset({"a", "g1", "g2", "g3"}),
    "heptode": frozenset({"a", "g1", "g2", "g3"}),
    "octode": frozenset({"a", "g1", "g2", "g3", "g4"}),
    "diode": frozenset({"a"}),
    "stabiliser": frozenset({"a", "k"}),
    "barretter": frozenset(),
    "thyratron": frozenset({"a", "g1"}),
    "trigger": frozenset({"a", "k", "st"}),
    "counter": frozenset({"a"}),
    "digits": frozenset({"a", "k0"}),
    "phototube": frozenset({"a", "k"}),
    "indicator": frozenset({"g1", "t"}),
}
# An arc, a light or a current alone: nothing that a grid steers finely.
WITHOUT_GAIN = frozenset({"diode", "stabiliser", "barretter", "thyratron", "trigger", "counter", "digits", "phototube"})
CATHODES = frozenset({"indirect", "direct", "cold"})
WIRINGS = frozenset({"single", "series", "parallel"})
TRADITIONS = frozenset({"western", "eastern"})
RATING_SYSTEMS = frozenset({"design centre", "design maximum", "absolute", "unstated"})
CAUTIONS = frozenset(
    {
        "mercury",
        "radioactive",
        "asbestos",
        "beryllia",
        "top cap",
        "high voltage",
        "very hot",
        "directly heated",
    }
)
ROLES = frozenset(
    {
        "common cathode",
        "cathode follower",
        "long-tailed pair",
        "paraphase splitter",
        "cathode-coupled driver",
        "single-ended class A",
        "push-pull class A",
        "push-pull class AB",
        "rectifier",
        "stabiliser",
    }
)
SCREENS = frozenset({"pentode", "triode", "ultralinear"})
KINSHIPS = frozenset({"special quality", "same electrically", "near"})
SOURCE_KINDS = frozenset({"handbook", "data sheet", "standard", "register", "book", "encyclopaedia", "memory"})


class ReferenceProblem(ValueError):
    """A row that cannot be trusted. The message says where it stands and what is wrong with it."""


@dataclass(frozen=True)
class SourceRow:
    key: str
    title: str
    edition: str
    kind: str


class Electrode(NamedTuple):
    section: int | None  # None where the electrode belongs to the whole valve, such as a heater end
    code: str

    def __str__(self) -> str:
        return self.code if self.section is None else f"{self.section}:{self.code}"


PINS_NOT_ON_FILE = Electrode(None, "unknown")  # on every pin of a basing of which only the base is known


@dataclass(frozen=True)
class PinRow:
    number: int  # counted from 1, clockwise from the key or the gap, seen from below
    electrodes: tuple[Electrode, ...]  # empty where the pin is missing


@dataclass(frozen=True)
class BasingRow:
    name: str
    base: str
    pins: tuple[PinRow, ...]
    top_cap: tuple[Electrode, ...]  # empty where there is no cap
    source: str
    at: str
    note: str

    def electrodes(self) -> Iterator[Electrode]:
        for pin in self.pins:
            yield from pin.electrodes
        yield from self.top_cap


@dataclass(frozen=True)
class HeaterRow:
    wiring: str
    voltage_v: Decimal
    current_a: Decimal


@dataclass(frozen=True)
class AliasRow:
    designation: str
    source: str
    at: str


@dataclass(frozen=True)
class KinRow:
    designation: str
    how: str
    note: str
    source: str
    at: str


@dataclass(frozen=True)
class RatingsRow:
    """Maxima, some least values, and a rectifier's drop; what the sheet does not give is None."""

    system: str
    anode_voltage_max_v: Decimal | None
    anode_dissipation_max_w: Decimal | None
    anode_current_max_ma: Decimal | None
    screen_voltage_max_v: Decimal | None
    screen_dissipation_max_w: Decimal | None
    cathode_current_max_ma: Decimal | None
    heater_cathode_voltage_max_v: Decimal | None
    peak_inverse_voltage_max_v: Decimal | None
    heater_positive_voltage_max_v: Decimal | None
    heater_negative_voltage_max_v: Decimal | None
    all_anodes_dissipation_max_w: Decimal | None
    anode_voltage_cold_max_v: Decimal | None
    grid_circuit_fixed_bias_max_kohm: Decimal | None
    grid_circuit_self_bias_max_kohm: Decimal | None
    peak_anode_current_max_ma: Decimal | None
    first_capacitor_max_uf: Decimal | None
    source_resistance_min_ohm: Decimal | None
    supply_rms_max_v: Decimal | None
    drop_v: Decimal | None
    drop_at_ma: Decimal | None
    striking_voltage_v: Decimal | None
    least_current_ma: Decimal | None
    source: str
    at: str


@dataclass(frozen=True)
class TestPointRow:
    """Conditions, and what a nominal valve shows there. Bias is fixed or by a cathode resistor, not both."""

    __test__ = False  # so that pytest does not take the name for a test

    name: str
    anode_voltage_v: Decimal
    screen_voltage_v: Decimal | None
    grid_voltage_v: Decimal | None
    cathode_resistor_ohm: Decimal | None
    anode_current_ma: Decimal | None  # None where a shop only knows how it sets its tester
    screen_current_ma: Decimal | None
    gm_ma_per_v: Decimal | None
    mu: Decimal | None
    anode_resistance_kohm: Decimal | None
    anode_current_min_ma: Decimal | None
    anode_current_max_ma: Decimal | None
    gm_min_ma_per_v: Decimal | None
    gm_max_ma_per_v: Decimal | None
    conversion_conductance_ma_per_v: Decimal | None  # a mixer's, at the oscillator drive that load_note says
    load_note: str
    source: str
    at: str


@dataclass(frozen=True)
class ApplicationRow:
    """A circuit that the sheet works out: a row of a resistance-coupled table, or of typical operation."""

    name: str
    section: int
    role: str
    screen: str  # a word of SCREENS, or none
    supply_voltage_v: Decimal | None
    anode_voltage_v: Decimal | None
    anode_load_kohm: Decimal | None
    next_grid_kohm: Decimal | None
    cathode_resistor_ohm: Decimal | None
    grid_voltage_v: Decimal | None
    screen_voltage_v: Decimal | None
    screen_resistor_kohm: Decimal | None
    anode_current_ma: Decimal | None
    screen_current_ma: Decimal | None
    gain: Decimal | None
    output_voltage_v: Decimal | None
    output_power_w: Decimal | None
    distortion_percent: Decimal | None
    note: str
    source: str
    at: str


@dataclass(frozen=True)
class SectionRow:
    index: int  # counted from 1
    kind: str
    ratings: RatingsRow
    test_points: tuple[TestPointRow, ...]


@dataclass(frozen=True)
class TypeRow:
    designation: str
    kind: str
    cathode: str
    basing: str
    basing_source: str
    basing_at: str
    heaters: tuple[HeaterRow, ...]
    heater_source: str
    heater_at: str
    tradition: str
    special_quality: bool
    first_registered: int | None
    first_registered_source: str | None
    cautions: tuple[str, ...]
    aliases: tuple[AliasRow, ...]
    related: tuple[KinRow, ...]
    sections: tuple[SectionRow, ...]
    warm_up_s: Decimal | None
    series_string_a: Decimal | None
    applications: tuple[ApplicationRow, ...]
    note: str
    file: str
    table: Mapping[str, object] = field(default_factory=dict, compare=False, repr=False)  # as it was written


@dataclass(frozen=True)
class Reference:
    sources: Mapping[str, SourceRow]
    basings: Mapping[str, BasingRow]
    types: Mapping[str, TypeRow]  # by designation, as written
    by_name: Mapping[str, TypeRow]  # by normal() of every designation and alias

    def find(self, name: str) -> TypeRow | None:
        return self.by_name.get(normal(name))


class _RowReader:
    """A TOML table being read. It remembers where it stands and which of its keys nobody has asked for.

    A sparse one is a shop's own, of a type of which little is known: what is missing is not asked for.
    """

    def __init__(self, where: str, table: object, sparse: bool = False) -> None:
        self.where, self.sparse = where, sparse
        if not isinstance(table, dict):
            raise ReferenceProblem(f"{where}: a table was expected, not {table!r}")
        self.table = table
        self._left = dict(table)

    def problem(self, key: str, what: str) -> ReferenceProblem:
        return ReferenceProblem(f"{self.where}: {key}: {what}")

    def finish(self) -> None:
        if self._left:
            raise self.problem(", ".join(sorted(self._left)), "not a key known here")

    def take(self, key: str) -> object:
        return self._left.pop(key, None)

    def optional_text(self, key: str) -> str:
        value = self.take(key)
        if value is None:
            return ""
        if not isinstance(value, str):
            raise self.problem(key, f"words in quotes are wanted, not {value!r}")
        return value.strip()

    def text(self, key: str) -> str:
        value = self.optional_text(key)
        if not value:
            raise self.problem(key, "missing")
        return value

    def word(self, key: str, known: Collection[str], default: str | None = None) -> str:
        value = self.optional_text(key) or default
        if value is None:
            raise self.problem(key, "missing")
        if value not in known:
            raise self.problem(key, f"“{value}” is not one of: {', '.join(sorted(known))}")
        return value

    def known_word(self, key: str, known: Collection[str]) -> str:
        """A word that a sparse table may lack."""
        return "" if self.sparse and key not in self._left else self.word(key, known)

    def flag(self, key: str) -> bool:
        value = self.take(key)
        if value is not None and not isinstance(value, bool):
            raise self.problem(key, f"true or false is wanted, not {value!r}")
        return bool(value)

    def optional_number(self, key: str) -> Decimal | None:
        value = self.take(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise self.problem(key, f"a number is wanted, not {value!r}")
        number = Decimal(value)
        if not number.is_finite():
            raise self.problem(key, f"a finite number is wanted, not {value!r}")
        return number

    def optional_positive(self, key: str) -> Decimal | None:
        number = self.optional_number(key)
        if number is not None and number <= 0:
            raise self.problem(key, f"must be greater than zero, not {number}")
        return number

    def positive(self, key: str) -> Decimal:
        number = self.optional_positive(key)
        if number is None:
            raise self.problem(key, "missing")
        return number

    def nominal(self, key: str) -> Decimal | None:
        """A positive number that a sparse table may lack."""
        return self.optional_positive(key) if self.sparse else self.positive(key)

    def list(self, key: str) -> list[object]:
        value = self.take(key)
        if value is None:
            return []
        if not isinstance(value, list):
            raise self.problem(key, f"a list is wanted, not {value!r}")
        return value

    def rows(self, key: str, name: str) -> Iterator[_RowReader]:
        for position, table in enumerate(self.list(key), start=1):
            yield _RowReader(f"{self.where}, {name} {position}", table, self.sparse)


def read_reference(folder: Path) -> Reference:
    """Read the reference files of `folder`, every row checked. Raises ReferenceProblem at the first fault."""
    sources: dict[str, SourceRow] = {}
    for row in _tables(folder, "sources*.toml", "source"):
        source = _source(row)
        if source.key in sources:
            raise row.problem("key", f"“{source.key}” is listed twice")
        sources[source.key] = source

    basings: dict[str, BasingRow] = {}
    for row in _tables(folder, "basings*.toml", "basing"):
        basing = _basing(row, sources)
        if basing.name in basings:
            raise row.problem("name", f"“{basing.name}” is listed twice")
        basings[basing.name] = basing

    types: dict[str, TypeRow] = {}
    known = _bare_basings() | basings
    for row in _tables(folder, "types/*.toml", "type"):
        valve = _type(row, sources, known)
        if valve.designation in types:
            raise row.problem("designation", f"“{valve.designation}” is listed twice")
        types[valve.designation] = valve
        basings.setdefault(valve.basing, known[valve.basing])

    by_name = _names(types.values())
    _check_related(types.values(), by_name)
    types = _with_equivalents(types, by_name, folder)
    by_name = _names(types.values())
    return Reference(sources, basings, types, by_name)


def _with_equivalents(types: Mapping[str, TypeRow], by_name: Mapping[str, TypeRow], folder: Path) -> dict[str, TypeRow]:
    on_file = {name: valve.designation for name, valve in by_name.items()}
    try:
        further = further_names(read_equivalents(folder / "equivalents.toml"), on_file)
    except ValueError as fault:
        raise ReferenceProblem(str(fault)) from fault
    return {key: _also_called(valve, further.get(key, ())) for key, valve in types.items()}


def _also_called(valve: TypeRow, names: Collection[str]) -> TypeRow:
    if not names:
        return valve
    tables = [{"designation": name, "source": SOURCE} for name in names]
    aliases = tuple(AliasRow(name, SOURCE, "") for name in names)
    written = valve.table.get("aliases")
    table = {**valve.table, "aliases": [*(written if isinstance(written, list) else []), *tables]}
    return replace(valve, aliases=(*valve.aliases, *aliases), table=table)


def read_type(
    table: Mapping[str, object], where: str, sources: Collection[str], basings: Mapping[str, BasingRow]
) -> TypeRow:
    """A type that a shop keeps itself, of which nothing but the name need be known. Raises ReferenceProblem."""
    return _type(_RowReader(where, dict(table), sparse=True), sources, basings)


def read_basing(table: Mapping[str, object], where: str, sources: Collection[str]) -> BasingRow:
    """A basing that a shop describes itself, on any base. Raises ReferenceProblem."""
    return _basing(_RowReader(where, dict(table), sparse=True), sources)


def read_source(table: Mapping[str, object], where: str) -> SourceRow:
    """Raises ReferenceProblem."""
    return _source(_RowReader(where, dict(table)))


def _tables(folder: Path, pattern: str, name: str) -> Iterator[_RowReader]:
    paths = sorted(folder.glob(pattern))
    if not paths:
        raise ReferenceProblem(f"{folder}: no file {pattern} here")
    for path in paths:
        file = path.relative_to(folder).as_posix()
        try:
            document = tomllib.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
            raise ReferenceProblem(f"{file}: not readable as TOML: {fault}") from fault
        whole = _RowReader(file, document)
        yield from whole.rows(name, name)
        whole.finish()


def _source(row: _RowReader) -> SourceRow:
    source = SourceRow(
        key=row.text("key"),
        title=row.text("title"),
        edition=row.optional_text("edition"),
        kind=row.word("kind", SOURCE_KINDS),
    )
    row.finish()
    return source


def _basing(row: _RowReader, sources: Collection[str]) -> BasingRow:
    name = row.text("name")
    row.where = f"{row.where.split(',')[0]}, basing {name}"
    base = row.text("base") if row.sparse else row.word("base", BASES)
    written = row.list("pins")
    if base in BASES and len(written) != BASES[base].pins:
        raise row.problem("pins", f"a base {base} has {BASES[base].pins} pins, {len(written)} are listed")
    basing = BasingRow(
        name=name,
        base=base,
        pins=tuple(
            PinRow(number, _electrodes(row, f"pins, pin {number}", text))
            for number, text in enumerate(written, start=1)
        ),
        top_cap=_electrodes(row, "top_cap", row.optional_text("top_cap") or "-"),
        source=row.word("source", sources),
        at=row.optional_text("at"),
        note=row.optional_text("note"),
    )
    row.finish()
    return basing


def _bare_basings() -> dict[str, BasingRow]:
    """Of every base one that says no more than that: "octal, pins not on file". No file need list it."""
    return {
        name: BasingRow(
            name=name,
            base=base,
            pins=tuple(PinRow(number, (PINS_NOT_ON_FILE,)) for number in range(1, BASES[base].pins + 1)),
            top_cap=(),
            source="memory",
            at="",
            note="",
        )
        for base in BASES
        for name in (f"{base}, pins not on file",)
    }


def _electrodes(row: _RowReader, key: str, text: object) -> tuple[Electrode, ...]:
    """What one pin carries: "1:k+1:g3" is cathode and grid 3 of section 1, "-" a pin that is not there."""
    if not isinstance(text, str) or not text:
        raise row.problem(key, f"electrodes in quotes are wanted, not {text!r}")
    return () if text == "-" else tuple(_electrode(row, key, part) for part in text.split("+"))


def _electrode(row: _RowReader, key: str, text: str) -> Electrode:
    section, colon, code = text.rpartition(":")
    if code not in ELECTRODES:
        raise row.problem(key, f"“{code}” is not an electrode; known: {', '.join(ELECTRODES)}")
    if code in SHARED_ELECTRODES:
        if colon:
            raise row.problem(key, f"“{text}”: {ELECTRODES[code]} belongs to no section")
        return Electrode(None, code)
    if not re.fullmatch("[1-9]", section):
        raise row.problem(key, f"“{text}”: write the section first, as in 1:{code}")
    return Electrode(int(section), code)


def _type(row: _RowReader, sources: Collection[str], basings: Mapping[str, BasingRow]) -> TypeRow:
    designation = row.text("designation")
    file = row.where.split(",")[0]
    row.where = f"{file}, {designation}"
    cathode = row.known_word("cathode", CATHODES)
    basing = row.known_word("basing", basings)
    heaters = tuple(_heater(heater) for heater in row.rows("heaters", "heater"))
    heated = bool(heaters) or (not row.sparse and cathode != "cold")
    registered = row.optional_positive("first_registered")
    if registered is not None and (why := why_no_year(registered)):
        raise row.problem("first_registered", why)
    valve = TypeRow(
        designation=designation,
        kind=row.known_word("kind", TYPE_KINDS),
        cathode=cathode,
        basing=basing,
        basing_source=row.word("basing_source", sources) if basing else "",
        basing_at=row.optional_text("basing_at"),
        heaters=heaters,
        heater_source=row.word("heater_source", sources) if heated else "",
        heater_at=row.optional_text("heater_at"),
        tradition=row.known_word("tradition", TRADITIONS),
        special_quality=row.flag("special_quality"),
        first_registered=None if registered is None else int(registered),
        first_registered_source=None if registered is None else row.word("first_registered_source", sources),
        cautions=_cautions(row),
        aliases=tuple(_alias(alias, sources) for alias in row.rows("aliases", "alias")),
        related=tuple(_related(related, sources) for related in row.rows("related", "related")),
        sections=_sections(row, sources),
        warm_up_s=row.optional_positive("warm_up_s"),
        series_string_a=row.optional_positive("series_string_a"),
        applications=tuple(_application(table, sources) for table in row.rows("application", "application")),
        note=row.optional_text("note"),
        file=file,
        table=row.table,
    )
    row.finish()
    if not valve.sections and not row.sparse:
        raise row.problem("section", "missing; a valve has at least one")
    if bool(valve.heaters) == (cathode == "cold") and (valve.heaters or not row.sparse):
        raise row.problem("heaters", "a cold cathode has none, every other cathode at least one")
    for key, what in impossible(valve):
        raise row.problem(key, what)
    if basing and valve.sections:
        _check_basing(row, valve, basings[basing])
    _check_applications(row, valve)
    return valve


def _heater(row: _RowReader) -> HeaterRow:
    heater = HeaterRow(
        wiring=row.word("wiring", WIRINGS, default="single"),
        voltage_v=row.positive("voltage_v"),
        current_a=row.positive("current_a"),
    )
    row.finish()
    return heater


def _cautions(row: _RowReader) -> tuple[str, ...]:
    words = row.list("cautions")
    for word in words:
        if word not in CAUTIONS:
            raise row.problem("cautions", f"“{word}” is not one of: {', '.join(sorted(CAUTIONS))}")
    return tuple(str(word) for word in words)


def _alias(row: _RowReader, sources: Collection[str]) -> AliasRow:
    alias = AliasRow(row.text("designation"), row.word("source", sources), row.optional_text("at"))
    row.finish()
    return alias


def _related(row: _RowReader, sources: Collection[str]) -> KinRow:
    related = KinRow(
        designation=row.text("designation"),
        how=row.word("how", KINSHIPS),
        note=row.optional_text("note"),
        source=row.word("source", sources),
        at=row.optional_text("at"),
    )
    row.finish()
    if related.how == "near" and not related.note:
        raise row.problem("note", "missing; a near type is of no use without what differs")
    return related


def _sections(row: _RowReader, sources: Collection[str]) -> tuple[SectionRow, ...]:
    """The sections in order. A block that says `alike = 2` describes this section and the next."""
    sections: list[SectionRow] = []
    for block in row.rows("section", "section"):
        alike = block.optional_positive("alike") or Decimal(1)
        if alike % 1:
            raise block.problem("alike", f"a whole number of sections is wanted, not {alike}")
        first = _section(block, len(sections) + 1, sources)
        sections += [replace(first, index=first.index + step) for step in range(int(alike))]
    return tuple(sections)


def _section(row: _RowReader, index: int, sources: Collection[str]) -> SectionRow:
    kind = row.word("kind", SECTION_ELECTRODES)
    ratings = _ratings(_RowReader(f"{row.where}, ratings", row.take("ratings") or {}, row.sparse), sources)
    points: list[TestPointRow] = []
    for table in row.rows("test_point", "test point"):
        point = _test_point(table, kind, sources)
        if point.name in {earlier.name for earlier in points}:
            raise table.problem("name", f"“{point.name}” is used twice in this section")
        points.append(point)
    row.finish()
    return SectionRow(index, kind, ratings, tuple(points))


def _ratings(row: _RowReader, sources: Collection[str]) -> RatingsRow:
    ratings = RatingsRow(
        system=row.word("system", RATING_SYSTEMS, default="unstated" if row.sparse else None),
        anode_voltage_max_v=row.optional_positive("anode_voltage_max_v"),
        anode_dissipation_max_w=row.optional_positive("anode_dissipation_max_w"),
        anode_current_max_ma=row.optional_positive("anode_current_max_ma"),
        screen_voltage_max_v=row.optional_positive("screen_voltage_max_v"),
        screen_dissipation_max_w=row.optional_positive("screen_dissipation_max_w"),
        cathode_current_max_ma=row.optional_positive("cathode_current_max_ma"),
        heater_cathode_voltage_max_v=row.optional_positive("heater_cathode_voltage_max_v"),
        peak_inverse_voltage_max_v=row.optional_positive("peak_inverse_voltage_max_v"),
        heater_positive_voltage_max_v=row.optional_positive("heater_positive_voltage_max_v"),
        heater_negative_voltage_max_v=row.optional_positive("heater_negative_voltage_max_v"),
        all_anodes_dissipation_max_w=row.optional_positive("all_anodes_dissipation_max_w"),
        anode_voltage_cold_max_v=row.optional_positive("anode_voltage_cold_max_v"),
        grid_circuit_fixed_bias_max_kohm=row.optional_positive("grid_circuit_fixed_bias_max_kohm"),
        grid_circuit_self_bias_max_kohm=row.optional_positive("grid_circuit_self_bias_max_kohm"),
        peak_anode_current_max_ma=row.optional_positive("peak_anode_current_max_ma"),
        first_capacitor_max_uf=row.optional_positive("first_capacitor_max_uf"),
        source_resistance_min_ohm=row.optional_positive("source_resistance_min_ohm"),
        supply_rms_max_v=row.optional_positive("supply_rms_max_v"),
        drop_v=row.optional_positive("drop_v"),
        drop_at_ma=row.optional_positive("drop_at_ma"),
        striking_voltage_v=row.optional_positive("striking_voltage_v"),
        least_current_ma=row.optional_positive("least_current_ma"),
        source=row.word("source", sources, default=SOURCE if row.sparse else None),
        at=row.optional_text("at"),
    )
    row.finish()
    if (ratings.drop_v is None) != (ratings.drop_at_ma is None):
        raise row.problem("drop_v", "a drop needs its current: give both drop_v and drop_at_ma")
    if ratings.least_current_ma and ratings.least_current_ma >= (ratings.anode_current_max_ma or Decimal("Infinity")):
        raise row.problem("least_current_ma", "the least current must be below anode_current_max_ma")
    return ratings


def _test_point(row: _RowReader, kind: str, sources: Collection[str]) -> TestPointRow:
    name = row.text("name")
    row.where = f"{row.where} “{name}”"
    electrodes = SECTION_ELECTRODES[kind]
    gridded, screened = kind not in WITHOUT_GAIN, "g2" in electrodes
    conversion = row.optional_positive("conversion_conductance_ma_per_v") if gridded else None
    point = TestPointRow(
        name=name,
        anode_voltage_v=row.positive("anode_voltage_v"),
        screen_voltage_v=row.positive("screen_voltage_v") if screened else None,
        grid_voltage_v=row.optional_number("grid_voltage_v") if gridded else None,
        cathode_resistor_ohm=row.optional_positive("cathode_resistor_ohm") if gridded else None,
        anode_current_ma=row.nominal("anode_current_ma"),
        screen_current_ma=row.optional_positive("screen_current_ma") if screened else None,
        gm_ma_per_v=_slope(row, conversion) if gridded else None,
        mu=row.optional_positive("mu") if gridded else None,
        anode_resistance_kohm=row.optional_positive("anode_resistance_kohm"),
        anode_current_min_ma=row.optional_positive("anode_current_min_ma"),
        anode_current_max_ma=row.optional_positive("anode_current_max_ma"),
        gm_min_ma_per_v=row.optional_positive("gm_min_ma_per_v") if gridded else None,
        gm_max_ma_per_v=row.optional_positive("gm_max_ma_per_v") if gridded else None,
        conversion_conductance_ma_per_v=conversion,
        load_note=row.optional_text("load_note"),
        source=row.word("source", sources),
        at=row.optional_text("at"),
    )
    row.finish()
    if gridded and (point.grid_voltage_v is None) == (point.cathode_resistor_ohm is None):
        raise row.problem("grid_voltage_v", "give either this or cathode_resistor_ohm")
    _check_limits(row, "anode_current", point.anode_current_min_ma, point.anode_current_ma, point.anode_current_max_ma)
    _check_limits(row, "gm", point.gm_min_ma_per_v, point.gm_ma_per_v, point.gm_max_ma_per_v)
    return point


def _slope(row: _RowReader, conversion: Decimal | None) -> Decimal | None:
    """A mixer's sheet gives conversion conductance where another's gives gm."""
    return row.nominal("gm_ma_per_v") if conversion is None else row.optional_positive("gm_ma_per_v")


def _application(row: _RowReader, sources: Collection[str]) -> ApplicationRow:
    name = row.text("name")
    row.where = f"{row.where} “{name}”"
    section = row.optional_positive("section") or Decimal(1)
    if section % 1:
        raise row.problem("section", f"a whole number is wanted, not {section}")
    application = ApplicationRow(
        name=name,
        section=int(section),
        role=row.word("role", ROLES),
        screen=row.word("screen", SCREENS | {""}, default=""),
        supply_voltage_v=row.optional_positive("supply_voltage_v"),
        anode_voltage_v=row.optional_positive("anode_voltage_v"),
        anode_load_kohm=row.optional_positive("anode_load_kohm"),
        next_grid_kohm=row.optional_positive("next_grid_kohm"),
        cathode_resistor_ohm=row.optional_positive("cathode_resistor_ohm"),
        grid_voltage_v=row.optional_number("grid_voltage_v"),
        screen_voltage_v=row.optional_positive("screen_voltage_v"),
        screen_resistor_kohm=row.optional_positive("screen_resistor_kohm"),
        anode_current_ma=row.optional_positive("anode_current_ma"),
        screen_current_ma=row.optional_positive("screen_current_ma"),
        gain=row.optional_positive("gain"),
        output_voltage_v=row.optional_positive("output_voltage_v"),
        output_power_w=row.optional_positive("output_power_w"),
        distortion_percent=row.optional_positive("distortion_percent"),
        note=row.optional_text("note"),
        source=row.word("source", sources),
        at=row.optional_text("at"),
    )
    row.finish()
    if (application.supply_voltage_v is None) == (application.anode_voltage_v is None):
        raise row.problem("supply_voltage_v", "give either this or anode_voltage_v")
    return application


def _check_applications(row: _RowReader, valve: TypeRow) -> None:
    names = [application.name for application in valve.applications]
    for application in valve.applications:
        if names.count(application.name) > 1:
            raise row.problem("application", f"“{application.name}” is used twice")
        if application.section > len(valve.sections):
            raise row.problem("application", f"“{application.name}”: the type has no section {application.section}")


def _check_limits(
    row: _RowReader, name: str, least: Decimal | None, nominal: Decimal | None, most: Decimal | None
) -> None:
    if least is not None and most is not None and least > most:
        raise row.problem(name, f"the minimum {least} is above the maximum {most}")
    if nominal is not None and least is not None and nominal < least:
        raise row.problem(name, f"the nominal {nominal} is below the minimum {least}")
    if nominal is not None and most is not None and nominal > most:
        raise row.problem(name, f"the nominal {nominal} is above the maximum {most}")


def _check_basing(row: _RowReader, valve: TypeRow, basing: BasingRow) -> None:
    """The basing must bring out what the sections and the heater need, and no section beyond the type's.

    Where the pins are not on file there is nothing to check.
    """
    brought_out = set(basing.electrodes())
    if PINS_NOT_ON_FILE in brought_out:
        return
    for section in valve.sections:
        codes = {electrode.code for electrode in brought_out if electrode.section == section.index}
        wanted = SECTION_ELECTRODES[section.kind] | ({"k"} if valve.cathode == "indirect" else set())
        if lacking := wanted - codes:
            names = ", ".join(ELECTRODES[code] for code in sorted(lacking))
            raise row.problem("basing", f"{basing.name} brings out no {names} for section {section.index}")
    last = max(electrode.section or 0 for electrode in brought_out)
    if last > len(valve.sections):
        raise row.problem("basing", f"{basing.name} has a section {last}, which the type does not")
    ends = {"indirect": "h", "direct": "f"}.get(valve.cathode)
    if ends and sum(electrode.code == ends for electrode in basing.electrodes()) < 2:
        raise row.problem("basing", f"{basing.name} does not bring out both ends of the {ELECTRODES[ends]}")
    if basing.top_cap and "top cap" not in valve.cautions:
        raise row.problem("cautions", f"{basing.name} has a top cap; say “top cap” here")


def _names(types: Collection[TypeRow]) -> dict[str, TypeRow]:
    by_name: dict[str, TypeRow] = {}
    for valve in types:
        for name in (valve.designation, *(alias.designation for alias in valve.aliases)):
            if not normal(name):
                raise ReferenceProblem(
                    f"{valve.file}, {valve.designation}: “{name}” has no letter or figure to know it by"
                )
            if holder := by_name.get(normal(name)):
                raise ReferenceProblem(
                    f"{valve.file}, {valve.designation}: designation or alias: "
                    f"“{name}” already means {holder.designation} in {holder.file}"
                )
            by_name[normal(name)] = valve
    return by_name


def _check_related(types: Collection[TypeRow], by_name: Mapping[str, TypeRow]) -> None:
    for valve in types:
        for related in valve.related:
            other = by_name.get(normal(related.designation))
            if other is None or other is valve:
                what = "is in no reference file" if other is None else "is the type itself"
                raise ReferenceProblem(f"{valve.file}, {valve.designation}: related: “{related.designation}” {what}")
