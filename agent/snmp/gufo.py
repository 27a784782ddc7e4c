"""The preferred engine: gufo-snmp, whose Rust core writes and reads the messages.

gufo-snmp hides the error-status of an answer, cannot read answers of more than 4,096 octets and leaves out what it
does not understand. So whenever an answer to SNMPv1 or v2c is not exactly what was asked for, the same request goes
out once more with ``ber``, which keeps everything. SNMPv3 messages cannot be read so; there an empty answer is split
up by asking for less, and of a failure the report is looked at (which is never encrypted). Nor does gufo-snmp check
the digest of SNMPv3 answers; see ``Session`` and ``checker`` for who does.
"""

from __future__ import annotations

import asyncio
import functools
import ipaddress
import itertools
import resource
import secrets
import socket
from collections.abc import Awaitable, Callable, Sequence
from typing import Any, TypeVar

from gufo.snmp import NoSuchInstance, SnmpAuthError
from gufo.snmp._fast import GetIter, SnmpV1ClientSocket, SnmpV2cClientSocket, SnmpV3ClientSocket
from gufo.snmp.utils import format_sock_addr

from agent.model.wire import Community, Peer, Unresolved, Unsupported, UsmUser, Value, WireError
from agent.snmp import ber, words
from agent.snmp.gufo_keys import checker, usm_user
from agent.snmp.session import Ended, Expired, Session
from agent.snmp.wire import CellFault, Row, Rows, TooBig

T = TypeVar("T")

_LONGEST_ANSWER = 4096  # gufo-snmp's receive buffer
_NOT_IN_TIME_WINDOW, _UNKNOWN_ENGINE_ID = 2, 4
_LOOKS = 3
_SPARE_DESCRIPTORS = 256  # for the store, the web pages, the channels
_MOST_SESSIONS = 8192
_FIRST_ARCS = ("0.", "1.", "2.")
_AT_END = object()  # stands for a place in a walk that is over


