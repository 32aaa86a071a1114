"""The letters of designations: one form for comparing, and what letters of two alphabets are taken for each other.

The transliteration is the usual one of the trade, from memory: 6Ж32П is 6Zh32P, 5Ц4С is 5Ts4S.
"""

from __future__ import annotations

import re
import unicodedata

_LETTERS = "АБВГДЕЁЖЗИЙКЛМНОПРСТУФХЦЧШЩЫЭЮЯІЇЄҐ"
_LATIN = "A B V G D E E ZH Z I I K L M N O P R S T U F KH TS CH SH SHCH Y E YU YA I I E G"
_CYRILLIC = str.maketrans({**dict(zip(_LETTERS, _LATIN.split(), strict=True)), "Ъ": "", "Ь": ""})

# Letters that look alike in print: a Latin name typed on a Cyrillic keyboard.
_LOOK = str.maketrans(dict(zip("АВЕКМНОРСТХУІ", "ABEKMHOPCTXYI", strict=True)))

# What a Latin letter in an eastern name may stand for besides itself: by its look, or in another transliteration.
STANDS_FOR = {
    "H": ("N", "KH"),
    "C": ("S", "TS"),
    "X": ("KH",),
    "J": ("ZH",),
    "Z": ("ZH", "TS"),
    "Q": ("ZH",),
    "Y": ("U",),
    "W": ("V",),
    "B": ("V",),
    "P": ("R",),
    "G": ("ZH",),
    "U": ("TS",),
    "3": ("Z",),
}

_ELECTROMETER = re.compile("^ЭМ(?=[0-9])")


def _plain(designation: str) -> str:
    capitals = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", designation).upper())
    return "".join(letter for letter in capitals if letter.isalnum())


def normal(designation: str) -> str:
    """The designation in capital Latin letters and digits, without spaces, hyphens, strokes and points.

    An electrometer valve ЭМ-4 is not the indicator EM4, so its first letter is told apart.

    >>> normal("6p3s-e") == normal("6П3С-Е") == normal("6P3S E")
    True
    >>> normal("ГУ-50"), normal("VR105/30"), normal("ЭМ-4"), normal("EM4")
    ('GU50', 'VR10530', 'EHM4', 'EM4')
    """
    return _ELECTROMETER.sub("EHM", _plain(designation)).translate(_CYRILLIC)


def as_it_looks(designation: str) -> str:
    """The same with every Cyrillic letter taken for the Latin one that it looks like.

    >>> as_it_looks("ЕСС83"), as_it_looks("12АХ7")
    ('ECC83', '12AX7')
    """
    return _ELECTROMETER.sub("EHM", _plain(designation)).translate(_LOOK).translate(_CYRILLIC)
