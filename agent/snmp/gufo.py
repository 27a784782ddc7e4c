"""The preferred engine: gufo-snmp, whose Rust core writes and reads the messages, and a short cut past it.

What does what:

- walks, the first contact among them, second tries and all of SNMPv3: gufo-snmp.
- the cells and alerts that a known printer is asked for all day over SNMPv1 or v2c (``together``): octets kept ready,
  and answers told by what moved in them since the last ones (``errand``, ``known``). Most varbinds have not moved, and
  making their values anew, in however quick a way, is much of the work of reading a fleet.
- whatever gufo-snmp cannot tell: ``ber``.

gufo-snmp hides the error-status of an answer, cannot read answers of more than 4,096 octets and leaves out what it
does not understand. So whenever an answer to SNMPv1 or v2c is not exactly what was asked for, the same request goes
out once more with ``ber``, which keeps everything. SNMPv3 messages cannot be read so; there an empty answer is split
up by asking for less, and of a failure the report is looked at (which is never encrypted). Nor does gufo-snmp check
the digest of SNMPv3 answers; see ``Session`` and ``checker`` for who does.
"""

from __future__ import annotations

import asyncio
import ipaddress
import itertools
import os
import resource
import secrets
from collections.abc import Sequence
from typing import Any, TypeVar

from gufo.snmp._fast import SnmpV1ClientSocket, SnmpV2cClientSocket, SnmpV3ClientSocket
from gufo.snmp.utils import format_sock_addr

from agent.model.wire import Community, Peer, Unresolved, Unsupported, UsmUser, Value, WireError
from agent.snmp import ber, words
from agent.snmp.errand import Errand
from agent.snmp.gufo_keys import usm_user
from agent.snmp.gufo_v3 import SecureTalk
from agent.snmp.session import MOST_OCTETS, Expired, Session
from agent.snmp.wire import Asked, Row, Rows, Told

T = TypeVar("T")

_SPARE_DESCRIPTORS = 256  # for the store, the web pages, the channels
_MOST_SESSIONS = 8192
_FIRST_ARCS = ("0.", "1.", "2.")
_SHORT = 3
"""So few rows are asked for where the table was empty before. gufo-snmp does not tell an empty table from an error, so
its answer would have to be asked for once more; reading a few rows with ``ber`` costs less than that."""


