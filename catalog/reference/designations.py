"""What a designation says: the names in a text, the system each follows, and what each part of it means.

The systems are told from memory, as the trade knows them:

- American receiving valves (registered): heater volts, letters in order of registration, useful elements, suffix
- American special-purpose valves: four figures or five in order of registration
- European: a letter for the heater, letters for the systems inside, a number whose first figure tells the base; with
  the number before the letters, a special-quality valve
- Eastern (the Soviet standard of 1950 and later): heater volts, a letter for the kind, a number, a letter for the bulb,
  and after a hyphen letters for the quality
- service numbers, and numbers of telephone administrations and of single makers, which only a register explains
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from itertools import product
from typing import NamedTuple

from catalog.reference.scripts import STANDS_FOR, as_it_looks, normal
from catalog.reference.series import SPECIAL, series, without_old_base


class NamePart(NamedTuple):
    text: str
    meaning: str


class Designation(NamedTuple):
    """`stem` is the name without its suffix, `kind` what it shares with names that differ by heater alone."""

    normal: str
    system: str
    parts: tuple[NamePart, ...]
    stem: str
    suffix: tuple[str, ...] = ()
    kind: str = ""
    heater: tuple[float, str] | None = None  # what the name says of the heater, and its unit: V or A
    bases: frozenset[str] = frozenset()  # where the name tells it
    systems: str = ""  # the letters that tell what is inside, where the name has such


class OtherForm(NamedTuple):
    """Another way to read what was written."""

    normal: str
    why: str


# American suffixes. "Same": the same valve inside, of another outer form or tougher.
SAME = {
    "G": "glass bulb on an octal base",
    "GT": "tubular glass bulb",
    "T": "tubular glass bulb",
    "W": "ruggedised, for the services",
    "WA": "ruggedised, second version",
    "WB": "ruggedised, third version",
    "WC": "ruggedised, fourth version",
    "X": "base of low-loss material",
    "Y": "base of low-loss material",
    "M": "metal-coated",
}
LATER = {
    letter: f"{order} version: replaces the earlier ones, which may not replace it"
    for letter, order in zip("ABCDEF", ("second", "third", "fourth", "fifth", "sixth", "seventh"), strict=True)
}
AMERICAN_SUFFIX = re.compile("(W[ABC]?(?![A-Z]*W)|GT|G|T|X|Y|M|[A-F])")

HEATERS: Mapping[str, tuple[str, tuple[float, str] | None]] = {
    "A": ("4 V heater", (4.0, "V")),
    "B": ("180 mA heater", (0.18, "A")),
    "C": ("200 mA heater", (0.2, "A")),
    "D": ("battery filament, 1.4 V at most", None),
    "E": ("6.3 V heater", (6.3, "V")),
    "F": ("13 V heater", (12.6, "V")),
    "G": ("heater of 5 V or another voltage", None),
    "H": ("150 mA heater", (0.15, "A")),
    "K": ("2 V filament", (2.0, "V")),
    "L": ("450 mA heater", (0.45, "A")),
    "N": ("12.6 V heater", (12.6, "V")),
    "O": ("no heater", None),
    "P": ("300 mA heater, for a series string", (0.3, "A")),
    "U": ("100 mA heater, for a series string", (0.1, "A")),
    "V": ("50 mA heater", (0.05, "A")),
    "X": ("600 mA heater", (0.6, "A")),
    "Y": ("450 mA heater", (0.45, "A")),
}
SYSTEMS = {
    "A": "diode",
    "B": "double diode",
    "C": "triode",
    "D": "output triode",
    "E": "tetrode",
    "F": "pentode",
    "H": "hexode or heptode",
    "K": "octode or heptode",
    "L": "output pentode or beam tetrode",
    "M": "indicator",
    "N": "thyratron",
    "P": "valve with secondary emission",
    "Q": "nonode",
    "T": "counting or beam-deflection valve",
    "W": "gas-filled half-wave rectifier",
    "X": "gas-filled full-wave rectifier",
    "Y": "half-wave rectifier",
    "Z": "full-wave rectifier",
}
NUMBERS = (  # the number of a European name, and the base it tells
    ("1[0-9]|[1-9]", "", frozenset[str]()),
    ("2[0-9]", "loctal or like base", frozenset({"loctal", "B8G"})),
    ("3[0-9]", "octal base", frozenset({"octal"})),
    ("4[0-9]", "rimlock base", frozenset({"B8A"})),
    ("5[0-9]{2}", "magnoval or another special base", frozenset[str]()),
    ("5[0-9]", "special base", frozenset[str]()),
    ("(?:8|18|28|80|81|82|83)[0-9]", "noval base", frozenset({"B9A"})),
    ("(?:9|19)[0-9]", "seven-pin miniature base", frozenset({"B7G"})),
    ("2[0-9]{2}", "decal base", frozenset({"B10B"})),
)

EASTERN_KINDS = {
    "A": "frequency changer",
    "B": "diode-pentode",
    "V": "valve with secondary emission",
    "G": "diode-triode",
    "D": "diode",
    "E": "tetrode, or tuning indicator",
    "ZH": "pentode with a short grid base",
    "I": "triode-hexode or triode-heptode",
    "K": "variable-mu pentode",
    "L": "beam-deflection valve",
    "N": "double triode",
    "P": "output pentode or beam tetrode",
    "R": "double tetrode or pentode",
    "S": "triode",
    "F": "triode-pentode",
    "KH": "double diode",
    "TS": "rectifier",
}
BULBS = {
    "P": ("miniature bulb", frozenset({"B7G", "B9A"})),
    "S": ("glass bulb on an octal base", frozenset({"octal"})),
    "ZH": ("acorn", frozenset[str]()),
    "L": ("loctal base", frozenset({"loctal"})),
    "B": ("subminiature, 10 mm", frozenset[str]()),
    "A": ("subminiature, 6 mm", frozenset[str]()),
    "R": ("subminiature, 4 mm", frozenset[str]()),
    "N": ("nuvistor", frozenset[str]()),
    "K": ("ceramic bulb", frozenset[str]()),
    "D": ("disc seals", frozenset[str]()),
    "": ("metal bulb", frozenset({"octal"})),
}
QUALITIES = {
    "V": "more reliable and stronger",
    "E": "long life",
    "EV": "long life, more reliable",
    "K": "withstands vibration",
    "R": "better than the ordinary grade",
    "ER": "long life, better grade",
    "DR": "long life, better grade",
    "D": "long life",
    "I": "for pulses",
    "VI": "more reliable, for pulses",
    "VR": "more reliable, better grade",
    "M": "modernised",
}
# By system: the suffixes that leave the valve the same. A European one is a maker's own and tells nothing.
HARMLESS = {
    "eastern": frozenset(QUALITIES) - {"I", "VI", "M"},
    "American": frozenset(SAME),
    "American special-purpose": frozenset(SAME),
    SPECIAL: frozenset(SAME),
}

_KIND = "|".join(sorted(EASTERN_KINDS, key=len, reverse=True))
_BULB = "|".join(sorted(filter(None, BULBS), key=len, reverse=True))
_QUALITY = "|".join(sorted(QUALITIES, key=len, reverse=True))
EASTERN = re.compile(f"([0-9]{{1,2}})({_KIND})([0-9]{{1,2}})({_BULB})?({_QUALITY})?")
AMERICAN = re.compile("([0-9]{1,3})([A-Z]{1,3})([0-9]{1,2})([A-Z]*)")
INDUSTRIAL = re.compile("([0-9]{4,5})([A-Z]*)")
OLD_AMERICAN = re.compile("([0-9]{2,3})([A-Z]*)")
EUROPEAN = re.compile(
    "([A-HKLN-PUVXY])([A-FHKLMNPQTWXYZ]{1,3})([0-9]{1,3}|(?<=E[CDF])[128]0[0-9]{2}|(?<=ECC)2000)([A-Z]{0,2})"
)
# Figures after the letters, as in E88CC-01, are a maker's own selection.
EUROPEAN_SPECIAL = re.compile("([A-HKLOPUVXY])([0-9]{2,4})([A-FHKLMNPQTWXYZ]{1,3})(0[1-9])?")
STABILISER = re.compile("(75|83|8[45]|90|9[5]|10[058]|150)([A-E])([1-9])")
BY_REGISTER = (  # systems in which no part means anything: only a register tells what a number is
    ("CV[0-9]{1,5}", "British service number"),
    ("VT[0-9]{1,3}[A-Z]?", "American service number (or an older British one)"),
    ("(?:VR|NR|AR|ARP|ARS|ATP|ATS)[0-9]{1,4}[A-Z]?", "older service number, or a stabiliser by its volts and mA"),
    ("5960[0-9]{9}", "stock number of the allied services"),
    ("M8[0-9]{3}", "British long-life number"),
    ("RV[0-9]+P[0-9]+|(?:LV|LD|RL|LS)[0-9]+[A-Z0-9]*", "German service number"),
    ("[ACDEF][0-9][A-Z]", "number of a telephone administration"),
    ("18[0-9]{3}", "number of a telephone administration"),
    ("[2-7][0-9]{2}A|[345][A-C][0-9]{3}[A-Z]", "number of a telephone maker"),
    ("(?:10E|ZA)[0-9]{1,6}", "stock number of the British services"),
    ("G(?:U|M|I|MI|S)[0-9]{1,3}[A-Z]?", "eastern transmitting number"),
    ("(?:SG|ST)[0-9]{1,3}[PSBK]?[0-9]?", "eastern stabiliser"),
    ("(?:UO|SO|SB|UB|UK|TO|VO|PO|SK)[0-9]{2,3}", "eastern number of before 1950"),
    ("(?:TG|TGI|TKH|MTKH|IN|ITS)[0-9]+[A-Z0-9]*", "eastern gas-filled valve"),
    ("QQE[0-9]{4}", "European transmitting double tetrode: kV and W"),
    ("(?:QQV|QQZ|QE|QV|QB|QY|TB|TY|QEL|QEP|QQC)[0-9]+[A-Z0-9]*", "transmitting valve: kV and W"),
    ("(?:QS|ST[RV])[0-9]{2,5}", "stabiliser by its volts and mA, or a maker's number of one"),
    ("(?:KT|PX|PP|PT|TT|DA|DET|MH|ML|MKT|OS|AC[0-9A-Z]*)[0-9]+[A-Z]*", "number of a British maker's own series"),
    ("(?:[BDHLNPUWXYZ][0-9]{2,3}|[RU][0-9]{1,2})[A-Z]?", "number of a British maker's own series"),
)
_BY_REGISTER = tuple((re.compile(pattern), system) for pattern, system in BY_REGISTER)
_DECIMAL = re.compile("(?<=R[VL][0-9]),(?=[0-9])|(?<=[-/]0),(?=[0-9])", re.IGNORECASE)  # RV2,4P700, TG1-0,1/0,3
_PREFIX = re.compile(
    r"\s*(JAN(?:[\s-]+[A-Z]{2,4}(?=[\s-]))?|USN(?:[\s-]+[A-Z]{2,4}(?=[\s-]))?|MIL|USA|US|NSN)[\s-]+", re.IGNORECASE
)


def names_in(text: str) -> tuple[str, ...]:
    """The names in a text that may hold several for one valve; "6V6GT/G" is one name with either suffix.

    >>> names_in("12AX7/ECC83"), names_in("6V6GT/G"), names_in("JAN-CRP-6SN7WGT (VT-231)")
    (('12AX7', 'ECC83'), ('6V6GT',), ('6SN7WGT', 'VT-231'))
    """
    text = _DECIMAL.sub(".", text)
    if "/" in text and not re.search("[^/A-Z0-9]", text.strip()) and _by_register(normal(text)):  # 5A/102D is one name
        return (text.strip(),)
    wholes = re.split(r"[=,;()|&+]|\s/\s|\s(?:or|=)\s", text)
    pieces = [_PREFIX.sub("", piece).strip() for whole in wholes for piece in _strokes(whole)]
    names = [piece for piece in pieces if any(letter.isdigit() for letter in piece)]
    if not names or any(re.fullmatch("[0-9]{1,2}", piece) for piece in names[1:]):  # VR105/30 is one name
        return (_PREFIX.sub("", text).strip(),)
    return tuple(names)


def _strokes(text: str) -> Iterator[str]:
    """What strokes divide, but for one that belongs to the name; DY86/87 are the DY86 and the DY87."""
    before = ""
    for piece in text.split("/"):
        if before and re.fullmatch("[0-9]{1,3}[A-Z]?", piece.strip()) and (whole := normal(before + piece)):
            if _series(whole) or _by_register(whole):
                before = f"{before}/{piece}"
                continue
            another = re.sub("[0-9].*", "", normal(before)) + piece.strip()
            if piece.strip().isdigit() and _european(normal(before)) and _european(another):
                yield before
                before = another
                continue
        if before:
            yield before
        before = piece
    yield before


@lru_cache(maxsize=16_384)
def understood(name: str) -> Designation:
    """What one name says by the system it follows. A name that follows none has no parts."""
    bare = normal(name)
    if found := next((found for read in READERS if (found := read(bare))), None):
        return found
    likely = re.match("[0-9].*[^J]$", bare)  # -J is the Chinese services' own grade
    readings = (_eastern(one) for one in _eastern_readings(bare) if likely and one.count("G") == bare.count("G"))
    found = next(filter(None, readings), None) or _american_of_a_maker(bare)
    return found or Designation(bare, "", (), bare)


def _stabiliser(name: str) -> Designation | None:
    if not (match := STABILISER.fullmatch(name)):
        return None
    volts, letter, number = match.groups()
    parts = (NamePart(volts, f"holds {volts} V"), NamePart(letter, "range of current"), NamePart(number, "number"))
    return Designation(name, "European stabiliser", parts, name, kind=name)


def _by_register(name: str) -> Designation | None:
    for pattern, system in _BY_REGISTER:
        if pattern.fullmatch(name):
            return Designation(name, system, (NamePart(name, "only a register says which valve it is"),), name)
    return None


def _series(name: str) -> Designation | None:
    if not (found := series(name)):
        return None
    parts, suffix = tuple(NamePart(*part) for part in found.parts), (found.suffix,) if found.suffix else ()
    return Designation(name, found.system, parts, found.stem or name, suffix)


def _eastern(name: str) -> Designation | None:
    if not (match := EASTERN.fullmatch(name)):
        return None
    volts, kind, number, bulb, quality = (part or "" for part in match.groups())
    if not bulb and (quality and quality != "E" and int(number) > 9):  # 6K11B read as 6K11V: metal ones end at 9
        return None
    registered_american = not quality and bulb in ("", "A", "B", "D") and int(number) <= 12 and len(kind) == 1
    if registered_american and AMERICAN.fullmatch(name):
        return None
    parts = [NamePart(volts, f"about {volts} V on the heater"), NamePart(kind, EASTERN_KINDS[kind])]
    parts += [NamePart(number, "number"), NamePart(bulb, BULBS[bulb][0])]
    parts += [NamePart(quality, QUALITIES[quality])] if quality else []
    return Designation(
        name,
        "eastern",
        tuple(part for part in parts if part.text),
        volts + kind + number + bulb,
        (quality,) if quality else (),
        kind + number + bulb,
        _volts(volts),
        BULBS[bulb][1],
        kind,
    )


def _american(name: str) -> Designation | None:
    match = AMERICAN.fullmatch(name)
    suffix = match and suffixes(match[4])
    if not match or suffix is None:
        return None
    volts, letters, number = match.groups()[:3]
    cold = volts == "0"
    parts = (
        NamePart(volts, "cold cathode" if cold else f"about {volts} V on the heater"),
        NamePart(letters, "order of registration"),
        NamePart(number, "useful elements"),
        *_suffix_parts(suffix),
    )
    heater = None if cold or volts in ("1", "7", "14") else _volts(volts)
    return Designation(name, "American", parts, volts + letters + number, suffix, letters + number, heater)


def _special(name: str) -> Designation | None:
    if not (match := EUROPEAN_SPECIAL.fullmatch(name)):
        return None
    heater, number, systems, selection = match.groups()
    means, value = HEATERS[heater]
    base, bases = _base(number)
    parts = (
        NamePart(heater, means),
        NamePart(number, " ".join(filter(None, ["before the letters: special quality;", base or "number"]))),
        *(NamePart(letter, SYSTEMS[letter]) for letter in systems),
        *([NamePart(selection, "a maker's own selection, in no register")] if selection else []),
    )
    stem, own = heater + number + systems, (selection,) if selection else ()
    return Designation(name, "European, special quality", parts, stem, own, systems + number, value, bases, systems)


def _american_of_a_maker(name: str) -> Designation | None:
    """A registered name with letters after it that no register knows: 12AX7EH."""
    if not (match := re.fullmatch("([0-9]{1,3}[A-Z]{1,3}[0-9]{1,2}|[0-9]{4})(GTB?|GC?|W)?([A-Z]{1,4})", name)):
        return None
    known = _american(match[1]) or _industrial(match[1])
    if not known:
        return None
    registered = suffixes(match[2] or "") or ()
    own = NamePart(match[3], "a maker's own suffix, in no register")
    parts = (*known.parts, *_suffix_parts(registered), own)
    return known._replace(normal=name, parts=parts, suffix=(*registered, match[3]))


def _european(name: str) -> Designation | None:
    if not (match := EUROPEAN.fullmatch(name)):
        return None
    heater, systems, number, rest = match.groups()
    means, value = HEATERS[heater]
    base, bases = _base(number)
    parts = (
        NamePart(heater, means),
        *(NamePart(letter, SYSTEMS[letter]) for letter in systems),
        NamePart(number, base or "number"),
        *([NamePart(rest, "a maker's own suffix, in no register")] if rest else []),
    )
    stem = heater + systems + number
    return Designation(name, "European", parts, stem, (rest,) if rest else (), systems + number, value, bases, systems)


def _industrial(name: str) -> Designation | None:
    match = INDUSTRIAL.fullmatch(name)
    suffix = match and suffixes(match[2])
    if not match or suffix is None:
        return None
    parts = (NamePart(match[1], "order of registration, often a special-quality valve"), *_suffix_parts(suffix))
    return Designation(name, "American special-purpose", parts, match[1], suffix, match[1])


def _old_american(name: str) -> Designation | None:
    match = OLD_AMERICAN.fullmatch(name)
    suffix = match and suffixes(match[2])
    if not match or suffix is None:
        return None
    parts = (NamePart(match[1], "number without a system, before 1933 or a maker's own"), *_suffix_parts(suffix))
    return Designation(name, "old American", parts, match[1], suffix, match[1])


READERS = (_stabiliser, _by_register, _series, _eastern, _american, _special, _european, _industrial, _old_american)


def suffixes(text: str) -> tuple[str, ...] | None:
    """The registered suffixes in these letters; None where others are among them.

    >>> suffixes("WGTA"), suffixes("GTB"), suffixes("WA"), suffixes("SE")
    (('W', 'GT', 'A'), ('GT', 'B'), ('WA',), None)
    """
    found = AMERICAN_SUFFIX.findall(text)
    return tuple(found) if "".join(found) == text else None


def _suffix_parts(suffix: tuple[str, ...]) -> tuple[NamePart, ...]:
    return tuple(NamePart(one, SAME.get(one) or LATER[one]) for one in suffix)


def _volts(figures: str) -> tuple[float, str]:
    """The nominal voltage behind rounded figures: 6 is 6.3 V, 12 is 12.6 V."""
    return {"6": 6.3, "12": 12.6}.get(figures, float(figures)), "V"


def _base(number: str) -> tuple[str, frozenset[str]]:
    return next(((words, bases) for shape, words, bases in NUMBERS if re.fullmatch(shape, number)), ("", frozenset()))


def other_forms(name: str) -> Iterator[OtherForm]:
    """How else the letters may be meant, the likeliest first: never another valve, only another spelling."""
    bare = normal(name)
    if (looks := as_it_looks(name)) != bare:
        yield OtherForm(looks, "Cyrillic letters taken for the Latin ones they look like")
    for nought in dict.fromkeys((re.sub("^O(?=[A-Z][0-9])", "0", bare), re.sub("(?<=[0-9])O|O(?=[0-9])", "0", bare))):
        if nought != bare:
            yield OtherForm(nought, "the letter O taken for a nought")
    if milliamperes := re.fullmatch("(VR[0-9]{2,3}?)([34]0)", bare):
        yield OtherForm(milliamperes[1], f"{milliamperes[2]} is the current in mA")
    if (one := re.sub("^[IL](?=[0-9][A-Z])|(?<=[A-Z0-9])[I](?=[0-9])", "1", bare)) != bare:
        yield OtherForm(one, "the letter I taken for a one")
    if mixed := _latin_among_cyrillic(name):
        yield OtherForm(mixed, f"Latin letters taken for the Cyrillic ones they look like, {mixed}")
    if re.match("[0-9]", bare) or bare.startswith(("G", "Y")):
        for meant in _eastern_readings(bare):
            yield OtherForm(meant, f"Latin letters taken for Cyrillic ones, {meant}")
    if re.match("[0-9].*n", name):
        for meant in _eastern_readings(normal(name.replace("n", "P"))):
            yield OtherForm(meant, f"a small n taken for a Cyrillic п, {meant}")
    if stock := re.fullmatch("596099000([0-9]{4})", bare):
        yield OtherForm(f"CV{int(stock[1])}", f"the stock number of the CV{int(stock[1])}")
    if based := without_old_base(bare):
        yield OtherForm(based, f"{bare[:2]} tells the base")
    of_a_maker = "maker" in (system := understood(bare).system) or not system or "thyratron by" in system
    if of_a_maker and (number := re.fullmatch("[A-Z]{2}([0-9]{3}[A-Z]|[0-9]{4}[A-Z]{0,2})", bare)):
        yield OtherForm(number[1], f"the letters {bare[:2]} before the number taken for a maker’s own")


def _latin_among_cyrillic(name: str) -> str:
    """CГ15П typed with a Latin C is СГ15П; nothing where there is one alphabet."""
    if not re.search("[А-Яа-я]", name) or not re.search("[A-Za-z]", name):
        return ""
    return normal(name.upper().translate(str.maketrans("ABCEHKMOPTXY", "АВСЕНКМОРТХУ")))


def _eastern_readings(bare: str) -> Iterator[str]:
    """6H1P is 6N1P, 5C4S may be 5S4S or 5Ts4S. Only what has the shape of an eastern name."""
    choices = [(letter, *STANDS_FOR.get(letter, ())) for letter in bare]
    if len(bare) > 9 or not 0 < sum(len(choice) > 1 for choice in choices) <= 6:
        return
    readings = ("".join(letters) for letters in product(*choices))
    yield from (
        one for one in dict.fromkeys(readings) if one != bare and (EASTERN.fullmatch(one) or _transmitting(one))
    )


def _transmitting(name: str) -> bool:
    found = _by_register(name)
    return bool(found and found.system.startswith("eastern"))


def what_differs(asked: Designation, other: Designation) -> tuple[bool, tuple[str, ...]]:
    """Whether the suffixes of two names of one stem leave the valve the same, and what each says."""
    mine = [one for one in asked.suffix if one not in other.suffix]
    theirs = [one for one in other.suffix if one not in asked.suffix]
    meanings = {
        **{part.text: part.meaning for part in other.parts},
        **{part.text: part.meaning for part in asked.parts},
    }
    said = [f"{one}: {meanings[one]}" for one in mine]
    said += [f"{other.normal} has {one}: {meanings[one]}" for one in theirs]
    harmless = HARMLESS.get(asked.system, frozenset())
    return all(one in harmless for one in (*mine, *theirs)), tuple(said)
