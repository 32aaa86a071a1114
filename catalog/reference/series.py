"""Systems of names that belong to a country, a service or a single maker, as the trade knows them; all from memory.

They are read before the systems of `catalog.reference.designations`, in whose letters such a name would mean something
that it does not: DH77 is no battery hexode, and PL57 no output pentode. Where the system gives the parts a meaning it
is told; of the rest only a register says which valve a number is, and that is said instead.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import NamedTuple

Parts = tuple[tuple[str, str], ...]


class Series(NamedTuple):
    system: str
    parts: Parts  # what was written, and what it means
    stem: str = ""  # the name without its suffix, where it has one
    suffix: str = ""


REGISTER = "only a register says which valve it is"
BRITISH = "number of a British maker's own series"
NUMBERS: tuple[tuple[str, str], ...] = (
    ("(?:ARDD|ARTH|ARTP|ARD|ARH|AU|AW|NGT|NU|NT|VU)[0-9]{1,4}[A-Z]?", "older British service number"),
    ("(?:LG|MC)[0-9]{1,3}", "German service number"),
    ("(?:RV|RS|RG)[0-9]{2,4}[A-Z]?", "German number of before 1940"),
    ("(?:DLS|KTW|KTZ|LN|LZ|MHD|MPT|MSP|MS|MX|QP|VMP|VMS|VS)[0-9]{1,3}[A-Z]?", BRITISH),
    ("(?:DH|DL(?:63|74|82|145))[0-9]{0,3}M?", BRITISH),
    ("HL(?:2|4|13|2[1-3]|4[12]|133|210|610|1320)(?:DD|C|G|K)?", BRITISH),
    ("(?:PENDD|PEN|DDL|DDT|DD|DO|DW|FC|IW|LP|ME|MM|MU|SP|TDD|TH|TP|TV|UR|UU|VP)[0-9]{1,4}[A-Z]{0,2}", BRITISH),
    ("PEN[A-Z][0-9]|PM(?:[12]|12|22|24|202|252|254|256)[A-Z]{0,2}|TX(?:4|21|41)|12E1[0-9]|GT1C", BRITISH),
    ("AC[245]?(?:HL|PEN|TP|TH|SG|VP|P)[A-Z]*[0-9]?", BRITISH),
    ("(?:2|4|40|41|42|54|104|202|210|215|220|230|240|244|354|431|442|506|904)[A-Z]{1,5}(?<![0-9][A-DW])", BRITISH),
    ("(?:S4V|A[0-9]{4}|630L)[AB2]?|(?:27|40)SU[AB]?|(?:220|240)B|(?:104|54|[2-9][0-4]4)V", BRITISH),
    ("[A-F][0-9]{3}[NSV]?", "continental number of before 1935"),
    ("R[0-9]{3}", "French number"),
    ("(?:QC|QZ|TB|TC)[0-9]{2,6}|P[BCE][0-9]{4,5}|QQE[0-9]{3,4}", "transmitting valve: kV and W"),
    ("PL(?:5[57][0-9]{2}|17|57|10[56]|2[56]0|323|1607|3C23)A?", "thyratron by its number"),
    ("(?:GC|GR|GS)[0-9]{1,4}[A-Z]{0,2}", "gas-filled counting tube, trigger tube or stabiliser"),
    ("(?:B(?=[0-9]{4})|CD|DT|GN|LC|NL|XN)[0-9]{1,5}[A-Z]?", "digit indicator by a maker's own number"),
    ("(?:FG|GDT|GD|S(?=130)|SR|VS|XR)[0-9]{1,5}[A-Z]?", "gas-filled valve by a maker's own number"),
    ("(?:QS|STR|STV)[0-9]{2,6}[A-Z]?", "stabiliser by its volts and mA, or a maker's number of one"),
    (
        "(?:HK(?!9)|MR|RK|SRS|TZ)[0-9]{2,4}[A-Z]?|HY(?:31Z|6[0-9]|75A?|615)|HF[1-3][02]0|[AO]T[0-9]{2,3}|V70D",
        "transmitting valve by a maker's number",
    ),
    ("XF[A-Z][0-9]{1,3}", "subminiature of a British maker's own series"),
    ("CK[0-9]{3,4}[A-Z]{0,3}", "subminiature by a maker's own number"),
    ("AA|BA|BAS|BE|CA|CE|DA|EB|ED|Z[0-9]C|F2A11", "number of a telephone administration"),
    ("Z[0-9]{4}[MU]|S[0-9]{1,4}(?:I|IM|IV|DV)", "gas-filled valve by a maker's own number"),
    ("EHM[0-9]{1,2}", "eastern electrometer valve"),
    ("IV[0-9]{1,2}[A-Z]?|(?:IL[CD]|ILTS|IVL)[0-9]+[A-Z]?", "eastern fluorescent indicator"),
    (
        "(?:GGR?|TR|VG|V(?=[0-9]{4})|VI)[0-9]{2,7}",
        "eastern rectifier, thyratron or spark gap: its kV and A, or a number",
    ),
    ("(?:OG|A10)[0-9]", "eastern counting tube"),
    ("G(?:I|K|KE|U)?[0-9]{1,4}[A-Z]{0,2}1?", "eastern transmitting number"),
    ("FU[0-9]{1,4}[A-Z]?", "Chinese transmitting number"),
    ("WY[0-9]P", "Chinese stabiliser"),
)
_NUMBERS = tuple((re.compile(pattern), system) for pattern, system in NUMBERS)

BRITISH_HEATERS = {
    "1": "battery filament",
    "6": "6.3 V heater",
    "10": "100 mA heater, for a series string",
    "12": "12.6 V heater",
    "20": "200 mA heater, for a series string",
    "30": "300 mA heater, for a series string",
    "35": "35 V heater",
}
BRITISH_KINDS = {
    "C": "frequency changer, or in central Europe a triode",
    "D": "diode",
    "F": "pentode",
    "FL": "pentode with a triode",
    "K": "thyratron",
    "L": "triode, or in central Europe an output pentode",
    "LD": "triode with diodes",
    "P": "output pentode or beam tetrode",
    "PL": "output pentode with a triode",
}
SPECIAL = "American of 1942 and later, special"
VERSIONS = {"A": "second version", "B": "third version", "W": "ruggedised, for the services"}
POWERS = dict(
    enumerate(["no", "up to 10 W of", "10 to 20 W of", "20 to 50 W of", "50 to 100 W of", "over 100 W of"], 1)
)
SPECIAL_KINDS = {
    "B": "diode",
    "C": "triode",
    "D": "tetrode",
    "E": "pentode",
    "G": "heptode, alone or with a triode",
    "J": "magnetron",
    "K": "klystron",
}
PROFESSIONAL = {
    "YA": "vacuum diode",
    "YD": "vacuum triode",
    "YL": "vacuum tetrode or pentode",
    "YK": "klystron",
    "YH": "travelling-wave tube",
    "YJ": "magnetron",
    "ZA": "cold-cathode diode",
    "ZC": "trigger tube",
    "ZM": "digit indicator or counting tube",
    "ZT": "thyratron",
    "ZX": "ignitron",
    "ZY": "gas-filled rectifier",
    "ZZ": "voltage stabiliser",
}
OLD_BASE = "old American, with its base"
OLD_BASES = {
    "UV": "four pins, short, with a bayonet",
    "UX": "four pins",
    "CX": "four pins",
    "KX": "four pins, a rectifier",
    "UY": "five pins",
    "UZ": "six pins",
    "UT": "seven pins",
}
PREWAR_GERMAN = {
    "RE": "receiving valve",
    "REN": "receiving valve, heated from the mains",
    "RES": "receiving valve with a screen grid",
    "RENS": "receiving valve with a screen grid, heated from the mains",
    "RGN": "rectifier for the mains",
}


def _professional(letters: str, number: str, suffix: str) -> Series:
    parts = ((letters, PROFESSIONAL[letters]), (number + suffix, "number"))
    return Series("European professional", parts)


def _old_base(letters: str, number: str) -> Series:
    return Series(OLD_BASE, ((letters, OLD_BASES[letters]), (number, "number of the valve")))


def _prewar_german(letters: str, number: str, suffix: str) -> Series:
    current = "18 to 20 V, 180 mA" if number.startswith("18") and len(number) == 4 else "the last figure: heater volts"
    parts = ((letters, PREWAR_GERMAN[letters]), (number, f"heater ({current})"))
    return Series(
        "German of before 1935", (*parts, *([(suffix, "with a diode, or another version")] if suffix else []))
    )


def _british(heater: str, kind: str, number: str, version: str) -> Series:
    parts = ((heater, BRITISH_HEATERS[heater]), (kind, BRITISH_KINDS[kind]), (number, "number"))
    more = ((version, "another version"),) if version else ()
    return Series("British number for television and series strings", (*parts, *more))


def _special(power: str, kind: str, number: str, version: str) -> Series:
    heated = POWERS[min(int(power), 6)]
    parts = ((power, f"{heated} heater power"), (kind, SPECIAL_KINDS[kind]), (number, "order of registration"))
    more = ((version, VERSIONS[version]),) if version else ()
    return Series(SPECIAL, (*parts, *more), power + kind + number, version)


def _power(electrodes: str, cooling: str, watts: str, version: str) -> Series:
    means = {"3": "triode", "4": "tetrode", "5": "pentode"}[electrodes]
    how = {"X": "air-cooled outer anode", "CX": "ceramic, air-cooled outer anode", "": ""}[cooling]
    parts = ((electrodes, means), (cooling, how), (watts, "anode dissipation in W, about"), (version, "version"))
    return Series("power valve by its anode dissipation", tuple(part for part in parts if part[0]))


def _triode(watts: str, letters: str) -> Series:
    mu = {"H": "triode, high mu", "L": "triode, low mu"}.get(letters[1:2], "triode")
    return Series("power valve by its anode dissipation", ((watts, "anode dissipation in W, about"), (letters, mu)))


_SHAPES: Mapping[str, Callable[..., Series]] = {
    f"({'|'.join(PROFESSIONAL)})(1[0-9]{{3}})([A-Z]?)": _professional,
    "(U[VXT]|[CK]X|UZ(?!8|90)|UY(?=[0-9]{3}|24|27|47B|5[67]|76))([0-9]{1,3}[A-Z]{0,2}[0-9]?)": _old_base,
    "(RENS|REN|RES|RE|RGN)([0-9]{2,4})([DN]?)": _prewar_german,
    "([1-5])([BCDEGJK])(2[1-9]|[345][0-9])([ABW]?)": _special,
    "([68])([CD])(2[1-2])([AB]?)": _special,
    "(10|20|30)(C|D|FL|F|K|LD|L|PL|P)([0-9]{1,2})(MR|DD)?": _british,
    "(1|6|12|35)(C|D|F|K|LD|L|P)(1[3-9]|[2-5][0-9])()": _british,
    "([345])(CX|X)([0-9]{2,5})([A-Z]{0,2}[0-9]?)": _power,
    "([345])()(65|125|250|400|500|1000)([A-CZ])": _power,
    "([0-9]{2,4})(T[HLG]?)": _triode,
}
_COMPILED = tuple((re.compile(pattern), told) for pattern, told in _SHAPES.items())


def series(bare: str) -> Series | None:
    """What a name in its normal form says by one of these systems."""
    for shape, told in _COMPILED:
        if match := shape.fullmatch(bare):
            return told(*(part or "" for part in match.groups()))
    return next((Series(system, ((bare, REGISTER),)) for one, system in _NUMBERS if one.fullmatch(bare)), None)


def without_old_base(bare: str) -> str:
    """UX245 and CX345 are the 45, UY76 the 76: the number after letters that tell the base; empty where none do.

    The letters UV tell pins that are no later valve's, so what follows them is not taken for one.
    """
    found = series(bare)
    if not found or found.system != OLD_BASE or found.parts[0][0] == "UV":
        return ""
    return re.sub("^[23](?=[0-9]{2}[A-Z]?$)", "", found.parts[1][0])
