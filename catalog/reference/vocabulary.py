"""The words that the reference files may use, and how they are said: bases, electrodes, kinds, cautions and so on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


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
