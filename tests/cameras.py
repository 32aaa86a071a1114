"""Photographs made in code for tests, with the metadata that a phone writes.

- `photograph(width, height, kind)`: bytes of a JPEG, PNG or WebP; a JPEG differs with every `shade`
- `with_everything(orientation)`: a JPEG with place, camera, comment, XMP, thumbnail and colour profile
- `segments(jpeg)`: the markers of a JPEG file, to see what it carries
"""

from __future__ import annotations

import io
import struct
from typing import Any

from PIL import ExifTags, Image, ImageCms, ImageDraw

SECRETS = (b"Secret Lane 7", b"Invented Camera Works", b"a comment by the camera", b"http://ns.adobe.com/xap")
SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def drawn(width: int, height: int, shade: int = 0) -> Image.Image:
    """Something like a valve on a bench."""
    image = Image.new("RGB", (width, height), (200, 190, shade % 256))
    pen = ImageDraw.Draw(image)
    pen.rounded_rectangle(
        (width * 0.35, height * 0.1, width * 0.65, height * 0.8), width // 8 + 1, (shade // 256 % 256, 90, 100)
    )
    pen.rectangle((width * 0.4, height * 0.8, width * 0.6, height * 0.9), (40, 40, 40))
    return image


def saved(image: Image.Image, kind: str = "JPEG", **how: Any) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **how)
    return out.getvalue()


def photograph(width: int = 64, height: int = 48, kind: str = "JPEG", shade: int = 0, **how: Any) -> bytes:
    if kind == "JPEG":
        how.setdefault("comment", b"%d" % shade)
    return saved(drawn(width, height, shade), kind, **how)


def exif(orientation: int = 1) -> Image.Exif:
    data = Image.Exif()
    data[ExifTags.Base.Orientation] = orientation
    data[ExifTags.Base.Make] = "Invented Camera Works"
    data[ExifTags.Base.DateTime] = "2024:05:01 10:11:12"
    gps = data.get_ifd(ExifTags.IFD.GPSInfo)
    gps[ExifTags.GPS.GPSLatitudeRef] = "N"
    gps[ExifTags.GPS.GPSLatitude] = (51.0, 30.0, 26.0)
    gps[ExifTags.GPS.GPSLongitudeRef] = "W"
    gps[ExifTags.GPS.GPSLongitude] = (0.0, 7.0, 39.0)
    gps[ExifTags.GPS.GPSAreaInformation] = b"ASCII\0\0\0Secret Lane 7"
    return data


def with_everything(
    width: int = 640, height: int = 480, orientation: int = 1, shade: int = 0, profile: bytes | None = SRGB
) -> bytes:
    xmp = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:Description place="Secret Lane 7"/></x:xmpmeta>'
    return photograph(
        width,
        height,
        shade=shade,
        exif=exif(orientation),
        comment=b"a comment by the camera",
        xmp=xmp,
        icc_profile=profile,
    )


def segments(jpeg: bytes) -> list[int]:
    """The marker codes up to the first scan, by walking from segment to segment."""
    assert jpeg[:2] == b"\xff\xd8"
    found, at = [], 2
    while True:
        assert jpeg[at] == 0xFF
        code = jpeg[at + 1]
        found.append(code)
        if code == 0xDA:  # start of scan
            return found
        at += 2 + struct.unpack(">H", jpeg[at + 2 : at + 4])[0]
