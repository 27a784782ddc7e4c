"""A small BER codec for the tests (X.690, RFC 1157, RFC 3416), written apart from every library under test.

It speaks SNMPv1 and v2c messages only, and it can also write what no honest agent would.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

INTEGER, OCTETS, NULL, OID, SEQUENCE = 0x02, 0x04, 0x05, 0x06, 0x30
IP, COUNTER32, GAUGE32, TICKS, OPAQUE, COUNTER64 = 0x40, 0x41, 0x42, 0x43, 0x44, 0x46
NO_SUCH_OBJECT, NO_SUCH_INSTANCE, END_OF_MIB = 0x80, 0x81, 0x82
GET, GET_NEXT, RESPONSE, SET, TRAP_V1, GET_BULK, INFORM, TRAP, REPORT = range(0xA0, 0xA9)
TOO_BIG, NO_SUCH_NAME, GEN_ERR, NO_ACCESS, AUTHORIZATION_ERROR = 1, 2, 5, 6, 16


@dataclass(frozen=True)
class Typed:
    """A value with its tag; ``octets`` is the content as it goes over the wire."""

    tag: int
    octets: bytes = b""


@dataclass(frozen=True)
class Message:
    """An SNMPv1 or v2c message. For GETBULK, ``status`` is non-repeaters and ``index`` max-repetitions."""

    version: int
    community: bytes
    pdu: int
    request_id: int
    status: int
    index: int
    rows: tuple[tuple[str, Typed], ...]


def tlv(tag: int, content: bytes) -> bytes:
    size = len(content)
    if size < 0x80:
        return bytes((tag, size)) + content
    length = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(length))) + length + content


def integer(value: int, tag: int = INTEGER) -> Typed:
    return Typed(tag, value.to_bytes((value if value >= 0 else ~value).bit_length() // 8 + 1, "big", signed=True))


def octets(value: bytes | str) -> Typed:
    return Typed(OCTETS, value.encode() if isinstance(value, str) else value)


def oid_octets(oid: str) -> bytes:
    arcs = [int(arc) for arc in oid.split(".")]
    out = bytearray()
    for arc in (arcs[0] * 40 + arcs[1], *arcs[2:]):
        septets = [arc & 0x7F]
        while arc := arc >> 7:
            septets.append(0x80 | (arc & 0x7F))
        out += bytes(reversed(septets))
    return bytes(out)


def oid(value: str) -> Typed:
    return Typed(OID, oid_octets(value))


def oid_text(content: bytes) -> str:
    arcs: list[int] = []
    value = 0
    for octet in content:
        value = value << 7 | octet & 0x7F
        if not octet & 0x80:
            arcs.append(value)
            value = 0
    first = min(arcs[0] // 40, 2)
    return ".".join(map(str, (first, arcs[0] - 40 * first, *arcs[1:])))


def write(message: Message) -> bytes:
    rows = b"".join(
        tlv(SEQUENCE, tlv(OID, oid_octets(name)) + tlv(value.tag, value.octets)) for name, value in message.rows
    )
    head = b"".join(tlv(INTEGER, integer(n).octets) for n in (message.request_id, message.status, message.index))
    pdu = tlv(message.pdu, head + tlv(SEQUENCE, rows))
    return tlv(SEQUENCE, tlv(INTEGER, bytes((message.version,))) + tlv(OCTETS, message.community) + pdu)


def _take(data: bytes, at: int) -> tuple[int, bytes, int]:
    tag, size, at = data[at], data[at + 1], at + 2
    if size & 0x80:
        count = size & 0x7F
        size, at = int.from_bytes(data[at : at + count], "big"), at + count
    if at + size > len(data):
        raise ValueError("truncated")
    return tag, data[at : at + size], at + size


def _all(content: bytes) -> list[tuple[int, bytes]]:
    found, at = [], 0
    while at < len(content):
        tag, inner, at = _take(content, at)
        found.append((tag, inner))
    return found


def read(data: bytes) -> Message:
    _, body, _ = _take(data, 0)
    (_, version), (_, community), (pdu, content) = _all(body)
    (_, request_id), (_, status), (_, index), (_, rows) = _all(content)
    varbinds = []
    for _, row in _all(rows):
        (_, name), (tag, value) = _all(row)
        varbinds.append((oid_text(name), Typed(tag, value)))
    number = [int.from_bytes(n, "big", signed=True) for n in (version, request_id, status, index)]
    return Message(number[0], community, pdu, *number[1:], tuple(varbinds))


def pdu_tag(data: bytes) -> int:
    """The PDU type of any plain message (v1, v2c, or v3 without privacy)."""
    _, body, _ = _take(data, 0)
    parts = _all(body)
    if parts[0][1] != b"\x03":
        return parts[2][0]
    return _all(parts[3][1])[2][0]


def arcs(text: str) -> tuple[int, ...]:
    return tuple(int(arc) for arc in text.split("."))


def in_order(oids: Iterable[str]) -> list[str]:
    return sorted(oids, key=arcs)


def answer(request: Message, rows: Sequence[tuple[str, Typed]], status: int = 0, index: int = 0) -> bytes:
    return write(Message(request.version, request.community, RESPONSE, request.request_id, status, index, tuple(rows)))
