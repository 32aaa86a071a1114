"""Symbols a scanner reads, drawn as vectors with their quiet zones kept free.

Quiet zones are those of the standards: ten modules beside a Code 128 (ISO/IEC 15417), four around a QR code
(ISO/IEC 18004), one around a Data Matrix (ISO/IEC 16022), of which we leave two; all from memory.

A thermal printer can only burn whole dots. A module that is not a whole number of them comes out one dot wide
here and two there, so modules are whole dots at the printer's resolution. How small they may be, the stock says.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from reportlab.graphics.barcode.code128 import Code128
from reportlab.graphics.barcode.qrencoder import QRCode, QRErrorCorrectLevel
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from grading.drawing.datamatrix import Matrix, TooLong, data_matrix
from stockroom.pure.refused import Refused

DOTS_203 = 8.0  # dots to the mm of a printer sold as 203 dpi
DOTS_300 = 300 / 25.4  # and of one sold as 300 dpi; office printers have 300, 600 or 1200
BARS_QUIET = 10  # modules
QR_LETTERS = frozenset("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:")
MOST_QR_LETTERS = 3900  # of that alphabet, in version 38: the encoder knows nothing larger than 39, and that not well


class SymbolKind(StrEnum):
    QR = "qr"
    DATA_MATRIX = "datamatrix"


class Bars(NamedTuple):
    """Dark runs as (start, width), and the whole width, in modules; quiet zones not included."""

    runs: tuple[tuple[int, int], ...]
    modules: int


class Square(NamedTuple):
    """Rows from the top, True for dark; `quiet` modules stay free on every side."""

    rows: Matrix
    quiet: int

    @property
    def modules(self) -> int:
        return len(self.rows)


class CannotEncode(Refused):
    """The text cannot be put in such a symbol, or not in the room there is."""


def code128(text: str) -> Bars:
    """The shortest Code 128 of an ASCII text: pairs of digits take one character.

    >>> code128("10000012").modules  # start, four pairs, check, stop
    79
    """
    symbol = Code128(text, quiet=False)
    symbol.validate()
    if not text or not symbol.valid:
        raise CannotEncode(f"“{text}” cannot be printed as Code 128.")
    symbol.encode()
    runs, at = [], 0
    for letter in symbol.decompose():  # a capital is a bar, a small letter a space, A to D their widths
        width = ord(letter.lower()) - ord("a") + 1
        if letter.isupper():
            runs.append((at, width))
        at += width
    return Bars(tuple(runs), at)


def square(text: str, kind: SymbolKind) -> Square:
    """The smallest symbol of this kind that holds the text; a QR code corrects as much as that size allows.

    Raises:
        CannotEncode: the text is not plain ASCII, or too long.
    """
    if not text or not text.isascii():
        raise CannotEncode(f"“{text}” cannot be put in a square symbol: only plain letters, digits and signs can.")
    if kind is SymbolKind.DATA_MATRIX:
        try:
            return Square(data_matrix(text), quiet=2)
        except TooLong as problem:
            raise CannotEncode(str(problem)) from problem
    if len(text) > 250:
        raise CannotEncode(f"“{text}” is too long for a QR code on a label.")
    return Square(_qr(text), quiet=4)


def large_qr(text: str) -> Square:
    """A QR code for paper that has room for it, as large as the text needs.

    Raises:
        CannotEncode: it has other signs than a QR code's own alphabet (ISO/IEC 18004, alphanumeric mode), or too many.
    """
    if not text or not QR_LETTERS.issuperset(text):
        raise CannotEncode("Only capitals, digits and a few signs can be put in so large a square symbol.")
    if len(text) > MOST_QR_LETTERS:
        raise CannotEncode(f"{len(text)} letters are too many for a QR code: it holds {MOST_QR_LETTERS} at most.")
    return Square(_qr(text), quiet=4)


@lru_cache(maxsize=4096)
def _qr(text: str) -> Matrix:
    codes = []
    for level in (QRErrorCorrectLevel.L, QRErrorCorrectLevel.M, QRErrorCorrectLevel.Q, QRErrorCorrectLevel.H):
        code = QRCode(None, level)
        code.addData(text)
        code.version = code.calculate_version()
        codes.append(code)
    strongest = max((code for code in codes if code.version == codes[0].version), key=codes.index)
    strongest.make()
    return tuple(tuple(bool(module) for module in row) for row in strongest.modules)


def module_sizes(dots_per_mm: float, least_mm: float, most_mm: float) -> Iterator[float]:
    """Module widths in mm that are whole dots, from the largest up to `most_mm` down to `least_mm`.

    >>> [round(size, 3) for size in module_sizes(DOTS_300, 0.25, 0.4)]
    [0.339, 0.254]
    """
    dots = int(most_mm * dots_per_mm + 1e-9)
    while dots / dots_per_mm >= least_mm - 1e-9:
        yield dots / dots_per_mm
        dots -= 1


def draw_bars(canvas: Canvas, x_mm: float, y_mm: float, bars: Bars, module_mm: float, height_mm: float) -> None:
    """The lower left corner of the first bar is at (x, y); ten modules on either side are the caller's to keep."""
    path = canvas.beginPath()
    for start, width in bars.runs:
        path.rect((x_mm + start * module_mm) * mm, y_mm * mm, width * module_mm * mm, height_mm * mm)
    _fill(canvas, path)


def draw_square(canvas: Canvas, x_mm: float, y_mm: float, symbol: Square, module_mm: float) -> None:
    """The lower left corner of the modules is at (x, y); the quiet zone is the caller's to keep."""
    path = canvas.beginPath()
    step = module_mm * mm
    top = y_mm * mm + symbol.modules * step
    for down, row in enumerate(symbol.rows, start=1):
        for start, width in _runs(row):
            path.rect(x_mm * mm + start * step, top - down * step, width * step, step)
    _fill(canvas, path)


def _runs(row: tuple[bool, ...]) -> Iterator[tuple[int, int]]:
    start: int | None = None
    for at, dark in enumerate((*row, False)):
        if dark and start is None:
            start = at
        elif not dark and start is not None:
            yield start, at - start
            start = None


def _fill(canvas: Canvas, path: object) -> None:
    """All of a symbol is one path, so that no renderer leaves a hair of light between its rows."""
    canvas.saveState()
    canvas.setFillGray(0)
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.restoreState()
