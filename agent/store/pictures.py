"""A JPEG, PNG or WebP image without what was written beside the picture: place, time, camera, preview, remarks.

Nothing is decoded or drawn anew, so the picture keeps every dot, and a large one costs no more than its octets. Of what
stood beside it only how it is to be turned is kept (Exif 2.32, tag 0x0112).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator

_SCAN_ENDS = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
"""Within a scan an 0xFF is followed by 0 or by a restart marker (ITU-T T.81, B.1.1.5)."""
_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_KEPT = frozenset((b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"sBIT", b"bKGD"))
_WEBP_KEPT = frozenset((b"VP8 ", b"VP8L", b"ALPH", b"ANIM", b"ANMF"))
_ORIENTATION = 0x0112


def stripped(content: bytes, media_type: str) -> bytes:
    """The same picture alone. Raises ValueError for what is no whole image of this type."""
    strip = _STRIPPERS.get(media_type)
    if strip is None:
        raise ValueError(f"{media_type} is no type of photo")
    try:
        return strip(content)
    except (IndexError, struct.error) as problem:
        raise ValueError(f"this is no whole {media_type}") from problem


def _jpeg(content: bytes) -> bytes:
    """ITU-T T.81, annex B: of the application segments only the colours' (JFIF, Adobe) stay, and no comment."""
    if content[:2] != b"\xff\xd8":
        raise ValueError("it does not begin as a JPEG")
    first, rest, turn = [], [], 1
    for marker, body, scan in _jpeg_segments(content):
        if marker == 0xE0 and body[:5] == b"JFIF\0":
            first.append(_segment(marker, body[:12] + b"\0\0"))  # without its preview
        elif marker == 0xEE and body[:5] == b"Adobe":
            rest.append(_segment(marker, body[:12]))
        elif marker == 0xE1 and body[:6] == b"Exif\0\0":
            turn = _turn(body[6:])
        elif not (0xE0 <= marker <= 0xEF or marker == 0xFE):
            rest.append(_segment(marker, body) + scan)
    turned = [_segment(0xE1, b"Exif\0\0" + _exif(turn))] if turn != 1 else []
    return b"".join((b"\xff\xd8", *first[:1], *turned, *rest, b"\xff\xd9"))


def _jpeg_segments(content: bytes) -> Iterator[tuple[int, bytes, bytes]]:
    """Marker, what it holds, and the scan that follows it (or nothing), up to the end of the picture."""
    at = 2
    while True:
        if content[at] != 0xFF:
            raise ValueError("a marker is missing")
        while content[at + 1] == 0xFF:  # fill bytes
            at += 1
        marker = content[at + 1]
        if marker == 0xD9:
            return
        (length,) = struct.unpack_from(">H", content, at + 2)
        body, at = content[at + 4 : at + 2 + length], at + 2 + length
        if length < 2 or at > len(content):
            raise ValueError("a segment is cut off")
        begin = at
        if marker == 0xDA:
            end = _SCAN_ENDS.search(content, at)
            if end is None:
                raise ValueError("it does not end")
            at = end.start()
        yield marker, body, content[begin:at]


def _segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def _png(content: bytes) -> bytes:
    """W3C PNG, section 5: the chunks of the picture and of its colours."""
    if content[:8] != _PNG:
        raise ValueError("it does not begin as a PNG")
    kept, turn = [], 1
    for name, body in _png_chunks(content):
        if name == b"eXIf":
            turn = _turn(body)
        elif name in _PNG_KEPT:
            kept.append(_chunk(name, body))
    if turn != 1:
        kept.insert(1, _chunk(b"eXIf", _exif(turn)))
    return _PNG + b"".join(kept)


def _png_chunks(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    at, name = 8, b""
    while name != b"IEND":
        length, name = struct.unpack_from(">I4s", content, at)
        at += 12 + length
        if at > len(content):
            raise ValueError("a chunk is cut off")
        yield name, content[at - 4 - length : at - 4]


def _chunk(name: bytes, body: bytes) -> bytes:
    from zlib import crc32

    return struct.pack(">I4s", len(body), name) + body + struct.pack(">I", crc32(name + body))


def _webp(content: bytes) -> bytes:
    """RFC 9649: the chunks of the picture, and the header of an extended file without the flags of what is gone."""
    if content[:4] != b"RIFF" or content[8:12] != b"WEBP":
        raise ValueError("it does not begin as a WebP")
    at, end = 12, 8 + struct.unpack_from("<I", content, 4)[0]
    if end > len(content):
        raise ValueError("it is cut off")
    header: bytes | None = None
    kept, turn = [], 1
    while at + 8 <= end:
        name, length = struct.unpack_from("<4sI", content, at)
        body = content[at + 8 : at + 8 + length]
        at += 8 + length + length % 2
        if len(body) != length or at > end + 1:
            raise ValueError("a chunk is cut off")
        if name == b"VP8X":
            header = body
        elif name == b"EXIF":
            turn = _turn(body.removeprefix(b"Exif\0\0"))
        elif name in _WEBP_KEPT:
            kept.append(_riff(name, body))
    if header is not None:
        turned = turn != 1
        flags = header[0] & ~0x2C | (0x08 if turned else 0)  # colour profile, Exif, XMP
        kept.insert(0, _riff(b"VP8X", bytes((flags,)) + header[1:]))
        kept += [_riff(b"EXIF", _exif(turn))] if turned else []
    body = b"WEBP" + b"".join(kept)
    return struct.pack("<4sI", b"RIFF", len(body)) + body


def _riff(name: bytes, body: bytes) -> bytes:
    return struct.pack("<4sI", name, len(body)) + body + b"\0" * (len(body) % 2)


def _turn(tiff: bytes) -> int:
    """How the picture is to be turned, 1 .. 8 (Exif 2.32, 4.6.4 A); 1, not at all, where it does not say."""
    order = {b"II": "<", b"MM": ">"}.get(tiff[:2])
    if order is None:
        return 1
    try:
        (at,) = struct.unpack_from(f"{order}I", tiff, 4)
        (count,) = struct.unpack_from(f"{order}H", tiff, at)
        for number in range(count):
            tag, kind, _, value = struct.unpack_from(f"{order}HHIH", tiff, at + 2 + 12 * number)
            if (tag, kind) == (_ORIENTATION, 3):
                return int(value) if 1 <= value <= 8 else 1
    except struct.error:
        return 1
    return 1


def _exif(turn: int) -> bytes:
    """Exif that says how the picture is to be turned, and nothing else (TIFF 6.0, section 2)."""
    return struct.pack(">2sHIHHHIHHI", b"MM", 42, 8, 1, _ORIENTATION, 3, 1, turn, 0, 0)


_STRIPPERS: dict[str, Callable[[bytes], bytes]] = {"image/jpeg": _jpeg, "image/png": _png, "image/webp": _webp}