def _arcs(oid: str) -> tuple[int, ...]:
    return tuple(map(int, oid.split(".")))


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
                return await self._get_v3(session, peer, asked, end)
            sock = session.sock
            try:
                found: dict[str, Any] = await session.exchange(
                    lambda: sock.send_get_many(asked), sock.recv_get_many, end - session.loop.time()
                )
            except (Expired, OSError) as error:
                raise self._translate(session, peer, error) from None
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
                return (await self._walk_v3(session, peer, oid, 1, within or oid, end))[:1]
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
                return await self._walk_v3(session, peer, oid, max_repetitions, within or oid, end)
            if (root := within or oid) == oid or self._cursor(session, root, oid) is not None:
                try:
                    return _exact_rows(await self._step(session, oid, max_repetitions, root, end))
                except (Expired, OSError) as error:
                    raise self._translate(session, peer, error) from None
                except Exception:  # noqa: BLE001 - whatever it could not read is read again below
                    session.cursor = None
            response = await self._exactly(session, peer, ber.GET_BULK, [oid], max_repetitions, end)
            return Rows((name, value) for name, value in response.rows if value is not None)

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

    def _translate(self, session: Session, peer: Peer, error: Exception) -> WireError:
        if isinstance(error, ConnectionRefusedError):
            return words.refused(peer)
        if isinstance(error, OSError):
            return words.unreachable(peer, error)
        return words.dropped(peer) if session.discovered and not session.proven else words.silent(peer)

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
        with session.tap() as tap:

            def receive() -> ber.Response:
                nonlocal oddity
                data = tap.recv(65_535)
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
                response = await session.exchange(lambda: _send(tap, data), receive, end - session.loop.time())
            except (Expired, OSError) as error:
                if isinstance(error, Expired) and oddity:
                    raise words.garbled(peer, oddity) from None
                raise self._translate(session, peer, error) from None
        if response.status == 0:
            return response
        failure = words.fault(peer, response.status, response.index, oids)
        if pdu == ber.GET_NEXT and failure.reason == "noSuchName":  # so SNMPv1 says that the MIB is at its end
            return ber.Response(version, community, request_id, 0, 0, ())
        raise failure

    # --- walking ------------------------------------------------------------------------------------------------

    def _cursor(self, session: Session, root: str, oid: str) -> Any:
        """gufo-snmp's place in the walk below ``root`` that has come to ``oid``, if it is the one under way."""
        cursor = session.cursor
        return cursor[2] if cursor is not None and cursor[0] == root and cursor[1] == oid else None

    async def _step(self, session: Session, oid: str, repetitions: int, root: str, end: float) -> Rows:
        """One GETBULK at ``root`` or where the walk under way stands."""
        sock = session.sock
        place = self._cursor(session, root, oid) if oid != root else None
        if place is None:
            place = GetIter(root, repetitions)
        elif place is _AT_END:
            return Rows()
        rows = await session.exchange(
            lambda: sock.send_get_bulk(place), lambda: sock.recv_get_bulk(place), end - session.loop.time()
        )
        found = Rows(row for row in rows if row is not None and row[1] is not None)
        found.over = None in rows
        if found:
            session.cursor = (root, found[-1][0], _AT_END if found.over else place)
        return found

    # --- SNMPv3 -------------------------------------------------------------------------------------------------

    async def _get_v3(self, session: Session, peer: Peer, asked: list[str], end: float) -> dict[str, Value]:
        if len(asked) == 1:
            return await self._get_one_v3(session, peer, asked[0], end)
        found: dict[str, Any] = await self._ask_v3(
            session, peer, lambda sock: sock.send_get_many(asked), lambda sock: sock.recv_get_many(), end
        )
        if not found:
            raise TooBig(f"{peer.address} answered for none of {len(asked)} cells")
        wanted = set(asked)
        return {oid: _settled(value) for oid, value in found.items() if oid in wanted}

    async def _get_one_v3(self, session: Session, peer: Peer, oid: str, end: float) -> dict[str, Value]:
        try:
            value = await self._ask_v3(
                session, peer, lambda sock: sock.send_get(oid), lambda sock: sock.recv_get(), end
            )
        except NoSuchInstance:
            return {}
        if value is None:
            raise CellFault(f"{peer.address} failed to answer for {oid} (genErr or the like)", oid)
        return {oid: _settled(value)}

    async def _walk_v3(self, session: Session, peer: Peer, oid: str, repetitions: int, root: str, end: float) -> Rows:
        # Without its place in the walk (the session was recycled) gufo-snmp has to come again from the root.
        lost = oid != root and self._cursor(session, root, oid) is None
        at = root if lost else oid
        while True:
            try:
                rows = await self._guarded_v3(
                    session, peer, functools.partial(self._step, session, at, repetitions, root, end), end
                )
            except Ended:
                await self._get_one_v3(session, peer, oid, end)  # a GET tells if it is for want of access
                raise TooBig(f"{peer.address} answered a walk below {root} with nothing or an error") from None
            found = Rows((name, _settled(value)) for name, value in rows if not lost or _arcs(name) > _arcs(oid))
            found.over = rows.over
            if found or not rows or rows.over:
                return found
            at = rows[-1][0]

    async def _ask_v3(
        self, session: Session, peer: Peer, send: Callable[[Any], None], receive: Callable[[Any], T], end: float
    ) -> T:
        async def once() -> T:
            sock = session.sock
            return await session.exchange(lambda: send(sock), lambda: receive(sock), end - session.loop.time())

        return await self._guarded_v3(session, peer, once, end)

    async def _guarded_v3(self, session: Session, peer: Peer, once: Callable[[], Awaitable[T]], end: float) -> T:
        """Ask ``once``; if gufo-snmp is not content with the answer, ask again and look at what comes."""
        if not session.discovered:
            await self._discover(session, peer, end)
        try:
            result = await once()
        except (NoSuchInstance, Ended):
            session.proven = True
            raise
        except (Expired, OSError) as error:
            raise self._lost_v3(session, peer, error) from None
        except SnmpAuthError:
            if ber.usm_report(session.seen) not in (_NOT_IN_TIME_WINDOW, _UNKNOWN_ENGINE_ID):
                raise words.report(peer, ber.usm_report(session.seen)) from None
            result = await self._look_v3(session, peer, once, end)
        except Exception as error:  # noqa: BLE001 - it could not be read
            raise self._unread_v3(session, peer, error) from None
        session.proven = True
        return result

    async def _look_v3(self, session: Session, peer: Peer, once: Callable[[], Awaitable[T]], end: float) -> T:
        """What gufo-snmp made nothing of, seen as it came; ask again where that can help."""
        failure: WireError = words.report(peer, _NOT_IN_TIME_WINDOW)
        for _ in range(_LOOKS):
            number = ber.usm_report(session.seen)
            if number == _UNKNOWN_ENGINE_ID:  # another device, or this one was reset
                session.rebind(self._socket(peer))
                await self._discover(session, peer, end)
            elif number != _NOT_IN_TIME_WINDOW:  # of that one gufo-snmp has taken the new time
                raise failure
            try:
                return await once()
            except (NoSuchInstance, Ended):
                raise
            except (Expired, OSError) as error:
                raise self._lost_v3(session, peer, error) from None
            except SnmpAuthError:
                failure = words.report(peer, ber.usm_report(session.seen))
            except Exception as error:  # noqa: BLE001 - it could not be read
                raise self._unread_v3(session, peer, error) from None
        raise failure

    def _unread_v3(self, session: Session, peer: Peer, error: Exception) -> WireError:
        if len(session.seen) > _LONGEST_ANSWER:
            return TooBig(f"{peer.address} answered with {len(session.seen)} octets at once")
        return words.garbled(peer, str(error))

    async def _discover(self, session: Session, peer: Peer, end: float) -> None:
        """Learn the engine ID (RFC 3414 section 4) and make the keys that belong to it."""
        assert isinstance(peer.credentials, UsmUser)  # noqa: S101 - the callers have looked
        sock = session.sock
        try:
            await session.exchange(sock.send_refresh, sock.recv_refresh, end - session.loop.time())
        except (Expired, OSError) as error:
            raise self._lost_v3(session, peer, error) from None
        except Exception as error:  # noqa: BLE001 - it could not be read
            raise words.garbled(peer, str(error)) from None
        user = usm_user(peer.credentials)
        sock.set_keys(user.name, user.get_auth_alg(), user.get_auth_key(), user.get_priv_alg(), user.get_priv_key())
        session.check = checker(peer.credentials, sock.get_engine_id())
        session.discovered = True

    def _lost_v3(self, session: Session, peer: Peer, error: Exception) -> WireError:
        if isinstance(error, Expired) and session.rejected:
            return words.garbled(peer, "its digest does not fit: perhaps somebody changes it on the way")
        failure = self._translate(session, peer, error)
        if isinstance(error, Expired):
            # Perhaps it is another device by now: gufo-snmp would not heed what that one says.
            session.rebind(self._socket(peer))
        return failure


def _send(tap: socket.socket, data: bytes) -> None:
    tap.send(data)


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


def _settled(value: Any) -> Value:
    """The value in our words. No OBJECT IDENTIFIER that a printer names has just four arcs below 256."""
    if type(value) is str and value.count(".") == 3:
        numbers = [int(part) for part in value.split(".")]
        if max(numbers) < 256:
            return bytes(numbers)
    settled: Value = value
    return settled
