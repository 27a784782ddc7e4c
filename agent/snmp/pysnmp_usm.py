"""SNMPv3 through pysnmp: one pysnmp engine for each set of credentials, shared by all printers that have them.

A pysnmp engine for each printer would be the worst choice (ten printers a second). Two sets of credentials may carry
the same user name with different pass phrases, which one pysnmp engine cannot tell apart; hence one for each set.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections import Counter
from collections.abc import Sequence
from typing import Any

from pyasn1.error import PyAsn1Error
from pysnmp.carrier.asyncio.dgram import udp, udp6
from pysnmp.entity import config
from pysnmp.entity.engine import SnmpEngine
from pysnmp.entity.rfc3413 import cmdgen
from pysnmp.error import PySnmpError
from pysnmp.proto.api import verdec

from agent.model.wire import Peer, Unsupported, UsmUser, WireError
from agent.snmp import words

_AUTH = {
    None: config.USM_AUTH_NONE,
    "MD5": config.USM_AUTH_HMAC96_MD5,
    "SHA-1": config.USM_AUTH_HMAC96_SHA,
    "SHA-224": config.USM_AUTH_HMAC128_SHA224,
    "SHA-256": config.USM_AUTH_HMAC192_SHA256,
    "SHA-384": config.USM_AUTH_HMAC256_SHA384,
    "SHA-512": config.USM_AUTH_HMAC384_SHA512,
}
_PRIV = {
    None: config.USM_PRIV_NONE,
    "DES": config.USM_PRIV_CBC56_DES,
    "AES-128": config.USM_PRIV_CFB128_AES,
    "AES-192": config.USM_PRIV_CFB192_AES_BLUMENTHAL,
    "AES-256": config.USM_PRIV_CFB256_AES_BLUMENTHAL,
}
_REPORTS = {
    "unsupportedSecurityLevel": 1,
    "notInTimeWindow": 2,
    "unknownUserName": 3,
    "unknownSecurityName": 3,
    "unknownEngineID": 4,
    "wrongDigest": 5,
    "authenticationFailure": 5,
    "decryptionError": 6,
}
"""pysnmp's error indications that come from the agent's reports: the number of the usmStats counter."""

_RECEIVE_BUFFER = 4 * 1024 * 1024  # pysnmp leaves the default, which loses answers when many are in flight
_PENDING_SECONDS = 30  # when pysnmp itself drops a request; the real limit is the caller's
_TARGETS = 5_000


class _Listening:
    """What both transports do beside pysnmp's own: take datagrams only from those who were asked, and count them."""

    heard: Counter[tuple[str, int]]
    awaited: Counter[tuple[str, int]]
    oddities: dict[tuple[str, int], str]
    loop: asyncio.AbstractEventLoop
    _callback_function: Any

    def listen(self) -> None:
        self.heard, self.awaited, self.oddities = Counter(), Counter(), {}

    def datagram_received(self, datagram: bytes, transport_address: Any) -> None:
        source = (str(transport_address[0]).partition("%")[0], int(transport_address[1]))
        if source not in self.awaited:
            return  # pysnmp would take an answer from anywhere
        self.heard[source] += 1
        try:
            verdec.decode_message_version(datagram)
            self._callback_function(self, transport_address, datagram)
        except (PyAsn1Error, PySnmpError, ValueError, IndexError, OverflowError, RecursionError) as error:
            self.oddities[source] = (str(error).splitlines() or ["unreadable"])[0][:200]


class _Udp(_Listening, udp.UdpAsyncioTransport):  # type: ignore[misc]
    pass


class _Udp6(_Listening, udp6.Udp6AsyncioTransport):  # type: ignore[misc]
    pass


