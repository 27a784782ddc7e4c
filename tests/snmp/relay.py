"""A UDP relay on loopback that can drop, change or answer from elsewhere what passes between a client and an agent."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable

Tamper = Callable[[bytes], bytes | None]


def untouched(data: bytes) -> bytes | None:
    return data


class _Side(asyncio.DatagramProtocol):
    def __init__(self, take: Callable[[bytes, tuple[str, int]], None]) -> None:
        self.take = take
        self.transport: asyncio.DatagramTransport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport  # type: ignore[assignment]

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:  # type: ignore[override]
        self.take(data, addr)


class Relay:
    """``there`` and ``back`` see each datagram and say what goes on (None: nothing)."""

    def __init__(self, agent: tuple[str, int]) -> None:
        self.agent = agent
        self.there: Tamper = untouched
        self.back: Tamper = untouched
        self.seen: list[bytes] = []
        self.from_elsewhere = False
        self.front = _Side(self._from_client)
        self.rear = _Side(self._from_agent)
        self.other = _Side(lambda _data, _addr: None)
        self._client: tuple[str, int] = ("", 0)

    @property
    def port(self) -> int:
        return int(self.front.transport.get_extra_info("sockname")[1])

    def _from_client(self, data: bytes, addr: tuple[str, int]) -> None:
        self._client = addr
        self.seen.append(data)
        if (data_on := self.there(data)) is not None:
            self.rear.transport.sendto(data_on, self.agent)

    def _from_agent(self, data: bytes, _addr: tuple[str, int]) -> None:
        if (data_on := self.back(data)) is not None:
            side = self.other if self.from_elsewhere else self.front
            side.transport.sendto(data_on, self._client)


@contextlib.asynccontextmanager
async def relaying(port: int) -> AsyncIterator[Relay]:
    loop = asyncio.get_running_loop()
    relay = Relay(("127.0.0.1", port))
    for side in (relay.front, relay.rear, relay.other):
        await loop.create_datagram_endpoint(lambda side=side: side, local_addr=("127.0.0.1", 0))  # type: ignore[misc]
    try:
        yield relay
    finally:
        for side in (relay.front, relay.rear, relay.other):
            side.transport.close()
        await asyncio.sleep(0)
