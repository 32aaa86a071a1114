"""What every paper shares: fonts that go into the file, colours, units, and text made to fit its room."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any, BinaryIO

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate

from grading.drawing.faces import BOLD as BOLD
from grading.drawing.faces import SANS as SANS

INK = HexColor("#1c2430")
SOFT = HexColor("#56606c")
DEEP = HexColor("#14535a")
RULE = HexColor("#b9b4a8")
SHADE = HexColor("#f3f1ea")
WARN = HexColor("#8a5300")
WARN_PAPER = HexColor("#fff5df")
BAD = HexColor("#a02020")


def open_canvas(
    file: BinaryIO, width_mm: float, height_mm: float, *, title: str, author: str, subject: str, on: date
) -> Canvas:
    """A canvas that embeds its fonts. `on` is the only date in the file, so equal data give equal bytes."""
    canvas = Canvas(
        file, (width_mm * mm, height_mm * mm), invariant=1, pageCompression=1, lang="en-GB", initialFontName=SANS
    )
    canvas.setTitle(title)
    canvas.setAuthor(author)
    canvas.setSubject(subject)
    canvas.setCreator(author)
    _date(canvas, on)
    return canvas


def _date(canvas: Canvas, on: date) -> None:
    canvas.setDateFormatter(lambda *_: f"D:{on:%Y%m%d}")


def open_document(file: BinaryIO, *, title: str, author: str, subject: str) -> BaseDocTemplate:
    """The same for an A4 paper of several pages; build it with `NumberedCanvas.maker`."""
    return BaseDocTemplate(
        file,
        pagesize=A4,
        invariant=1,
        pageCompression=1,
        lang="en-GB",
        initialFontName=SANS,
        title=title,
        author=author,
        subject=subject,
        creator=author,
    )


class NumberedCanvas(Canvas):  # type: ignore[misc]  # reportlab is untyped
    """Holds the pages back until their number is known, then writes the foot of each."""

    foot = ""
    _held: list[dict[str, Any]]

    @classmethod
    def maker(cls, foot: str, on: date) -> Callable[..., NumberedCanvas]:
        """What a document template asks for as its canvasmaker. `on` is the only date in the file."""

        def make(*args: Any, **kwargs: Any) -> NumberedCanvas:
            canvas = cls(*args, **kwargs)
            _date(canvas, on)
            canvas.foot = foot
            canvas._held = []
            return canvas

        return make

    def showPage(self) -> None:
        self._held.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        pages, foot, edge = self._held, self.foot, 15.0
        room = self._pagesize[0] / mm - 2 * edge
        for page, state in enumerate(pages, start=1):
            self.__dict__.update(state)
            self.setFillColor(SOFT)
            draw_text(self, edge, 9, foot, width_mm=room - 25, size=7.5)
            words = f"page {page} of {len(pages)}"
            draw_text(self, edge + room, 9, words, width_mm=25, size=7.5, align="right")
            super().showPage()
        super().save()


def fitted(text: str, font: str, size: float, width_mm: float, least: float) -> tuple[str, float]:
    """The text and the size, in points, at which it is at most `width_mm` wide.

    It shrinks from `size` to `least` and is only then cut, with an ellipsis.
    """
    room = width_mm * mm
    wide = pdfmetrics.stringWidth(text, font, size)
    if wide <= room:
        return text, size
    if wide * least / size <= room:
        return text, size * room / wide
    while text and pdfmetrics.stringWidth(f"{text}…", font, least) > room:
        text = text[:-1]
    return f"{text.rstrip()}…" if text else "", least


def draw_text(
    canvas: Canvas,
    x_mm: float,
    y_mm: float,
    text: str,
    *,
    width_mm: float,
    size: float,
    font: str = SANS,
    least: float = 4.0,
    align: str = "left",
) -> float:
    """One line with its baseline at `y_mm`, from `x_mm` ("left"), up to it ("right") or about it ("centre").

    Returns the width used, in mm.
    """
    text, size = fitted(text, font, size, width_mm, least)
    used: float = pdfmetrics.stringWidth(text, font, size) / mm
    left = x_mm - used * {"left": 0.0, "centre": 0.5, "right": 1.0}[align]
    canvas.setFont(font, size)
    canvas.drawString(left * mm, y_mm * mm, text)
    return used