class UsmTalker:
    """One pysnmp engine with one user, and a socket for each address family."""

    def __init__(self, credentials: UsmUser) -> None:
        if credentials.auth not in _AUTH or credentials.priv not in _PRIV:
            given = credentials.auth if credentials.auth not in _AUTH else credentials.priv
            raise Unsupported(f"the engine pysnmp does not know {given!r}")
        if credentials.priv and not credentials.auth:
            raise Unsupported("SNMPv3 has no privacy without authentication (RFC 3414): name one")
        self.loop = asyncio.get_running_loop()
        self._credentials = credentials
        self._engine = SnmpEngine()
        self._transports: dict[int, Any] = {}
        self._targets: dict[tuple[str, int], str] = {}
        self._met: dict[tuple[str, int], bool] = {}  # by address: whether it ever answered a request, not only reported
        self.outdated = False
        self._number = 0
        keys = {
            "authKey": credentials.auth_key if credentials.auth else None,
            "privKey": credentials.priv_key if credentials.priv else None,
        }
        config.add_v3_user(
            self._engine,
            credentials.user,
            authProtocol=_AUTH[credentials.auth],
            privProtocol=_PRIV[credentials.priv],
            **{name: key.encode() for name, key in keys.items() if key},
        )
        config.add_target_parameters(self._engine, "how", credentials.user, credentials.level)
        self._ask_for = {
            "get": cmdgen.GetCommandGenerator(),
            "get-next": cmdgen.NextCommandGeneratorSingleRun(),
            "get-bulk": cmdgen.BulkCommandGeneratorSingleRun(),
        }

    async def ask(
        self, peer: Peer, kind: str, varbinds: Sequence[tuple[Any, Any]], repetitions: int, seconds: float
    ) -> tuple[int, int, list[tuple[Any, Any]]]:
        """Error-status, error-index and pysnmp's varbinds.

        Raises:
            WireError: no answer, a refusal, or something that is no answer.
        """
        transport = await self._transport(peer)
        source = (peer.host.partition("%")[0], peer.port)
        target = self._target(peer)
        done: asyncio.Future[tuple[Any, int, int, list[tuple[Any, Any]]]] = self.loop.create_future()

        def answered(_engine: Any, _handle: Any, *answer: Any) -> None:
            if not done.done():
                done.set_result((answer[0], int(answer[1]), int(answer[2]), list(answer[3])))

        bulk = (0, repetitions) if kind == "get-bulk" else ()
        transport.awaited[source] += 1
        heard = transport.heard[source]
        transport.oddities.pop(source, None)
        try:
            self._ask_for[kind].send_varbinds(
                self._engine, target, None, self._credentials.context, *bulk, list(varbinds), answered
            )
            async with asyncio.timeout(seconds):
                indication, status, index, rows = await done
        except TimeoutError:
            raise self._missing(peer, transport, source, heard) from None
        except OSError as error:
            raise words.unreachable(peer, error) from error
        except (PySnmpError, PyAsn1Error) as error:
            raise words.garbled(peer, (str(error).splitlines() or [""])[0][:200]) from None
        finally:
            transport.awaited[source] -= 1
            if not transport.awaited[source]:
                del transport.awaited[source], transport.heard[source]
                transport.oddities.pop(source, None)
        if indication is not None:
            raise self._indicated(peer, str(indication), type(indication).__name__)
        self._met[source] = True
        return status, index, rows

    def _missing(self, peer: Peer, transport: Any, source: tuple[str, int], heard: int) -> WireError:
        if source in transport.oddities:
            return words.garbled(peer, transport.oddities[source])
        if transport.heard[source] > heard:
            if self._met.get(source):
                # It was restarted, or is another device now: pysnmp holds on to what it knew and heeds no report.
                self.outdated = True
            self._met.setdefault(source, False)
        return words.dropped(peer) if self._met.get(source) is False else words.silent(peer)

    @staticmethod
    def _indicated(peer: Peer, text: str, name: str) -> WireError:
        name = name[:1].lower() + name[1:]
        if name in _REPORTS:
            return words.report(peer, _REPORTS[name])
        if name == "requestTimedOut":
            return words.silent(peer)
        return words.garbled(peer, text[:200])

    async def _transport(self, peer: Peer) -> Any:
        family = socket.AF_INET6 if ":" in peer.host else socket.AF_INET
        if family not in self._transports:
            transport = (_Udp6 if family == socket.AF_INET6 else _Udp)(loop=self.loop)
            transport.listen()
            sock = socket.socket(family, socket.SOCK_DGRAM)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER)
            sock.setblocking(False)
            sock.bind(("::" if family == socket.AF_INET6 else "0.0.0.0", 0))  # noqa: S104 - answers come to any interface
            self._transports[family] = transport
            domain = udp6.DOMAIN_NAME if family == socket.AF_INET6 else udp.DOMAIN_NAME
            config.add_transport(self._engine, domain, transport.open_server_mode(sock=sock))
        return self._transports[family]

    def _target(self, peer: Peer) -> str:
        address = (peer.host, peer.port)
        if address not in self._targets:
            if len(self._targets) >= _TARGETS:
                self.forget_address(next(iter(self._targets)))
            self._number += 1
            name = f"t{self._number}"
            domain = udp6.DOMAIN_NAME if ":" in peer.host else udp.DOMAIN_NAME
            config.add_target_address(
                self._engine, name, domain, address, "how", timeout=_PENDING_SECONDS * 100, retryCount=0
            )
            self._targets[address] = name
        return self._targets[address]

    def forget(self, peer: Peer) -> None:
        """Let go of what is kept for this peer."""
        self.forget_address((peer.host, peer.port))

    def forget_address(self, address: tuple[str, int]) -> None:
        """Let go of what is kept for this address."""
        self._met.pop(address, None)
        name = self._targets.pop(address, None)
        if name is not None:
            with contextlib.suppress(PySnmpError):
                config.delete_target_address(self._engine, name)

    @property
    def busy(self) -> bool:
        """Whether an answer is awaited."""
        return any(transport.awaited for transport in self._transports.values())

    def close(self) -> None:
        """Close the sockets and stop pysnmp's timer."""
        self._engine.close_dispatcher()
