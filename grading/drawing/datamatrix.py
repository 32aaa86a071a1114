"""Data Matrix ECC 200: from text to the square of dark and light modules.

Follows ISO/IEC 16022 (from memory: the text was not at hand): ASCII encodation with digit pairs, padding by the
253-state rule, Reed-Solomon over GF(256) with polynomial 0x12D, and the module placement of its annex F. Sizes
go up to 48 x 48, the largest whose check words form one block. tests/outside/test_symbols_decode.py reads the
symbols of every size back with an independent decoder.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

Matrix = tuple[tuple[bool, ...], ...]


class Size(NamedTuple):
    """`side` modules with the finder; `regions` along each side; words of data and of error correction."""

    side: int
    regions: int
    data: int
    check: int

    @property
    def mapping(self) -> int:
        """Modules along a side that carry data, over all regions."""
        return self.side - 2 * self.regions


SIZES = tuple(
    Size(*row)
    for row in (
        (10, 1, 3, 5),
        (12, 1, 5, 7),
        (14, 1, 8, 10),
        (16, 1, 12, 12),
        (18, 1, 18, 14),
        (20, 1, 22, 18),
        (22, 1, 30, 20),
        (24, 1, 36, 24),
        (26, 1, 44, 28),
        (32, 2, 62, 36),
        (36, 2, 86, 42),
        (40, 2, 114, 48),
        (44, 2, 144, 56),
        (48, 2, 174, 68),
    )
)


class TooLong(ValueError):
    """The text does not fit the largest symbol."""


def data_matrix(text: str) -> Matrix:
    """Rows from the top, True for dark, without the quiet zone (which is one module wide).

    Raises:
        TooLong: the text needs a larger symbol than there is.
        UnicodeEncodeError: the text is not ASCII.
    """
    words = _ascii_words(text)
    size = next((size for size in SIZES if size.data >= len(words)), None)
    if size is None:
        raise TooLong(f"A Data Matrix symbol of {SIZES[-1].side} modules cannot hold “{text}”.")
    data = _padded(words, size.data)
    return _framed(_placed(data + _check_words(data, size.check), size.mapping), size)


def _ascii_words(text: str) -> list[int]:
    """Two digits make one word, 130 up; other characters one each, their code plus one.

    >>> _ascii_words("A10")
    [66, 140]
    """
    codes = text.encode("ascii")
    words = []
    at = 0
    while at < len(codes):
        if codes[at : at + 2].isdigit() and at + 1 < len(codes):
            words.append(130 + int(codes[at : at + 2]))
            at += 2
        else:
            words.append(codes[at] + 1)
            at += 1
    return words


def _padded(words: list[int], length: int) -> list[int]:
    padded = list(words)
    if len(padded) < length:
        padded.append(129)
    while len(padded) < length:
        pad = 129 + (149 * (len(padded) + 1)) % 253 + 1
        padded.append(pad if pad <= 254 else pad - 254)
    return padded


def _powers() -> list[int]:
    value, powers = 1, []
    for _ in range(255):
        powers.append(value)
        value <<= 1
        if value > 255:
            value ^= 0x12D
    return powers


_EXP = _powers()
_LOG = {value: power for power, value in enumerate(_EXP)}


def _times(a: int, b: int) -> int:
    return 0 if not (a and b) else _EXP[(_LOG[a] + _LOG[b]) % 255]


def _check_words(data: list[int], count: int) -> list[int]:
    """The remainder of the data by the generator with the roots 2^1 ... 2^count."""
    generator = [1]  # coefficients, highest power first
    for power in range(1, count + 1):
        root = _EXP[power]
        generator = [high ^ _times(low, root) for high, low in zip([*generator, 0], [0, *generator], strict=True)]
    rest = [0] * count
    for word in data:
        factor = word ^ rest[0]
        rest = [low ^ _times(factor, g) for low, g in zip([*rest[1:], 0], generator[1:], strict=True)]
    return rest


# Where the eight modules of a word lie, highest bit first, from its anchor: the ordinary shape, and the four
# shapes that close a corner (rows and columns below nought count from the far edge).
_ORDINARY = ((-2, -2), (-2, -1), (-1, -2), (-1, -1), (-1, 0), (0, -2), (0, -1), (0, 0))
_CORNERS = (
    ((-1, 0), (-1, 1), (-1, 2), (0, -2), (0, -1), (1, -1), (2, -1), (3, -1)),
    ((-3, 0), (-2, 0), (-1, 0), (0, -4), (0, -3), (0, -2), (0, -1), (1, -1)),
    ((-3, 0), (-2, 0), (-1, 0), (0, -2), (0, -1), (1, -1), (2, -1), (3, -1)),
    ((-1, 0), (-1, -1), (0, -3), (0, -2), (0, -1), (1, -3), (1, -2), (1, -1)),
)


def _corner_at(row: int, column: int, side: int) -> int | None:
    if row == side and column == 0:
        return 0
    if row == side - 2 and column == 0 and side % 4:
        return 1
    if row == side - 2 and column == 0 and side % 8 == 4:
        return 2
    if row == side + 4 and column == 2 and side % 8 == 0:
        return 3
    return None


def _anchors(side: int, taken: dict[tuple[int, int], bool]) -> Iterator[tuple[int, int] | int]:
    """The diagonal walk over the mapping matrix: an anchor for each ordinary word, a number for a corner's.

    Reads `taken` as it goes, so each word must be placed before the next is asked for.
    """
    row, column = 4, 0
    while row < side or column < side:
        corner = _corner_at(row, column, side)
        if corner is not None:
            yield corner
        while True:  # up and to the right
            if row < side and column >= 0 and (row, column) not in taken:
                yield row, column
            row, column = row - 2, column + 2
            if row < 0 or column >= side:
                break
        row, column = row + 1, column + 3
        while True:  # down and to the left
            if row >= 0 and column < side and (row, column) not in taken:
                yield row, column
            row, column = row + 2, column - 2
            if row >= side or column < 0:
                break
        row, column = row + 3, column + 1


def _placed(words: list[int], side: int) -> list[list[bool]]:
    """The mapping matrix, `side` square."""
    modules: dict[tuple[int, int], bool] = {}
    wrap = 4 - (side + 4) % 8
    for word, anchor in zip(words, _anchors(side, modules), strict=True):
        shape = _CORNERS[anchor] if isinstance(anchor, int) else _ORDINARY
        for bit, (down, right) in enumerate(shape):
            if isinstance(anchor, int):
                row, column = down % side, right % side
            else:
                row, column = anchor[0] + down, anchor[1] + right
                if row < 0:
                    row, column = row + side, column + wrap
                if column < 0:
                    row, column = row + wrap, column + side
            modules[row, column] = bool(word >> (7 - bit) & 1)
    last = side - 1  # where no word reaches the last corner, a fixed pattern fills it
    modules.setdefault((last, last), True)
    modules.setdefault((last - 1, last - 1), True)
    return [[modules.get((row, column), False) for column in range(side)] for row in range(side)]


def _framed(mapping: list[list[bool]], size: Size) -> Matrix:
    """Each region with its solid left and bottom edge and its alternating top and right edge."""
    inner = size.mapping // size.regions
    block = inner + 2

    def module(row: int, column: int) -> bool:
        r, c = row % block, column % block
        if c == 0 or r == block - 1:
            return True
        if r == 0:
            return c % 2 == 0
        if c == block - 1:
            return r % 2 == 1
        return mapping[row // block * inner + r - 1][column // block * inner + c - 1]

    return tuple(tuple(module(row, column) for column in range(size.side)) for row in range(size.side))
