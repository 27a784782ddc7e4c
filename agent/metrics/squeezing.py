"""A page as gzip (RFC 1952), put together from texts squeezed now and segments squeezed earlier.

Most of a large fleet's page is as it was at the scrape before. What stands in it again need neither be written nor
squeezed again: deflate blocks that look back to nothing before them may follow each other in any order (RFC 1951), and
the checksum of the whole follows from those of its segments.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

LEVEL = 3
"""Nearly as small as at the usual level 6, in a quarter of its time."""
_LEAST = 128 * 1024
"""Octets. Pieces are gathered until there are so many: each that is given away costs changes of threads."""
_AT_ONCE = 512 * 1024
"""Octets that are squeezed in one go: the interpreter is given away for that, and has to be waited for afterwards."""
_HEAD = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"
_POLYNOMIAL = 0xEDB88320
"""Of the checksum (RFC 1952, section 8), its highest power in the lowest bit."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A text squeezed by itself. ``size``: octets of the text; ``crc``: its checksum; ``shift``: see ``joined``."""

    octets: bytes
    size: int
    crc: int
    shift: int

    def __len__(self) -> int:
        return self.size


def segment(text: bytes) -> Segment:
    """The text as it may stand anywhere in a stream."""
    press = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    octets = press.compress(text) + press.flush(zlib.Z_FULL_FLUSH)
    return Segment(octets, len(text), zlib.crc32(text), power(8 * len(text)))


class Stream:
    """A gzip stream while it is made."""

    def __init__(self) -> None:
        self._press = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
        self._pressing = False
        self._crc = self._size = 0
        self._texts: list[bytes] = []
        self._waiting = 0
        self._made = [_HEAD]
        self._octets = len(_HEAD)

    def add(self, text: bytes) -> None:
        """Squeeze this text, sooner or later. The interpreter is free for others meanwhile."""
        self._texts.append(text)
        self._waiting += len(text)
        if self._waiting >= _AT_ONCE:
            self._squeeze()

    def splice(self, one: Segment) -> None:
        """Go on with what was squeezed earlier."""
        self._squeeze()
        if self._pressing:
            self._take(self._press.flush(zlib.Z_FULL_FLUSH))
            self._pressing = False
        self._crc = joined(self._crc, one)
        self._size += one.size
        self._take(one.octets)

    def piece(self) -> bytes:
        """What can be sent by now; empty until it is worth while."""
        return self._given() if self._octets >= _LEAST else b""

    def end(self) -> bytes:
        """The rest, and the end of the stream."""
        self._squeeze()
        self._take(self._press.flush())
        self._take(struct.pack("<LL", self._crc, self._size & 0xFFFFFFFF))
        return self._given()

    def _squeeze(self) -> None:
        if not self._texts:
            return
        text = b"".join(self._texts)
        self._texts, self._waiting = [], 0
        self._crc = zlib.crc32(text, self._crc)
        self._size += len(text)
        self._take(self._press.compress(text))
        self._pressing = True

    def _take(self, octets: bytes) -> None:
        self._made.append(octets)
        self._octets += len(octets)

    def _given(self) -> bytes:
        made, self._made, self._octets = b"".join(self._made), [], 0
        return made


def joined(crc: int, one: Segment) -> int:
    """The checksum of what has ``crc`` with this segment behind it.

    As many zeros behind a text as the segment is long multiply its checksum, a polynomial over two elements, by a power
    of x (``shift``); and sums of texts have the sums of their checksums.
    """
    return product(one.shift, crc) ^ one.crc


def product(one: int, other: int) -> int:
    """The product of two polynomials over two elements, modulo that of the checksum."""
    made = 0
    while one:
        if one & 0x80000000:
            made ^= other
        one = one << 1 & 0xFFFFFFFF
        other = other >> 1 ^ _POLYNOMIAL if other & 1 else other >> 1
    return made


def _squares() -> tuple[int, ...]:
    made = [0x40000000]  # x
    while len(made) < _LONGEST:
        made.append(product(made[-1], made[-1]))
    return tuple(made)


_LONGEST = 48
"""Bits of the longest exponent: of a text of 35 terabytes."""
_SQUARES = _squares()
"""The powers of x whose exponents are powers of two, in order."""


def power(exponent: int) -> int:
    """The power of x, modulo the polynomial of the checksum."""
    made = 0x80000000  # 1
    for place, square in enumerate(_SQUARES):
        if exponent >> place & 1:
            made = product(made, square)
    return made
