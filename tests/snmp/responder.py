"""A UDP responder on loopback that answers SNMPv1 and v2c from a table of cells, honestly or as a test tells it to.

Every datagram that arrives is kept in ``seen``. ``twist`` gets the request and the honest answer and returns the
datagrams to send instead, each with the delay in seconds after which it is sent.
"""

from __future__ import annotations

import asyncio
import bisect
import contextlib
import os
import socket
from collections.abc import AsyncIterator, Callable, Iterable, Mapping

from tests.snmp import ber
from tests.snmp.ber import Message, Typed

Twist = Callable[[Message, bytes], Iterable[tuple[float, bytes]]]


def honest(_: Message, answer: bytes) -> Iterable[tuple[float, bytes]]:
    return [(0.0, answer)]


class Responder(asyncio.DatagramProtocol):
    def __init__(self, cells: Mapping[str, Typed], twist: Twist = honest, community: bytes = b"public") -> None:
        self.twist = twist
        self.community = community
        self.seen: list[bytes] = []
        self.most_octets = 65_000
        self.elsewhere: socket.socket | None = None
        self.transport: asyncio.DatagramTransport
        self.put(cells)

    def put(self, cells: Mapping[str, Typed]) -> None:
        self.cells = dict(cells)
        self.order = ber.in_order(self.cells)
        self.keys = [ber.arcs(oid) for oid in self.order]

    @property
    def port(self) -> int:
        return int(self.transport.get_extra_info("sockname")[1])

    @property
    def pdus(self) -> list[int]:
        return [ber.pdu_tag(data) for data in self.seen]

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport  # type: ignore[assignment]

    def datagram_received(self, data: bytes, addr: tuple[str | int, ...]) -> None:
        self.seen.append(data)
        try:
            request = ber.read(data)
        except (ValueError, IndexError):
            return  # an SNMPv3 message, or nothing that an agent would answer
        if request.community != self.community:
            return
        loop = asyncio.get_running_loop()
        if self.elsewhere is not None:  # the same answer from another port, with other values
            lies = [(name, ber.octets("forged")) for name, _ in request.rows]
            self.elsewhere.sendto(ber.answer(request, lies), addr)
        for delay, reply in self.twist(request, self.reply(request)):
            if delay:
                loop.call_later(delay, self._send, reply, addr)
            else:
                self._send(reply, addr)

    def _send(self, reply: bytes, addr: tuple[str | int, ...]) -> None:
        if self.transport.is_closing():
            return
        if reply:
            self.transport.sendto(reply, addr)
            return
        fd = self.transport.get_extra_info("socket").fileno()
        with socket.socket(fileno=os.dup(fd)) as empty:  # asyncio does not send datagrams of no octets
            empty.sendto(reply, addr)

    def after(self, oid: str, count: int) -> list[tuple[str, Typed]]:
        at = bisect.bisect_right(self.keys, ber.arcs(oid))
        return [(name, self.cells[name]) for name in self.order[at : at + count]]

    def reply(self, request: Message) -> bytes:
        asked = [name for name, _ in request.rows]
        if request.pdu == ber.GET_BULK:
            rows = [row for name in asked for row in self.after(name, request.index) or [(name, Typed(0x82))]]
            while len(ber.answer(request, rows)) > self.most_octets:
                rows.pop()
            return ber.answer(request, rows)
        rows = []
        for place, name in enumerate(asked, 1):
            if request.pdu == ber.GET_NEXT:
                found = self.after(name, 1)
                row = found[0] if found else None
            else:
                row = (name, self.cells[name]) if name in self.cells else None
            if row is None and request.version == 0:
                return ber.answer(request, request.rows, ber.NO_SUCH_NAME, place)
            gone = ber.END_OF_MIB if request.pdu == ber.GET_NEXT else ber.NO_SUCH_INSTANCE
            rows.append(row or (name, Typed(gone)))
        reply = ber.answer(request, rows)
        return reply if len(reply) <= self.most_octets else ber.answer(request, [], ber.TOO_BIG, 0)


@contextlib.asynccontextmanager
async def answering(
    cells: Mapping[str, Typed], twist: Twist = honest, host: str = "127.0.0.1", port: int = 0
) -> AsyncIterator[Responder]:
    loop = asyncio.get_running_loop()
    transport, responder = await loop.create_datagram_endpoint(
        lambda: Responder(cells, twist),
        local_addr=(host, port),
        family=socket.AF_INET6 if ":" in host else socket.AF_INET,
    )
    try:
        yield responder
    finally:
        transport.close()
        await asyncio.sleep(0)
