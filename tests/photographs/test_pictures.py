"""Photographs: which files are taken, and what the copies made of them hold."""

import io
import struct
import zlib

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PIL import Image

from stockroom.photographs.pure import pictures
from stockroom.photographs.pure.pictures import (
    KINDS,
    LARGE,
    MAX_BYTES,
    MAX_PIXELS,
    SMALL,
    PictureRefused,
    look,
    prepare,
)
from tests.cameras import SECRETS, SRGB, drawn, exif, photograph, saved, segments, with_everything


def look_at(data: bytes, name: str = "photo.jpg"):
    return look(io.BytesIO(data), name, len(data))


def reason(data: bytes, name: str = "photo.jpg") -> str:
    with pytest.raises(PictureRefused) as refused:
        look_at(data, name)
    return str(refused.value)


def opened(data: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(data))
    image.load()
    return image


def png_head(width: int, height: int) -> bytes:
    """A PNG that claims a size and brings no pixels."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    size = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", size) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


# What is taken


@pytest.mark.parametrize(
    ("kind", "name"),
    [("JPEG", "a.jpg"), ("JPEG", "A.JPEG"), ("JPEG", "image"), ("PNG", "b.png"), ("WEBP", "c.webp")],
)
def test_a_jpeg_a_png_and_a_webp_are_known_by_their_content(kind, name):
    assert look_at(photograph(kind=kind), name) == KINDS[kind]


def test_a_jpeg_with_more_pictures_behind_the_first_is_a_jpeg_and_the_first_is_shown():
    several = saved(
        Image.new("RGB", (80, 60), (200, 20, 20)),
        "MPO",
        save_all=True,
        append_images=[Image.new("RGB", (80, 60), (20, 20, 200))],
    )
    assert opened(several).format == "MPO"
    assert look_at(several) == KINDS["JPEG"]
    assert opened(prepare(several).large).getpixel((40, 30)) == pytest.approx((200, 20, 20), abs=8)


def test_the_file_is_left_at_its_start():
    file = io.BytesIO(photograph())
    look(file, "a.jpg", 1000)
    assert file.tell() == 0


# What is refused, and what is said


def test_an_empty_file_is_refused():
    assert reason(b"") == "it is empty."


def test_a_file_of_too_many_bytes_is_refused_without_being_read():
    class Unreadable(io.BytesIO):
        def read(self, *args):
            raise AssertionError("read")

    with pytest.raises(PictureRefused, match=r"30\.0 MB; at most 30 MB"):
        look(Unreadable(), "a.jpg", MAX_BYTES + 1)


@pytest.mark.filterwarnings("ignore::PIL.Image.DecompressionBombWarning")
@pytest.mark.parametrize(("width", "height"), [(9460, 9460), (60_000, 60_000), (2_000_000, 45)])
def test_too_many_pixels_are_refused_from_the_head_alone(width, height):
    bomb = png_head(width, height)
    assert width * height > MAX_PIXELS and len(bomb) < 100
    assert "million pixels" in reason(bomb, "a.png")
    with pytest.raises(PictureRefused, match="million pixels"):
        prepare(bomb)


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"<!DOCTYPE html><html><script>alert(1)</script></html>", "a web page"),
        (b"\xef\xbb\xbf\n <HTML>", "a web page"),
        (b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>', "XML"),
        (b'<?xml version="1.0"?><svg/>', "XML"),
        (b"%PDF-1.7\n%\xe2\xe3", "a PDF"),
        (b"\n\n%PDF-1.4", "a PDF"),
        (b"GIF89a\x01\x00\x01\x00", "a GIF"),
        (b"PK\x03\x04rest", "ZIP"),
        (b"MZ\x90\x00", "a program"),
        (b"II*\x00\x08\x00\x00\x00", "TIFF"),
        (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "HEIC"),
        (b"\x00\x00\x00\x18ftypmp42", "a film"),
        (b"just words", "no photograph"),
        (bytes(2000), "no photograph"),
    ],
)
def test_something_else_named_as_a_photograph_is_refused_by_what_it_is(content, what):
    assert what in reason(content, "holiday.jpg")


def test_a_heic_photograph_is_refused_with_the_way_out():
    assert "Send it as JPEG" in reason(b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "IMG_1.HEIC")


@pytest.mark.parametrize("name", ["a.jpg", "a.svg", "a.html", "a.png.exe", "a.webp"])
def test_a_picture_that_is_named_as_something_else_is_refused(name):
    assert "PNG inside" in reason(photograph(kind="PNG"), name)


@pytest.mark.parametrize("kind", ["GIF", "TIFF", "BMP", "AVIF"])
def test_kinds_that_pillow_could_read_but_we_do_not_take_are_refused(kind):
    assert "Send it as JPEG" in reason(photograph(kind=kind), "a.jpg")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photograph_cut_short_is_refused_at_its_head_or_when_it_is_prepared(kind):
    whole = photograph(400, 300, kind)
    for share in (0.01, 0.05, 0.3, 0.6, 0.9):
        with pytest.raises(PictureRefused, match=r"broken|cut short|no photograph"):
            prepare(whole[: int(len(whole) * share)])


@pytest.mark.filterwarnings("ignore:Truncated File Read", "ignore:Corrupt EXIF data", "ignore:Possibly corrupt EXIF")
@settings(max_examples=75, deadline=None)
@given(
    st.sampled_from(["JPEG", "PNG", "WEBP"]),
    st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.binary(min_size=1, max_size=8)), min_size=1, max_size=6),
)
@example("JPEG", [(0.0, b"\xff\xd8\xff\xe1\x00\x08Exif")])
def test_damage_anywhere_gives_copies_or_a_reason_and_nothing_else(kind, damage):
    data = bytearray(WHOLE[kind])
    for where, junk in damage:
        at = int(where * len(data))
        data[at : at + len(junk)] = junk
    try:
        made = prepare(bytes(data))
    except PictureRefused as refused:
        assert str(refused).endswith(".")
    else:
        assert max(opened(made.large).size) <= LARGE


WHOLE = {kind: photograph(96, 72, kind, exif=exif(6), icc_profile=SRGB) for kind in ("JPEG", "PNG", "WEBP")}


# What the copies are


@pytest.mark.parametrize(
    ("size", "large", "small"),
    [
        ((4000, 3000), (1600, 1200), (320, 240)),
        ((3000, 4000), (1200, 1600), (240, 320)),
        ((6000, 1000), (1600, 267), (320, 53)),
        ((1600, 900), (1600, 900), (320, 180)),
        ((321, 200), (321, 200), (320, 199)),
        ((100, 50), (100, 50), (100, 50)),
    ],
)
def test_copies_have_their_longer_side_as_asked_and_are_never_enlarged(size, large, small):
    made = prepare(photograph(*size))
    assert (made.width, made.height) == size
    assert opened(made.large).size == pytest.approx(large, abs=1)
    assert opened(made.small).size == pytest.approx(small, abs=1)
    assert max(opened(made.large).size) == min(max(size), LARGE)
    assert max(opened(made.small).size) == min(max(size), SMALL)


@pytest.mark.parametrize("profile", [SRGB, None], ids=["profile", "no profile"])
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_copies_hold_no_metadata_at_all(kind, profile):
    if kind == "JPEG":
        original = with_everything(profile=profile)
        assert all(secret in original for secret in SECRETS) and opened(original).getexif().get_ifd(0x8825)
    else:
        original = photograph(640, 480, kind, exif=exif(), icc_profile=profile)
        assert b"Secret Lane 7" in original
    made = prepare(original)
    for copy in (made.small, made.large):
        carried = [code for code in segments(copy) if 0xE0 <= code <= 0xEF or code == 0xFE]
        assert carried == [0xE0]  # JFIF's own head; no application data, no comment
        assert not any(secret in copy for secret in (*SECRETS, b"Exif", b"GPS", b"ICC_PROFILE"))
        image = opened(copy)
        assert not image.getexif() and not image.getexif().get_ifd(0x8825)
        assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "progressive", "progression"}


@pytest.mark.filterwarnings("ignore:Corrupt EXIF data")
def test_metadata_that_cannot_be_read_does_not_lose_the_photograph():
    made = prepare(photograph(exif=b"Exif\0\0II*\0\xff\xff\xff\xff"))
    assert (made.width, made.height) == (64, 48)


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_orientation_the_standard_does_not_know_leaves_the_picture_as_stored(orientation):
    assert prepare(photograph(exif=exif(orientation)))[:2] == (64, 48)


def test_what_shines_through_is_white():
    clear = saved(Image.new("RGBA", (40, 40), (255, 0, 0, 0)), "PNG")
    assert opened(prepare(clear).large).getpixel((20, 20)) == (255, 255, 255)
    palette = Image.new("P", (40, 40), 1)
    palette.putpalette([0, 0, 0, 250, 10, 10])
    assert opened(prepare(saved(palette, "PNG", transparency=1)).large).getpixel((20, 20)) == (255, 255, 255)


def test_sixteen_bits_of_grey_keep_their_brightness():
    grey = saved(Image.new("I;16", (40, 40), 0x8000), "PNG")
    assert opened(prepare(grey).large).getpixel((20, 20)) == pytest.approx((128, 128, 128), abs=2)


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGBA", "CMYK"])
def test_every_way_of_storing_colour_comes_out_as_rgb(mode):
    made = prepare(saved(drawn(50, 40).convert(mode), "JPEG" if mode == "CMYK" else "PNG"))
    assert opened(made.large).mode == opened(made.small).mode == "RGB"


def test_a_colour_profile_is_applied_before_it_is_dropped():
    # sRGB with the names of its red and blue primaries exchanged: what is stored as red means blue
    exchanged = SRGB.replace(b"rXYZ", b"????", 1).replace(b"bXYZ", b"rXYZ", 1).replace(b"????", b"bXYZ", 1)
    red = Image.new("RGB", (40, 40), (255, 0, 0))
    plain = opened(prepare(saved(red, "PNG")).large).getpixel((20, 20))
    meant = opened(prepare(saved(red, "PNG", icc_profile=exchanged)).large).getpixel((20, 20))
    assert plain == pytest.approx((255, 0, 0), abs=4)
    assert meant == pytest.approx((0, 0, 255), abs=4)


def test_a_colour_profile_that_is_junk_does_not_lose_the_photograph():
    red = Image.new("RGB", (40, 40), (255, 0, 0))
    made = prepare(saved(red, "JPEG", icc_profile=b"junk" * 100))
    assert opened(made.large).getpixel((20, 20)) == pytest.approx((255, 0, 0), abs=4)


def test_the_limit_on_pixels_is_pillows_own():
    assert Image.MAX_IMAGE_PIXELS == pictures.MAX_PIXELS
