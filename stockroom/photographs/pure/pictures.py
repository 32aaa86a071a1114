"""Pictures: which files count as a photograph, and the clean copies that are made of one.

JPEG, PNG and WebP are taken: what Pillow reads by itself and every browser shows. HEIC is not among them.
The copies hold pixels and nothing else: no Exif (so no place, time or camera), no XMP, comment, thumbnail or
colour profile. A profile is applied, to sRGB, before it is dropped.

Orientation follows tag 274 of Exif 2.2 (JEITA CP-3451), page 18: it says where the stored row 0 and column 0
belong in the picture as seen.
"""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import PurePath
from typing import BinaryIO, NamedTuple

from PIL import ExifTags, Image, ImageCms, UnidentifiedImageError

from stockroom.pure.refused import Refused

MAX_BYTES = 30_000_000
MAX_PIXELS = 89_478_485  # Pillow's own limit against decompression bombs, in force whatever Pillow is told
SMALL, LARGE = 320, 1600  # pixels along the longer side

# What Pillow's decoders raise over a broken file.
UNREADABLE = (
    OSError,
    SyntaxError,
    ValueError,
    TypeError,
    EOFError,
    IndexError,
    KeyError,
    OverflowError,
    struct.error,
    zlib.error,
)


class PictureRefused(Refused):
    """Not a photograph we take. The message says why and, where there is a way, what to do."""


class PictureKind(NamedTuple):
    name: str
    content_type: str
    suffixes: tuple[str, ...]  # what such a file may be called; the first is ours


KINDS = {
    "JPEG": PictureKind("JPEG", "image/jpeg", (".jpg", ".jpeg", ".jpe", ".jfif")),
    "PNG": PictureKind("PNG", "image/png", (".png",)),
    "WEBP": PictureKind("WebP", "image/webp", (".webp",)),
}
FORMATS = tuple(KINDS)


class Prepared(NamedTuple):
    """The upright size of the original in pixels, and its two copies as JPEG files."""

    width: int
    height: int
    small: bytes
    large: bytes


def look(file: BinaryIO, name: str, size: int) -> PictureKind:
    """What the file is, by its content; nothing is decoded.

    Args:
        file: open for reading, anywhere; it is left at its start.
        name: as the sender calls it. It must agree with the content, or have no suffix.
        size: in bytes.

    Raises:
        Refused: empty, too large in bytes or pixels, broken at its head, disguised, or of another kind.
    """
    if not size:
        raise PictureRefused("it is empty.")
    if size > MAX_BYTES:
        raise PictureRefused(f"it has {size / 1e6:.1f} MB; at most {MAX_BYTES / 1e6:.0f} MB are taken.")
    file.seek(0)
    head = file.read(1024)
    image = _open(file, head)
    _check_pixels(image)
    file.seek(0)
    kind = _kind(image)
    suffix = PurePath(name).suffix.lower()
    if suffix and suffix not in kind.suffixes:
        raise PictureRefused(
            f"it is {kind.name} inside, which its name hides. Name it {kind.suffixes[0]} and send it again."
        )
    return kind


