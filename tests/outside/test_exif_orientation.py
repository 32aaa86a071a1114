"""Photographs are turned upright as the Exif standard says.

The eight values are the text of tag 274 on page 18 of Exif 2.2 (JEITA CP-3451, as kept at
digicamsoft.com/exif22/exif22/html/exif22_24.htm): where the 0th row and the 0th column are in the picture
as seen. A stored picture gets a red row 0 and a blue column 0; the copies must show them at those sides.
"""

import io

import pytest
from PIL import ExifTags, Image

from stockroom.photographs.pure.pictures import prepare
from tests.cameras import saved

RED, BLUE, GREY = (220, 30, 30), (30, 30, 220), (128, 128, 128)

TAG_274 = {  # value: side of the 0th row, side of the 0th column
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def stored(orientation: int, kind: str, width: int = 96, height: int = 64) -> bytes:
    band = width // 6
    image = Image.new("RGB", (width, height), GREY)
    image.paste(BLUE, (0, 0, band, height))
    image.paste(RED, (0, 0, width, band))
    # the corner belongs to both, so it is neither
    image.paste(GREY, (0, 0, band, band))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    return saved(image, kind, exif=exif, **({"quality": 95, "subsampling": 0} if kind == "JPEG" else {}))


def colour_at(image: Image.Image, side: str) -> str:
    width, height = image.size
    inset = max(width, height) // 40
    x, y = {
        "top": (width // 2, inset),
        "bottom": (width // 2, height - 1 - inset),
        "left": (inset, height // 2),
        "right": (width - 1 - inset, height // 2),
    }[side]
    pixel = image.getpixel((x, y))
    assert isinstance(pixel, tuple)
    nearest = min((RED, BLUE, GREY), key=lambda known: sum(abs(a - b) for a, b in zip(known, pixel, strict=True)))
    return {RED: "row 0", BLUE: "column 0", GREY: "neither"}[nearest]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("orientation", TAG_274)
def test_the_0th_row_and_column_are_shown_where_the_standard_puts_them(orientation, kind):
    made = prepare(stored(orientation, kind))
    row, column = TAG_274[orientation]
    for copy in (made.small, made.large):
        image = Image.open(io.BytesIO(copy))
        sides = {side: colour_at(image, side) for side in ("top", "bottom", "left", "right")}
        assert sides == {**dict.fromkeys(sides, "neither"), row: "row 0", column: "column 0"}
        assert image.size == (made.width, made.height)


@pytest.mark.parametrize("orientation", TAG_274)
def test_it_holds_for_a_large_photograph_that_is_shrunk_while_it_is_decoded(orientation):
    made = prepare(stored(orientation, "JPEG", 4800, 3200))
    row, column = TAG_274[orientation]
    image = Image.open(io.BytesIO(made.large))
    assert (colour_at(image, row), colour_at(image, column)) == ("row 0", "column 0")
    assert image.size == ((1600, 1067) if orientation < 5 else (1067, 1600))
    assert (made.width, made.height) == ((4800, 3200) if orientation < 5 else (3200, 4800))
