"""Photos that people add to a service: judged by their bytes, then drawn anew, so that the picture alone is kept.

What a camera writes beside it (where and when it was taken, with what, a small preview) is left out, and so is whatever
hides behind the end of the picture. How it was held is kept: it is turned as it is to be seen.
"""

from __future__ import annotations

import struct
from io import BytesIO
from typing import TYPE_CHECKING

from agent.model.failure import Failure

LARGEST = 8 * 1024 * 1024
"""Octets: a phone's photo in good quality."""
SIDE = 4_000
"""A larger photo is made smaller, so that its longer side has so many pixels."""
MOST_PIXELS, MOST_PIXELS_JPEG = 40_000_000, 89_000_000
"""A small file may be a picture that fills the memory. A JPEG is read at half its size if that is enough."""
_QUALITY = 88
_SIDE = 30_000
_PNG = b"\x89PNG\r\n\x1a\n"
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # SOF0 .. SOF15 (ITU-T T.81, table B.1)


if TYPE_CHECKING:
    from PIL.Image import Image


class NoPhoto(Failure):
    """What was given is no photo that can be kept."""

    status = 2


def media_type(content: bytes) -> str:
    """The media type of a JPEG, PNG or WebP image. Raises NoPhoto, with what to do instead."""
    if len(content) > LARGEST:
        raise NoPhoto(
            f"the photo has {len(content) / 1_048_576:.1f} MiB; at most {LARGEST // 1_048_576} MiB are kept: "
            "make it smaller"
        )
    for name, reads in (("image/jpeg", _jpeg), ("image/png", _png), ("image/webp", _webp)):
        size = reads(content)
        if size is not None:
            width, height = size
            if not (0 < width <= _SIDE and 0 < height <= _SIDE):
                raise NoPhoto(f"the photo says that it is {width} x {height} pixels large; that is no photo")
            if width * height > (MOST_PIXELS_JPEG if name == "image/jpeg" else MOST_PIXELS):
                raise NoPhoto(f"the photo has {width} x {height} pixels, more than can be kept: make it smaller")
            return name
    raise NoPhoto("the photo is no JPEG, PNG or WebP image, whatever its name says; save it as one of these")


def drawn_anew(content: bytes) -> tuple[bytes, str]:
    """The picture alone, turned as it is to be seen, and its media type. Raises NoPhoto, with what to do instead."""
    kind = media_type(content)
    from PIL import Image, ImageOps

    form = {"image/jpeg": "JPEG", "image/png": "PNG", "image/webp": "WEBP"}[kind]
    try:
        with Image.open(BytesIO(content), formats=(form,)) as opened:
            if form == "JPEG" and max(opened.size) > SIDE:
                opened.draft("RGB", (SIDE, SIDE))
            turned = ImageOps.exif_transpose(opened)
            turned.thumbnail((SIDE, SIDE))
            return _written(turned, form), kind
    except Exception:  # noqa: BLE001 - a library that reads what strangers send may fail in any way
        raise NoPhoto("the photo cannot be read: it is broken, or cut off; take it or save it again") from None


def _written(picture: Image, form: str) -> bytes:
    """The dots of the picture and nothing else."""
    clear = form != "JPEG" and (picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info)
    plain = picture.convert("RGBA" if clear else "L" if picture.mode in ("1", "L") else "RGB")
    plain.info.clear()
    made = BytesIO()
    if form == "PNG":
        plain.save(made, form, optimize=True)
    else:
        plain.save(made, form, quality=_QUALITY)
    return made.getvalue()


def _jpeg(content: bytes) -> tuple[int, int] | None:
    """Width and height by the frame header (ITU-T T.81, B.2.2)."""
    if content[:2] != b"\xff\xd8" or b"\xff\xd9" not in content[-64:]:
        return None
    at = 2
    while at + 9 <= len(content) and content[at] == 0xFF:
        marker = content[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
            continue
        if marker in _FRAMES:
            height, width = struct.unpack_from(">HH", content, at + 5)
            return int(width), int(height)
        at += 2 + int(struct.unpack_from(">H", content, at + 2)[0])
    return None


def _png(content: bytes) -> tuple[int, int] | None:
    """Width and height by IHDR, which comes first (W3C PNG, section 11.2.1)."""
    if content[:8] != _PNG or content[12:16] != b"IHDR" or len(content) < 33 or b"IEND" not in content[-16:]:
        return None
    width, height = struct.unpack_from(">II", content, 16)
    return int(width), int(height)


def _webp(content: bytes) -> tuple[int, int] | None:
    """Width and height by the first chunk (RFC 9649, section 2)."""
    if content[:4] != b"RIFF" or content[8:12] != b"WEBP" or len(content) < 30:
        return None
    chunk = content[12:16]
    if chunk == b"VP8 " and content[23:26] == b"\x9d\x01\x2a":
        width, height = struct.unpack_from("<HH", content, 26)
        return int(width) & 0x3FFF, int(height) & 0x3FFF
    if chunk == b"VP8L" and content[20] == 0x2F:
        bits = int(struct.unpack_from("<I", content, 21)[0])
        return (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    if chunk == b"VP8X":
        width = int.from_bytes(content[24:27], "little") + 1
        return width, int.from_bytes(content[27:30], "little") + 1
    return None
