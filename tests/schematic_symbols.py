"""Read the symbols of a KiCad symbol library (the .kicad_sym file, format version 6), no more than the checks need.

    find_library(name)     the installed library, or None
    read_symbols(path)     {symbol name: {pin number: {(unit, pin name), ...}}}

A unit is one body of a symbol drawn apart: a section of the valve, or its heater. A symbol that extends another
has the pins of that other.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

Expression = str | list["Expression"]
Pins = dict[str, set[tuple[int, str]]]

SHARES = ("/usr/share/kicad/symbols", "/usr/share/kicad/library", "/usr/local/share/kicad/symbols")


def find_library(name: str) -> Path | None:
    return next((path for share in SHARES if (path := Path(share) / name).is_file()), None)


def parse(text: str) -> Expression:
    """
    >>> parse('(pin (name "G" 1))')
    ['pin', ['name', 'G', '1']]
    """
    tokens = iter(re.findall(r'"(?:\\.|[^"\\])*"|[()]|[^\s()"]+', text))
    if next(tokens) != "(":
        raise ValueError("an S-expression opens with a bracket")
    return _rest(tokens)


def _rest(tokens: Iterator[str]) -> Expression:
    items: list[Expression] = []
    for token in tokens:
        if token == "(":
            items.append(_rest(tokens))
        elif token == ")":
            return items
        else:
            items.append(token[1:-1] if token.startswith('"') else token)
    raise ValueError("a bracket is not closed")


def read_symbols(path: Path) -> dict[str, Pins]:
    symbols = {_word(symbol, 1): symbol for symbol in _children(parse(path.read_text(encoding="utf-8")), "symbol")}
    parents = {
        name: _word(extends[0], 1) for name, symbol in symbols.items() if (extends := _children(symbol, "extends"))
    }
    return {name: _pins(symbols[parents.get(name, name)]) for name in symbols}


def _pins(symbol: Expression) -> Pins:
    pins: Pins = {}
    for body in _children(symbol, "symbol"):
        unit = int(_word(body, 1).split("_")[-2])  # "EL84_2_1": unit 2, style 1
        for pin in _children(body, "pin"):
            number, name = (_word(_children(pin, key)[0], 1) for key in ("number", "name"))
            pins.setdefault(number, set()).add((unit, name))
    return pins


def _children(expression: Expression, tag: str) -> list[Expression]:
    return [item for item in expression if isinstance(item, list) and item and item[0] == tag]


def _word(expression: Expression, position: int) -> str:
    word = expression[position]
    if not isinstance(word, str):
        raise ValueError(f"a word was expected in {expression!r}")
    return word
