"""The second engine: pysnmp, in Python throughout, which runs everywhere and knows SNMPv3 contexts.

SNMPv1 and v2c go through pysnmp's message types alone, each request on a connected socket of its own: opening one
costs next to nothing beside pysnmp's decoding (milliseconds), and it lets the kernel drop what comes from elsewhere
and tell a refused port from silence. SNMPv3 needs pysnmp's whole engine: see ``pysnmp_usm``.
"""

from __future__ import annotations

import asyncio
import functools
import ipaddress
import secrets
from collections import OrderedDict
from collections.abc import Sequence
from typing import Any

from pyasn1.codec.ber import decoder, encoder
from pyasn1.error import PyAsn1Error
from pyasn1.type import univ
from pysnmp.error import PySnmpError
from pysnmp.proto import api

from agent.model.wire import Community, Peer, Unresolved, Unsupported, UsmUser, Value
from agent.snmp import words
from agent.snmp.pysnmp_usm import UsmTalker
from agent.snmp.wire import Asked, NoSuchName, Row, Rows, Told

_IN_FLIGHT = 50  # more only wait for the decoder, and their answers for room in the socket buffer
_TALKERS = 16
_V1 = api.PROTOCOL_MODULES[api.SNMP_VERSION_1]
_V2C = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]
_NULL = univ.Null("")
GET, GET_NEXT, GET_BULK = "get", "get-next", "get-bulk"


@functools.lru_cache(maxsize=20_000)
def prebuilt(oid: str) -> tuple[Any, Any]:
    """The varbind that asks for ``oid``, made once: building the names anew is a third of the cost of a request."""
    return univ.ObjectIdentifier(oid), _NULL


def plain(value: Any) -> Value | None:
    """A value of pysnmp's in our words; None for Null and the exceptions."""
    if isinstance(value, univ.Null):  # the exceptions are kinds of Null, and Null is a kind of OctetString
        return None
    if isinstance(value, univ.Integer):
        return int(value)
    if isinstance(value, univ.OctetString):  # IpAddress and Opaque are kinds of it
        octets: bytes = value.asOctets()
        return octets
    if isinstance(value, univ.ObjectIdentifier):
        return ".".join(map(str, value.asTuple())) or "0.0"
    return None


class _Exchange(asyncio.DatagramProtocol):
    """One request on a connected socket: ends with the response that carries its id, or the socket's refusal."""

    def __init__(self, module: Any, community: bytes, request_id: int, done: asyncio.Future[Any]) -> None:
        self._module = module
        self._community = community
        self._request_id = request_id
        self._done = done
        self.oddity = ""

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        if self._done.done():
            return
        try:
            pdu = self._read(data)
        except (PyAsn1Error, PySnmpError, ValueError, IndexError, OverflowError, RecursionError) as error:
            self.oddity = (str(error).splitlines() or ["unreadable"])[0][:200]
            return
        if pdu is not None:
            self._done.set_result(pdu)

    def _read(self, data: bytes) -> tuple[int, int, list[tuple[str, Value | None]]] | None:
        module = self._module
        message, rest = decoder.decode(data, asn1Spec=module.Message())
        if rest:
            raise ValueError("octets after the end of the message")
        pdu = module.apiMessage.get_pdu(message)
        if (
            not isinstance(pdu, module.GetResponsePDU)
            or int(message.getComponentByPosition(0)) != int(module is _V2C)
            or message.getComponentByPosition(1).asOctets() != self._community
            or int(module.apiPDU.get_request_id(pdu)) != self._request_id
        ):
            return None
        status = int(module.apiPDU.get_error_status(pdu))
        index = int(pdu.getComponentByPosition(2))  # its own getter doubts an index beyond the rows
        rows = [(".".join(map(str, name.asTuple())), plain(value)) for name, value in module.apiPDU.get_varbinds(pdu)]
        return status, index, rows

    def error_received(self, exc: Exception) -> None:
        if not self._done.done():
            self._done.set_exception(exc)