def most_sessions() -> int:
    """How many sockets may be kept, after asking the system for as many file descriptors as it gives without rights."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _MOST_SESSIONS + _SPARE_DESCRIPTORS
    if soft < wanted:
        raised = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        if raised > soft:
            resource.setrlimit(resource.RLIMIT_NOFILE, (raised, hard))
            soft = raised
    return max(32, min(_MOST_SESSIONS, soft - _SPARE_DESCRIPTORS))


class GufoEngine:
    """See ``agent.snmp.wire.Engine``.

    ``sessions`` is the number of file descriptors to keep open: one a printer, three under SNMPv3. Of the sessions not
    in use the ones longest unused are closed.
    """

    name = "gufo"
    lacks: tuple[str, ...] = (
        "SNMPv3 contexts other than the default one (the engine pysnmp has them)",
        "SNMPv3 answers of more than 4,096 octets (they are asked for again in smaller parts)",
        "the name of an SNMPv3 error-status (cells are asked for one by one to find the culprit)",
    )

    def __init__(self, sessions: int | None = None) -> None:
        self._most = most_sessions() if sessions is None else sessions
        self._sessions: dict[Peer, Session] = {}
        self._near: dict[int, Session] = {}  # the same by the identity of the peer: hashing one takes its time
        self._descriptors = 0
        self._secure = SecureTalk(self._socket)
        self._uses = itertools.count()

    # --- the three questions ------------------------------------------------------------------------------------

    async def get(self, peer: Peer, oids: Sequence[str], timeout: float | None = None) -> dict[str, Value]:
        """See ``Engine.get``."""
        asked = oids if isinstance(oids, list) else list(oids)
        if not asked:
            return {}
        session, end = self._start(peer, timeout)
        async with session.lock:
            if isinstance(peer.credentials, UsmUser):
                return await self._secure.get(session, peer, asked, end)
            sock = session.sock
            try:
                found: dict[str, Any] = await session.exchange(
                    lambda: sock.send_get_many(asked), sock.recv_get_many, end - session.loop.time()
                )
            except (Expired, OSError) as error:
                raise session.failure(error) from None
            except Exception:  # noqa: BLE001 - whatever it could not read is read again below
                found = {}
            if _whole(found, asked):
                return found
            response = await self._exactly(session, peer, ber.GET, asked, 0, end)
            wanted = set(asked)
            return {oid: value for oid, value in response.rows if value is not None and oid in wanted}

    async def get_next(
        self, peer: Peer, oid: str, within: str | None = None, timeout: float | None = None
    ) -> list[Row]:
        """See ``Engine.get_next``."""
        session, end = self._start(peer, timeout)
        async with session.lock:
            if isinstance(peer.credentials, UsmUser):
                return (await self._secure.walk(session, peer, oid, 1, within or oid, end))[:1]
            response = await self._exactly(session, peer, ber.GET_NEXT, [oid], 0, end)
            return [(name, value) for name, value in response.rows if value is not None]

    async def get_bulk(
        self, peer: Peer, oid: str, max_repetitions: int, within: str | None = None, timeout: float | None = None
    ) -> Rows:
        """See ``Engine.get_bulk``."""
        if isinstance(peer.credentials, Community) and peer.credentials.version == "1":
            raise Unsupported("SNMPv1 has no GETBULK (RFC 3416): walk it with GETNEXT")
        session, end = self._start(peer, timeout)
        async with session.lock:
            if isinstance(peer.credentials, UsmUser):
                return await self._secure.walk(session, peer, oid, max_repetitions, within or oid, end)
            root = within or oid
            known = root == oid or session.place(root, oid) is not None
            if known and max_repetitions > _SHORT:
                try:
                    return _exact_rows(await session.step(oid, max_repetitions, root, end))
                except (Expired, OSError) as error:
                    raise session.failure(error) from None
                except Exception:  # noqa: BLE001 - whatever it could not read is read again below
                    session.cursor = None
            response = await self._exactly(session, peer, ber.GET_BULK, [oid], max_repetitions, end)
            return Rows((name, value) for name, value in response.rows if value is not None)

    async def together(self, peer: Peer, gets: Asked, step: tuple[str, int], timeout: float, end: float) -> Told:
        """See ``Engine.together``. SNMPv3 is asked one by one."""
        credentials = peer.credentials
        if isinstance(credentials, UsmUser):
            return Told()
        try:
            session, _ = self._start(peer, timeout)
        except WireError as error:
            return Told(failure=error)
        async with session.lock:
            errand = session.errand
            if errand is None or not errand.asks(gets, step):
                errand, before = Errand(session, credentials, gets, step), errand
                if before is not None:
                    errand.remember(before)
                session.errand = errand
            return await errand.run(timeout, end)

    async def forget(self, peer: Peer) -> None:
        """See ``Engine.forget``."""
        session = self._sessions.get(peer)
        if session is not None and not session.busy:
            self._drop(session)

    async def close(self) -> None:
        """See ``Engine.close``."""
        for session in list(self._sessions.values()):
            self._drop(session)

    # --- sessions -----------------------------------------------------------------------------------------------

    def _start(self, peer: Peer, timeout: float | None) -> tuple[Session, float]:
        """The peer's session, and the moment at which this request has to be over."""
        loop = asyncio.get_running_loop()
        session = self._near.get(id(peer))
        if session is None or session.peer is not peer or session.loop is not loop:
            session = self._sessions.get(peer)
            if session is not None and session.loop is not loop:
                self._drop(session)
                session = None
            if session is None:
                session = self._open(peer)
        session.used = next(self._uses)
        return session, loop.time() + (peer.timeout if timeout is None else timeout)

    def _open(self, peer: Peer) -> Session:
        if self._descriptors >= self._most:
            idle = sorted((held for held in self._sessions.values() if not held.busy), key=lambda held: held.used)
            for session in idle[: max(1, self._most // 20)]:  # some at a time: looking for the oldest takes a while
                self._drop(session)
        try:
            session = Session(self._socket(peer), peer, guarded=isinstance(peer.credentials, UsmUser))
        except OSError as error:
            raise words.unreachable(peer, error) from error
        self._sessions[peer] = self._near[id(peer)] = session
        self._descriptors += session.descriptors
        return session

    def _drop(self, session: Session) -> None:
        session.close()
        if self._sessions.get(session.peer) is session:
            del self._sessions[session.peer]
            self._descriptors -= session.descriptors
        if self._near.get(id(session.peer)) is session:
            del self._near[id(session.peer)]

    def _socket(self, peer: Peer) -> Any:
        try:
            ipaddress.ip_address(peer.host)
        except ValueError:
            raise Unresolved(f"{peer.host!r} is a name, and this engine asks numeric addresses only") from None
        address = format_sock_addr(peer.host, peer.port)
        credentials = peer.credentials
        try:
            if isinstance(credentials, UsmUser):
                usm_user(credentials)  # raises for what this engine cannot do
                return SnmpV3ClientSocket(address, b"", "", 0, b"", 0, b"", 0, 0, 0, 0)
            kind = SnmpV1ClientSocket if credentials.version == "1" else SnmpV2cClientSocket
            return kind(address, credentials.community, 0, 0, 0, 0)
        except OSError as error:
            raise words.unreachable(peer, error) from error

    # --- SNMPv1 and v2c, to the letter --------------------------------------------------------------------------

    async def _exactly(
        self, session: Session, peer: Peer, pdu: int, oids: list[str], repetitions: int, end: float
    ) -> ber.Response:
        credentials = peer.credentials
        assert isinstance(credentials, Community)  # noqa: S101 - the callers have looked
        version = 0 if credentials.version == "1" else 1
        request_id = secrets.randbits(31)
        community = credentials.community.encode()
        oddity = ""
        fd = session.fd

        def receive() -> ber.Response:
            nonlocal oddity
            data = os.read(fd, MOST_OCTETS)
            try:
                response = ber.response(data)
            except ValueError as error:
                oddity = str(error)
                raise BlockingIOError from error
            if (response.version, response.community, response.request_id) != (version, community, request_id):
                raise BlockingIOError
            return response

        data = ber.request(version, credentials.community, pdu, request_id, oids, repetitions)
        try:
            response = await session.exchange(lambda: _send(fd, data), receive, end - session.loop.time())
        except (Expired, OSError) as error:
            if isinstance(error, Expired) and oddity:
                raise words.garbled(peer, oddity) from None
            raise session.failure(error) from None
        if response.status == 0:
            return response
        failure = words.fault(peer, response.status, response.index, oids)
        if pdu == ber.GET_NEXT and failure.reason == "noSuchName":  # so SNMPv1 says that the MIB is at its end
            return ber.Response(version, community, request_id, 0, 0, ())
        raise failure


def _send(fd: int, data: bytes) -> None:
    os.write(fd, data)  # on a connected socket this is send, and there is no socket object to make for it


def _odd(value: Any) -> bool:
    """Whether gufo-snmp's value may mean two things: an IpAddress comes as text, like an OBJECT IDENTIFIER."""
    return type(value) is str and (value.count(".") == 3 or value[:2] not in _FIRST_ARCS)


def _whole(found: dict[str, Any], asked: list[str]) -> bool:
    """Whether all that was asked for, and only that, was answered in values that mean one thing."""
    if list(found) != asked and (len(found) != len(asked) or found.keys() != set(asked)):
        return False
    # Written so that it costs a microsecond: it is done for every answer of every printer.
    return str not in map(type, found.values()) or not any(map(_odd, found.values()))


def _exact_rows(rows: Rows) -> Rows:
    if any(_odd(value) for _, value in rows):
        raise ValueError("a value that may mean two things")
    return rows
