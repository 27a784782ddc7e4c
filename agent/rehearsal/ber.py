"""BER for the agent side of SNMP: requests in, responses out. Versions 1 and 2c here; version 3 in ``usm``.

Only what SNMP uses of X.690: definite lengths, tags of one octet (RFC 3417 section 8). The decoder takes requests apart
without copying their variable bindings; the encoder builds responses from prepared values.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from agent.model.wire import Value

INTEGER, OCTETS, NULL, OID, SEQUENCE = 0x02, 0x04, 0x05, 0x06, 0x30
IP_ADDRESS, COUNTER32, GAUGE32, TIME_TICKS = 0x40, 0x41, 0x42, 0x43
NO_SUCH_OBJECT, NO_SUCH_INSTANCE, END_OF_MIB_VIEW = 0x80, 0x81, 0x82
GET, GET_NEXT, RESPONSE, SET, GET_BULK, REPORT = 0xA0, 0xA1, 0xA2, 0xA3, 0xA5, 0xA8

NO_ERROR, TOO_BIG, NO_SUCH_NAME, READ_ONLY, GEN_ERR, NO_ACCESS, AUTHORIZATION = 0, 1, 2, 4, 5, 6, 16


class Malformed(Exception):
    """The octets are no SNMP message; the text says at which octet and why."""


def read(data: bytes, at: int, end: int) -> tuple[int, int, int]:
    """Read the head of one element: ``(tag, start, stop)`` of its content. Raises Malformed."""
    if at + 2 > end:
        raise Malformed(f"octet {at}: an element was expected, the message ends")
    tag, length = data[at], data[at + 1]
    start = at + 2
    if length & 0x80:
        octets = length & 0x7F
        if not 1 <= octets <= 4 or start + octets > end:
            raise Malformed(f"octet {at + 1}: a length of {octets} octets")
        length = int.from_bytes(data[start : start + octets], "big")
        start += octets
    stop = start + length
    if stop > end:
        raise Malformed(f"octet {at}: {length} octets announced, {end - start} are there")
    return tag, start, stop


def expect(data: bytes, at: int, end: int, tag: int) -> tuple[int, int]:
    """Read the head of an element that must have ``tag``; ``(start, stop)`` of its content. Raises Malformed."""
    found, start, stop = read(data, at, end)
    if found != tag:
        raise Malformed(f"octet {at}: tag 0x{found:02x} where 0x{tag:02x} was expected")
    return start, stop


def read_integer(data: bytes, at: int, end: int) -> tuple[int, int]:
    """Read an INTEGER: its value and where the next element starts. Raises Malformed."""
    start, stop = expect(data, at, end, INTEGER)
    if not 1 <= stop - start <= 5:
        raise Malformed(f"octet {at}: an INTEGER of {stop - start} octets")
    return int.from_bytes(data[start:stop], "big", signed=True), stop


def read_octets(data: bytes, at: int, end: int) -> tuple[bytes, int]:
    """Read an OCTET STRING: its octets and where the next element starts. Raises Malformed."""
    start, stop = expect(data, at, end, OCTETS)
    return data[start:stop], stop


def length(count: int) -> bytes:
    """The length octets for ``count`` octets of content."""
    if count < 0x80:
        return bytes((count,))
    if count < 0x100:
        return bytes((0x81, count))
    return bytes((0x82, count >> 8, count & 0xFF)) if count < 0x10000 else b"\x83" + count.to_bytes(3, "big")


def element(tag: int, content: bytes) -> bytes:
    """One element: tag, length, content."""
    return bytes((tag,)) + length(len(content)) + content


def integer(value: int, tag: int = INTEGER) -> bytes:
    """An INTEGER, Counter32, Gauge32 or TimeTicks, in the fewest octets (X.690 section 8.3)."""
    size = (value if value >= 0 else ~value).bit_length() // 8 + 1
    return bytes((tag, size)) + value.to_bytes(size, "big", signed=True)


@lru_cache(maxsize=100_000)
def oid_content(dotted: str) -> bytes:
    """The content octets of an OBJECT IDENTIFIER in dotted form (X.690 section 8.19)."""
    arcs = [int(arc) for arc in dotted.split(".")]
    made = bytearray()
    for arc in (arcs[0] * 40 + (arcs[1] if len(arcs) > 1 else 0), *arcs[2:]):
        groups = [arc & 0x7F]
        while arc := arc >> 7:
            groups.append(arc & 0x7F | 0x80)
        made.extend(reversed(groups))
    return bytes(made)


def arcs_of(content: bytes) -> tuple[int, ...]:
    """The arcs of an OBJECT IDENTIFIER, the first two still in one number; order of tuples is order of OIDs."""
    arcs, value = [], 0
    for octet in content:
        value = value << 7 | octet & 0x7F
        if value > 0xFFFFFFFF:
            raise Malformed("an OBJECT IDENTIFIER has an arc above 2^32 - 1")
        if not octet & 0x80:
            arcs.append(value)
            value = 0
    return tuple(arcs)


@lru_cache(maxsize=100_000)
def arcs_of_dotted(dotted: str) -> tuple[int, ...]:
    """The same arcs as ``arcs_of``, from dotted form."""
    return arcs_of(oid_content(dotted))


def value(tag: int, content: Value) -> bytes:
    """One value: ``int`` by its tag, ``bytes`` as they are, ``str`` as an OBJECT IDENTIFIER."""
    if isinstance(content, int):
        return integer(content, tag)
    return element(tag, oid_content(content) if isinstance(content, str) else content)


def binding(oid: bytes, encoded: bytes) -> bytes:
    """One variable binding from the content octets of its name and its encoded value."""
    name = element(OID, oid)
    return bytes((SEQUENCE,)) + length(len(name) + len(encoded)) + name + encoded


@dataclass(frozen=True, slots=True)
class Pdu:
    """A request. ``first`` and ``second`` are error-status and error-index, or non-repeaters and max-repetitions.

    ``names``: the content octets of each name asked for; ``bindings``: all variable bindings as they came in.
    """

    tag: int
    request_id: int
    first: int
    second: int
    names: tuple[bytes, ...]
    bindings: bytes


@dataclass(frozen=True, slots=True)
class Message:
    """A message of version 1 (``version`` 0) or 2c (1)."""

    version: int
    community: bytes
    pdu: Pdu


def version_of(data: bytes) -> tuple[int, int, int]:
    """The version of a message, and ``(at, end)`` of what follows it. Raises Malformed."""
    start, end = expect(data, 0, len(data), SEQUENCE)
    version, at = read_integer(data, start, end)
    return version, at, end


def read_pdu(data: bytes, at: int, end: int) -> Pdu:
    """Take a request PDU apart (RFC 3416 section 3). Raises Malformed."""
    tag, at, end = read(data, at, end)
    if tag not in (GET, GET_NEXT, SET, GET_BULK):
        raise Malformed(f"a PDU with tag 0x{tag:02x} is no request")
    request_id, at = read_integer(data, at, end)
    first, at = read_integer(data, at, end)
    second, at = read_integer(data, at, end)
    at, end = expect(data, at, end, SEQUENCE)
    bindings, names = data[at:end], []
    while at < end:
        start, at = expect(data, at, end, SEQUENCE)
        name, stop = expect(data, start, at, OID)
        if name == stop:
            raise Malformed(f"octet {start}: an empty OBJECT IDENTIFIER")
        read(data, stop, at)
        names.append(data[name:stop])
    return Pdu(tag, request_id, first, second, tuple(names), bindings)


def read_message(data: bytes) -> Message:
    """Take a message of version 1 or 2c apart. Raises Malformed."""
    version, at, end = version_of(data)
    if version not in (0, 1):
        raise Malformed(f"version field {version} is neither SNMPv1 nor SNMPv2c")
    community, at = read_octets(data, at, end)
    return Message(version, community, read_pdu(data, at, end))


def pdu(tag: int, request_id: int, status: int, index: int, bindings: bytes) -> bytes:
    """A response or report PDU."""
    body = integer(request_id) + integer(status) + integer(index) + element(SEQUENCE, bindings)
    return element(tag, body)


def message(version: int, community: bytes, encoded_pdu: bytes) -> bytes:
    """A message of version 1 or 2c around a PDU."""
    return element(SEQUENCE, integer(version) + element(OCTETS, community) + encoded_pdu)
