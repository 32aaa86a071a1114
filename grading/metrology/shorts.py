"""Where a section is shorted, as a person types it in passing.

Nothing, "no", "none", "ok" and a dash mean no short, "yes" or "x" a short somewhere, also in the languages that
headings of files are known in; "h-k", "hk" or "g1/g2" the electrodes, by the letters of the valve symbols; anything
else is kept as it was written.
"""

from __future__ import annotations

import re
from typing import NamedTuple

NONE = {"", "-", "–", "—", "0", "n", "no", "none", "ok", "false", "n/a"}
NONE |= {"nein", "kein", "keine", "keiner", "non", "aucun", "ninguno", "нет"}  # in the languages of headings
SOMEWHERE = {"1", "y", "yes", "x", "short", "shorted", "shorts", "true", "ja", "oui", "sí", "si", "да"}
SPOKEN = {
    "a": "anode",
    "p": "anode",
    "k": "cathode",
    "h": "heater",
    "f": "filament",
    "s": "shield",
    "g": "grid",
    "g1": "grid 1",
    "g2": "screen",
    "g3": "suppressor",
}
_CODES = sorted(SPOKEN, key=len, reverse=True)
_PAIR = re.compile(rf"({'|'.join(_CODES)})[-–/+, ]*({'|'.join(_CODES)})")


class Short(NamedTuple):
    shorted: bool
    between: str = ""


def read_short(text: str) -> Short:
    """
    >>> read_short("hk").between, read_short("g1-g2").between, read_short("heater to shell").between
    ('heater and cathode', 'grid 1 and screen', 'heater to shell')
    >>> read_short("none").shorted, read_short("yes")
    (False, Short(shorted=True, between=''))
    """
    said = text.strip()
    plain = said.casefold()
    if plain in NONE:
        return Short(False)
    if plain in SOMEWHERE:
        return Short(True)
    pair = _PAIR.fullmatch(plain)
    if pair:
        return Short(True, f"{SPOKEN[pair[1]]} and {SPOKEN[pair[2]]}")
    return Short(True, said)
