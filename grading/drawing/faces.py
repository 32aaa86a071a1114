"""The faces that go into every paper. What they cannot write is refused by name: no paper ever shows an empty box."""

from __future__ import annotations

import unicodedata
from pathlib import Path
from typing import Any

from reportlab.lib.fonts import addMapping
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from stockroom.pure.refused import CannotPrint
from stockroom.pure.written import fitted

SANS = "LiberationSans"
BOLD = "LiberationSans-Bold"
_INVISIBLE = "\N{SOFT HYPHEN}\N{THIN SPACE}\t\n"  # some faces have a form for them all the same
NAMED = 8  # signs named one by one in a refusal


class CoveringFace(TTFont):  # type: ignore[misc]  # reportlab is untyped
    """A face that refuses what it has no glyph for. All that is drawn on any paper, by whatever means, passes here."""

    def splitString(self, text: Any, doc: Any, encoding: str = "utf-8") -> Any:
        if isinstance(text, bytes):
            text = text.decode(encoding)
        return super().splitString(self._printable(text), doc, encoding)

    def _printable(self, text: str) -> str:
        """With any kind of space as a space, and without what has no form of its own, such as a soft hyphen."""
        if text.isascii() and text.isprintable():
            return text
        known = self.face.charToGlyph
        found = "".join(sign if ord(sign) in known and sign not in _INVISIBLE else _as_good(sign) for sign in text)
        wrong = (sign for sign in found if sign != " " and (ord(sign) not in known or _runs_leftwards(sign)))
        if missing := dict.fromkeys(wrong):
            raise CannotPrint(why_not(found, list(missing)))
        return found


def _as_good(sign: str) -> str:
    """What stands for a sign that the face lacks and that loses nothing by it; else the sign itself."""
    kind = unicodedata.category(sign)
    if kind == "Cf":
        return ""
    if kind in ("Zs", "Zl", "Zp", "Cc"):
        return " "
    return "-" if kind == "Pd" else sign


def _runs_leftwards(sign: str) -> bool:
    """Hebrew and Arabic letters, which would come out back to front here."""
    return unicodedata.bidirectional(sign) in ("R", "AL")


def why_not(text: str, missing: list[str]) -> str:
    """
    >>> why_not("北京", ["北", "京"])
    '“北京” cannot be printed: the papers have no letters for 北 京. Write it in Latin, Greek or Cyrillic letters.'
    """
    signs = " ".join(missing[:NAMED]) + (" …" if len(missing) > NAMED else "")
    return (
        f"“{fitted(text.strip(), 60)}” cannot be printed: the papers have no letters for {signs}. "
        "Write it in Latin, Greek or Cyrillic letters."
    )


for _name, _file in ((SANS, "LiberationSans-Regular.ttf"), (BOLD, "LiberationSans-Bold.ttf")):
    pdfmetrics.registerFont(CoveringFace(_name, Path(__file__).parent / "fonts" / _file))
addMapping(SANS, 0, 0, SANS)
addMapping(SANS, 1, 0, BOLD)
