"""Pictures for the demonstration: outlines of valves, plainly drawn, the same every time."""

from __future__ import annotations

import io
from collections.abc import Collection

from PIL import Image, ImageDraw, ImageFont

WIDE, TALL = 900, 675
BENCH, GLASS, EDGE, METAL, DARK, PRINT = "#d8d2c4", "#eef2f1", "#6c7a78", "#8d9492", "#3a3f40", "#a86f1c"
FOOT = "a drawing for the demonstration, no photograph"


def jpeg(row: int, words: str, broken: Collection[int] = ()) -> bytes:
    """`broken` counts from 0."""
    image = Image.new("RGB", (WIDE, TALL), BENCH)
    pen = ImageDraw.Draw(image)
    pen.rectangle((0, TALL * 0.86, WIDE, TALL), fill="#b9b09c")
    each = WIDE / row
    for at in range(row):
        _valve(pen, each * (at + 0.5), min(each * 0.3, 105), words, at in broken)
    pen.text((WIDE / 2, TALL - 26), FOOT, fill=DARK, font=ImageFont.load_default(22), anchor="mm")
    out = io.BytesIO()
    image.save(out, "JPEG", quality=80)
    return out.getvalue()


def _valve(pen: ImageDraw.ImageDraw, middle: float, half: float, words: str, broken: bool) -> None:
    top, foot = TALL * 0.12, TALL * 0.82
    for pin in (-0.55, -0.2, 0.2, 0.55):
        x = middle + pin * half
        pen.rectangle((x - 4, foot, x + 4, foot + 30), fill=METAL)
    pen.rounded_rectangle((middle - half, top, middle + half, foot), half * 0.9, fill=GLASS, outline=EDGE, width=5)
    pen.chord((middle - half * 0.8, top + 8, middle + half * 0.8, top + half), 180, 360, fill=DARK)  # the flash
    pen.ellipse((middle - half * 0.4, top + half, middle + half * 0.4, top + half * 1.35), outline=METAL, width=5)
    plates = (middle - half * 0.5, top + half * 1.6, middle + half * 0.5, foot - half * 0.7)
    pen.rectangle(plates, fill=METAL, outline=EDGE, width=3)
    for rib in (0.25, 0.5, 0.75):
        y = plates[1] + rib * (plates[3] - plates[1])
        pen.line((plates[0], y, plates[2], y), fill=EDGE, width=3)
    pen.text(
        (middle, foot - half * 0.35), words, fill=PRINT, font=ImageFont.load_default(max(16, half * 0.3)), anchor="mm"
    )
    if broken:
        crack = [(-0.95, 0.3), (-0.3, 0.42), (-0.1, 0.34), (0.35, 0.55), (0.95, 0.46)]
        line = [(middle + x * half, top + y * (foot - top)) for x, y in crack]
        pen.line(line, fill=DARK, width=6, joint="curve")
        pen.line([line[2], (middle - half * 0.3, foot - half)], fill=DARK, width=4)
