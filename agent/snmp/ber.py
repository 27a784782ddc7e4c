"""SNMPv1 and v2c messages as bytes, for what an engine's library hides: error-status, odd values, long answers.

Source: X.690 (BER), RFC 1157 (v1), RFC 3416 (v2c PDUs), RFC 2578 section 7.1 (types). Nothing here touches a socket.
What cannot be read raises ``ValueError`` and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from agent.model.wire import Value

GET, GET_NEXT, RESPONSE, GET_BULK, REPORT = 0xA0, 0xA1, 0xA2, 0xA5, 0xA8
_INTEGER, _OCTETS, _NULL, _OID, _SEQUENCE = 0x02, 0x04, 0x05, 0x06, 0x30
_UNSIGNED = frozenset((0x41, 0x42, 0x43, 0x46, 0x47))  # Counter32, Gauge32, TimeTicks, Counter64, UInteger32
_BYTES = frozenset((_OCTETS, 0x40, 0x44, 0x45, 0x03))  # and IpAddress, Opaque, NsapAddress, BIT STRING
_NOTHING = frozenset((_NULL, 0x80, 0x81, 0x82))  # Null, noSuchObject, noSuchInstance, endOfMibView

_VARBIND_NULL = bytes((_NULL, 0))
_DEEPEST_ARC = 5  # septets of the largest sub-identifier, 2**32 - 1 (RFC 2578 section 7.1.3)
_MOST_ARCS = 128
_LONGEST_INTEGER = 9  # octets of the largest Counter64


@dataclass(frozen=True, slots=True)
class Response:
    """A GetResponse. A row whose value is None is an exception (noSuchObject, noSuchInstance, endOfMibView) or Null."""

    version: int
    community: bytes
    request_id: int
    status: int
    index: int
    rows: tuple[tuple[str, Value | None], ...]


def _tlv(tag: int, content: bytes) -> bytes:
    size = len(content)
    if size < 0x80:
        return bytes((tag, size)) + content
    length = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(length))) + length + content


def _integer(value: int) -> bytes:
    return _tlv(_INTEGER, value.to_bytes(value.bit_length() // 8 + 1, "big", signed=True))


def _oid(text: str) -> bytes:
    arcs = [int(arc) for arc in text.split(".")]
    out = bytearray()
    for arc in (arcs[0] * 40 + arcs[1], *arcs[2:]):
        septets = [arc & 0x7F]
        while arc := arc >> 7:
            septets.append(0x80 | (arc & 0x7F))
        out += bytes(reversed(septets))
    return bytes(out)


def request(
    version: int, community: str, pdu: int, request_id: int, oids: Sequence[str], repetitions: int = 0
) -> bytes:
    """A GET, GETNEXT or GETBULK message. ``version`` is 0 for SNMPv1 and 1 for v2c."""
    inside = _integer(request_id) + _after_id(tuple(oids), repetitions)
    return _tlv(_SEQUENCE, _integer(version) + _tlv(_OCTETS, community.encode()) + _tlv(pdu, inside))


ID_OCTETS = 4
LEAST_ID, MOST_ID = 0x01000000, 0x7FFFFFFF
"""The request-ids that every agent writes in ``ID_OCTETS`` octets."""


def around_id(version: int, community: str, pdu: int, oids: tuple[str, ...], repetitions: int) -> tuple[bytes, bytes]:
    """The octets of a request before and after those of a request-id between ``LEAST_ID`` and ``MOST_ID``."""
    whole, after = request(version, community, pdu, LEAST_ID, oids, repetitions), _after_id(oids, repetitions)
    return whole[: -len(after) - ID_OCTETS], after


def _after_id(oids: tuple[str, ...], repetitions: int) -> bytes:
    return _integer(0) + _integer(repetitions) + _tlv(_SEQUENCE, _asked(oids))


@lru_cache(maxsize=256)
def _asked(oids: tuple[str, ...]) -> bytes:
    return b"".join(_tlv(_SEQUENCE, _tlv(_OID, _oid(oid)) + _VARBIND_NULL) for oid in oids)


def _take(data: bytes, at: int, end: int) -> tuple[int, int, int]:
    """Tag, start and end of the content of the element at ``at``."""
    if at + 2 > end:
        raise ValueError("an element is cut short")
    tag, size, start = data[at], data[at + 1], at + 2
    if size & 0x80:
        count = size & 0x7F
        if not 1 <= count <= 4 or start + count > end:
            raise ValueError("a length that is no length")
        size = int.from_bytes(data[start : start + count], "big")
        start += count
    if start + size > end:
        raise ValueError("an element is longer than what holds it")
    return tag, start, start + size


def _expect(data: bytes, at: int, end: int, *tags: int) -> tuple[int, int]:
    tag, start, stop = _take(data, at, end)
    if tag not in tags:
        raise ValueError(f"tag {tag:#04x} stands where {tags[0]:#04x} belongs")
    return start, stop


def _number(data: bytes, start: int, stop: int) -> int:
    if stop - start > _LONGEST_INTEGER:
        raise ValueError("a number of more than 64 bits")
    return int.from_bytes(data[start:stop], "big", signed=True)


@lru_cache(maxsize=4096)
def oid_text(data: bytes) -> str:
    """The dotted form of an encoded OBJECT IDENTIFIER.

    Raises:
        ValueError: empty, cut short, too long, or a sub-identifier of more than 32 bits.
    """
    arcs: list[int] = []
    value = septets = 0
    for octet in data:
        value = value << 7 | octet & 0x7F
        septets += 1
        if not octet & 0x80:
            arcs.append(value)
            value = septets = 0
        elif septets == _DEEPEST_ARC:
            raise ValueError("a sub-identifier of more than 32 bits")
    if not arcs or septets or len(arcs) > _MOST_ARCS:
        raise ValueError("an object identifier that is none")
    first = min(arcs[0] // 40, 2)
    return ".".join(map(str, (first, arcs[0] - 40 * first, *arcs[1:])))


def value(tag: int, data: bytes, start: int, stop: int) -> Value | None:
    """The value of the type ``tag`` whose content is ``data[start:stop]``; None for an exception or Null.

    Raises:
        ValueError: no such type, or its content is no such value.
    """
    if tag == _INTEGER:
        return _number(data, start, stop)
    if tag in _UNSIGNED:
        if stop - start > _LONGEST_INTEGER:
            raise ValueError("a number of more than 64 bits")
        # Some agents leave out the leading zero octet and so write large counters as negative numbers.
        return int.from_bytes(data[start:stop], "big")
    if tag in _BYTES:
        return data[start:stop]
    if tag == _OID:
        # An empty one is not legal, yet agents send it for "none": the standard's word for that is zeroDotZero.
        return oid_text(data[start:stop]) if stop > start else "0.0"
    if tag in _NOTHING:
        return None
    raise ValueError(f"a value of the unknown type {tag:#04x}")


class Places(NamedTuple):
    """Where the parts of a GetResponse stand in its octets.

    ``request_id``: start and end of its content. ``rows``: of each varbind its start, the tag of its value, the start
    of the value's content. ``end``: where the last varbind ends. ``tight``: no octets are left over anywhere.
    """

    request_id: tuple[int, int]
    rows: list[tuple[int, int, int]]
    end: int
    tight: bool


def response(data: bytes) -> Response:
    """Read a GetResponse of SNMPv1 or v2c.

    Raises:
        ValueError: the octets are no such message.
    """
    return located(data)[0]


def located(data: bytes) -> tuple[Response, Places]:
    """As ``response``, and where everything stands."""
    at, end = _expect(data, 0, len(data), _SEQUENCE)
    start, at = _expect(data, at, end, _INTEGER)
    version = _number(data, start, at)
    start, at = _expect(data, at, end, _OCTETS)
    community = data[start:at]
    at, end = _expect(data, at, end, RESPONSE)
    id_at, at = _expect(data, at, end, _INTEGER)
    id_end, head = at, [_number(data, id_at, at)]
    for _ in range(2):
        start, at = _expect(data, at, end, _INTEGER)
        head.append(_number(data, start, at))
    at, end = _expect(data, at, end, _SEQUENCE)
    tight = end == len(data)
    rows: list[tuple[str, Value | None]] = []
    places: list[tuple[int, int, int]] = []
    while at < end:
        row, row_end = _expect(data, at, end, _SEQUENCE)
        start, stop = _expect(data, row, row_end, _OID)
        tag, content, content_end = _take(data, stop, row_end)
        rows.append((oid_text(data[start:stop]), value(tag, data, content, content_end)))
        places.append((at, tag, content))
        tight &= content_end == row_end
        at = row_end
    response = Response(version, community, head[0], head[1], head[2], tuple(rows))
    return response, Places((id_at, id_end), places, at, tight)


_USM_STATS = bytes((0x2B, 6, 1, 6, 3, 15, 1, 1))  # 1.3.6.1.6.3.15.1.1, usmStats


def usm_report(data: bytes) -> int | None:
    """Which usmStats counter an SNMPv3 report names (RFC 3414 section 5), or None if the message is no such report.

    1 unsupportedSecLevels, 2 notInTimeWindows, 3 unknownUserNames, 4 unknownEngineIDs, 5 wrongDigests,
    6 decryptionErrors. Reports are not encrypted, so the counter's name can be found without the keys.
    """
    at = data.find(_USM_STATS)
    if at < 0 or at + len(_USM_STATS) >= len(data):
        return None
    number = data[at + len(_USM_STATS)]
    return number if 1 <= number <= 6 else None


@dataclass(frozen=True, slots=True)
class Secured:
    """What authentication needs to know of an SNMPv3 message (RFC 3412 section 6, RFC 3414 section 2.4).

    ``digest`` is where msgAuthenticationParameters begins and ends. ``pdu`` is the tag of the PDU, or None if it is
    encrypted.
    """

    authenticated: bool
    engine_id: bytes
    digest: tuple[int, int]
    pdu: int | None


def secured(data: bytes) -> Secured:
    """Take the envelope of an SNMPv3 message apart.

    Raises:
        ValueError: the octets are no such message.
    """
    at, end = _expect(data, 0, len(data), _SEQUENCE)
    start, at = _expect(data, at, end, _INTEGER)
    if _number(data, start, at) != 3:
        raise ValueError("no SNMPv3")
    header, at = _expect(data, at, end, _SEQUENCE)
    for _ in range(2):  # msgID, msgMaxSize
        _, header = _expect(data, header, at, _INTEGER)
    start, stop = _expect(data, header, at, _OCTETS)
    flags = data[start] if stop > start else 0
    security, at = _expect(data, at, end, _OCTETS)
    security, stop = _expect(data, security, at, _SEQUENCE)
    engine, engine_end = _expect(data, security, stop, _OCTETS)
    place = engine_end
    for tag in (_INTEGER, _INTEGER, _OCTETS):  # boots, time, user
        _, place = _expect(data, place, stop, tag)
    digest = _expect(data, place, stop, _OCTETS)
    tag, start, stop = _take(data, at, end)
    pdu = None
    if tag == _SEQUENCE:
        for _ in range(2):  # contextEngineID, contextName
            _, start = _expect(data, start, stop, _OCTETS)
        pdu = _take(data, start, stop)[0]
    return Secured(bool(flags & 1), data[engine:engine_end], digest, pdu)