class PysnmpEngine:
    """See ``agent.snmp.wire.Engine``."""

    name = "pysnmp"
    lacks: tuple[str, ...] = (
        "telling a refused port from silence under SNMPv3",
        "reading an answer in which one value lies outside its type's range (the whole answer counts as garbled)",
        "speed: some fifty times slower than the engine gufo",
    )

    def __init__(self) -> None:
        self._room = asyncio.Semaphore(_IN_FLIGHT)
        self._talkers: OrderedDict[UsmUser, UsmTalker] = OrderedDict()
        self._retired: list[UsmTalker] = []  # they still await answers

    async def get(self, peer: Peer, oids: Sequence[str], timeout: float | None = None) -> dict[str, Value]:
        """See ``Engine.get``."""
        if not oids:
            return {}
        rows = await self._ask(peer, GET, oids, 0, timeout)
        wanted = set(oids)
        return {oid: value for oid, value in rows if value is not None and oid in wanted}

    async def get_next(
        self,
        peer: Peer,
        oid: str,
        within: str | None = None,
        timeout: float | None = None,
    ) -> list[Row]:
        """See ``Engine.get_next``."""
        try:
            rows = await self._ask(peer, GET_NEXT, [oid], 0, timeout)
        except NoSuchName:  # so SNMPv1 says that the MIB is at its end
            return []
        return [(name, value) for name, value in rows if value is not None]

    async def get_bulk(
        self,
        peer: Peer,
        oid: str,
        max_repetitions: int,
        within: str | None = None,
        timeout: float | None = None,
    ) -> Rows:
        """See ``Engine.get_bulk``."""
        if isinstance(peer.credentials, Community) and peer.credentials.version == "1":
            raise Unsupported("SNMPv1 has no GETBULK (RFC 3416): walk it with GETNEXT")
        rows = await self._ask(peer, GET_BULK, [oid], max_repetitions, timeout)
        return Rows((name, value) for name, value in rows if value is not None)

    async def together(self, peer: Peer, gets: Asked, step: tuple[str, int], timeout: float, end: float) -> Told:
        """See ``Engine.together``: this engine takes no short cut."""
        del peer, gets, step, timeout, end
        return Told()

    async def forget(self, peer: Peer) -> None:
        """See ``Engine.forget``."""
        if isinstance(peer.credentials, UsmUser) and peer.credentials in self._talkers:
            self._talkers[peer.credentials].forget(peer)

    async def close(self) -> None:
        """See ``Engine.close``."""
        for talker in (*self._talkers.values(), *self._retired):
            talker.close()
        self._talkers.clear()
        self._retired.clear()
        await asyncio.sleep(0)  # the sockets and timers end with the loop's next turn

    async def _ask(
        self, peer: Peer, kind: str, oids: Sequence[str], repetitions: int, timeout: float | None
    ) -> list[tuple[str, Value | None]]:
        try:
            ipaddress.ip_address(peer.host)
        except ValueError:
            raise Unresolved(f"{peer.host!r} is a name, and this engine asks numeric addresses only") from None
        seconds = peer.timeout if timeout is None else timeout
        async with self._room:
            if isinstance(peer.credentials, UsmUser):
                talker = self._talker(peer.credentials)
                status, index, rows = await talker.ask(
                    peer, kind, [prebuilt(oid) for oid in oids], repetitions, seconds
                )
                decoded = [(".".join(map(str, name.asTuple())), plain(value)) for name, value in rows]
            else:
                status, index, decoded = await self._ask_plain(peer, peer.credentials, kind, oids, repetitions, seconds)
        if status:
            raise words.fault(peer, status, index, oids)
        return decoded

    def _talker(self, credentials: UsmUser) -> UsmTalker:
        talker = self._talkers.get(credentials)
        if talker is not None and (talker.loop is not asyncio.get_running_loop() or talker.outdated):
            if talker.loop is asyncio.get_running_loop():
                self._retired.append(talker)
            talker = None
        if talker is None:
            self._talkers[credentials] = talker = UsmTalker(credentials)
            if len(self._talkers) > _TALKERS:
                self._retired.append(self._talkers.popitem(last=False)[1])
        for retired in [each for each in self._retired if not each.busy]:
            self._retired.remove(retired)
            retired.close()
        self._talkers.move_to_end(credentials)
        return talker

    async def _ask_plain(
        self, peer: Peer, credentials: Community, kind: str, oids: Sequence[str], repetitions: int, seconds: float
    ) -> tuple[int, int, list[tuple[str, Value | None]]]:
        loop = asyncio.get_running_loop()
        module = _V1 if credentials.version == "1" else _V2C
        request_id = secrets.randbits(31)
        data = _message(module, credentials, kind, request_id, oids, repetitions)
        done: asyncio.Future[Any] = loop.create_future()
        try:
            transport, exchange = await loop.create_datagram_endpoint(
                lambda: _Exchange(module, credentials.community.encode(), request_id, done),
                remote_addr=(peer.host, peer.port),
            )
        except OSError as error:
            raise words.unreachable(peer, error) from error
        try:
            transport.sendto(data)
            async with asyncio.timeout(seconds):
                answer: tuple[int, int, list[tuple[str, Value | None]]] = await done
                return answer
        except TimeoutError:
            if exchange.oddity:
                raise words.garbled(peer, exchange.oddity) from None
            raise words.silent(peer) from None
        except ConnectionRefusedError:
            raise words.refused(peer) from None
        except OSError as error:
            raise words.unreachable(peer, error) from error
        finally:
            transport.close()


def _message(
    module: Any, credentials: Community, kind: str, request_id: int, oids: Sequence[str], repetitions: int
) -> bytes:
    if kind == GET_BULK:
        pdu, pdu_api = module.GetBulkRequestPDU(), module.apiBulkPDU
        pdu_api.set_defaults(pdu)
        pdu_api.set_non_repeaters(pdu, 0)
        pdu_api.set_max_repetitions(pdu, repetitions)
    else:
        pdu, pdu_api = (module.GetRequestPDU() if kind == GET else module.GetNextRequestPDU()), module.apiPDU
        pdu_api.set_defaults(pdu)
    pdu_api.set_request_id(pdu, request_id)
    pdu_api.set_varbinds(pdu, [prebuilt(oid) for oid in oids])
    message = module.Message()
    module.apiMessage.set_defaults(message)
    module.apiMessage.set_community(message, credentials.community.encode())
    module.apiMessage.set_pdu(message, pdu)
    encoded: bytes = encoder.encode(message)
    return encoded