def prepare(data: bytes) -> Prepared:
    """Decode a whole photograph and make its copies, upright and clean.

    A picture smaller than a copy's size is not enlarged. Of several frames the first is taken. What shines
    through is put on white.

    Raises:
        Refused: as `look` raises, or it ends early or is damaged further in.
    """
    image = _open(io.BytesIO(data), data[:1024])
    _check_pixels(image)
    width, height = image.size
    longer = max(width, height)
    try:
        if longer > LARGE:  # a JPEG decoder can shrink by halves on the way, at a fraction of the work
            image.draft(None, (-(-width * LARGE // longer), -(-height * LARGE // longer)))
        image.load()
        profile, turn = image.info.get("icc_profile"), _turn(image)
        picture = _without_transparency(image)
    except UNREADABLE as trouble:
        raise PictureRefused("it is broken or was cut short. Send it again.") from trouble
    picture.thumbnail((LARGE, LARGE), Image.Resampling.LANCZOS, reducing_gap=3)
    if turn is not None:
        picture = picture.transpose(turn)
        if turn in ON_ITS_SIDE:
            width, height = height, width
    large = _pixels_alone(_in_srgb(picture, profile))
    small = large.copy()
    small.thumbnail((SMALL, SMALL), Image.Resampling.LANCZOS)
    return Prepared(width, height, _jpeg(small), _jpeg(large))


# From where row 0 and column 0 were stored to where they belong: Exif 2.2, tag 274, in its order from 2 to 8.
UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,  # row 0 is the top, column 0 the right-hand side
    3: Image.Transpose.ROTATE_180,  # bottom, right
    4: Image.Transpose.FLIP_TOP_BOTTOM,  # bottom, left
    5: Image.Transpose.TRANSPOSE,  # left, top
    6: Image.Transpose.ROTATE_270,  # right, top
    7: Image.Transpose.TRANSVERSE,  # right, bottom
    8: Image.Transpose.ROTATE_90,  # left, bottom
}
ON_ITS_SIDE = {UPRIGHT[orientation] for orientation in (5, 6, 7, 8)}


def _open(file: BinaryIO, head: bytes) -> Image.Image:
    """The picture, undecoded; `head` is the file's beginning, to say what it is instead."""
    file.seek(0)
    try:
        return Image.open(file, formats=FORMATS)
    except Image.DecompressionBombError as bomb:
        raise PictureRefused(
            f"it has more than {2 * MAX_PIXELS / 1e6:.0f} million pixels. Send a smaller copy."
        ) from bomb
    except (UnidentifiedImageError, *UNREADABLE) as trouble:
        other = _something_else(head)
        if other:
            raise PictureRefused(f"it is {other}.") from trouble
        if head.startswith((b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n")) or (head[:4], head[8:12]) == (b"RIFF", b"WEBP"):
            raise PictureRefused(
                "it is broken or was cut short: not even its size can be read. Send it again."
            ) from trouble
        raise PictureRefused("it is no photograph: there is no JPEG, PNG or WebP in it.") from trouble


def _something_else(head: bytes) -> str | None:
    """A name for common files that are sent for photographs by mistake or on purpose, with the way out."""
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if b"%pdf-" in text:
        return "a PDF document, not a photograph"
    if text.startswith((b"<!doctype html", b"<html", b"<script")):
        return "a web page, not a photograph"
    if text.startswith((b"<svg", b"<?xml", b"<!doctype svg")):
        return "a drawing or text in XML, not a photograph"
    if head[4:8] == b"ftyp":
        brand = head[8:12]
        if brand in (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"):
            return "a HEIC photograph. Send it as JPEG: phones have a setting for it, often called “most compatible”"
        return "an AVIF picture. Send it as JPEG" if brand in (b"avif", b"avis") else "a film, not a photograph"
    for signature, what in (
        (b"GIF8", "a GIF picture. Send it as JPEG"),
        (b"II*\x00", "a TIFF or raw camera file. Send it as JPEG"),
        (b"MM\x00*", "a TIFF or raw camera file. Send it as JPEG"),
        (b"BM", "a BMP picture. Send it as JPEG"),
        (b"PK\x03\x04", "a ZIP archive or an office document, not a photograph"),
        (b"MZ", "a program, not a photograph"),
    ):
        if head.startswith(signature):
            return what
    return None


def _kind(image: Image.Image) -> PictureKind:
    # Phones store several views, or a brightness map, behind the first: Pillow calls such a JPEG MPO.
    return KINDS["JPEG" if image.format in (None, "MPO") else image.format]


def _check_pixels(image: Image.Image) -> None:
    pixels = image.width * image.height
    if pixels > MAX_PIXELS:
        raise PictureRefused(
            f"it has {pixels / 1e6:.0f} million pixels; at most {MAX_PIXELS / 1e6:.0f} million are taken. "
            "Send a smaller copy."
        )


def _turn(image: Image.Image) -> Image.Transpose | None:
    """What tag 274 asks for; nothing when the metadata cannot be read, and the picture stays as it was stored."""
    try:
        return UPRIGHT.get(image.getexif().get(ExifTags.Base.Orientation, 1))
    except UNREADABLE:
        return None


def _without_transparency(image: Image.Image) -> Image.Image:
    """The same in RGB, L or CMYK, on white."""
    if image.mode.startswith("I"):  # 16 bits of grey
        return image.point(lambda value: value / 256).convert("L")
    if image.mode in ("LA", "PA", "RGBA") or "transparency" in image.info:
        layer = image.convert("RGBA")
        white = Image.new("RGB", layer.size, "white")
        white.paste(layer, mask=layer)
        return white
    return image if image.mode in ("RGB", "L", "CMYK") else image.convert("RGB")


def _in_srgb(picture: Image.Image, profile: bytes | None) -> Image.Image:
    """The colours as sRGB; a profile that cannot be used is left out of account."""
    if profile:
        try:
            used = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
            converted = ImageCms.profileToProfile(picture, used, srgb, outputMode="RGB")
            assert converted is not None
            return converted
        except (ImageCms.PyCMSError, OSError):
            pass
    return picture.convert("RGB")


def _pixels_alone(picture: Image.Image) -> Image.Image:
    """A new image: saving keeps some of what an opened one carries, such as a JPEG's comment."""
    clean = Image.new("RGB", picture.size)
    clean.paste(picture)
    return clean


def _jpeg(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=85, optimize=True, progressive=True)
    return out.getvalue()
