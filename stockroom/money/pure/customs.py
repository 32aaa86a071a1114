"""What customs are told of goods, from the shop's own rules: the nearest rule that says something, field by field."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

# Harmonized System 2022, heading 8540: "Thermionic, cold cathode or photo-cathode valves and tubes (for example, vacuum
# or vapour or gas filled valves and tubes, …)"; its wording as customs tariffs print it.
HEADING = "8540"
WHAT = "Electron valves (vacuum tubes)"


class CustomsWords(NamedTuple):
    """Of one kind of goods; what is empty is not known."""

    what: str = ""
    material: str = ""
    hs_code: str = ""
    origin: str = ""


class GoodsRule(NamedTuple):
    """A rule for a type, a maker's goods, both, or (with neither) all."""

    type: int | None
    maker: int | None
    words: CustomsWords


def told_of(rules: Iterable[GoodsRule], type: int, maker: int | None) -> CustomsWords:
    """A rule for type and maker comes before one for the maker, that before one for the type, that before one for all.

    >>> everything = GoodsRule(None, None, CustomsWords("Valves", "glass", "8540"))
    >>> rules = [everything, GoodsRule(7, None, CustomsWords(hs_code="8540.81")),
    ...     GoodsRule(None, 3, CustomsWords(origin="Ruritania"))]
    >>> told_of(rules, 7, 3)
    CustomsWords(what='Valves', material='glass', hs_code='8540.81', origin='Ruritania')
    >>> told_of([], 7, None)
    CustomsWords(what='Electron valves (vacuum tubes)', material='', hs_code='8540', origin='')
    """
    fit = [one for one in rules if one.type in (None, type) and one.maker in (None, maker)]
    fit.sort(key=lambda one: (one.maker is None, one.type is None))
    found = (next((value for one in fit if (value := getattr(one.words, name))), "") for name in CustomsWords._fields)
    said = CustomsWords(*found)
    return said._replace(what=said.what or WHAT, hs_code=said.hs_code or HEADING)
