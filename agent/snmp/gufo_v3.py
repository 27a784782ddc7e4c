"""SNMPv3 through gufo-snmp: discovery, reports, and what can be told of answers that cannot be read from outside."""

from __future__ import annotations

import functools
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from gufo.snmp import NoSuchInstance, SnmpAuthError

from agent.model.wire import Peer, UsmUser, Value, WireError
from agent.snmp import ber, words
from agent.snmp.gufo_keys import checker, usm_user
from agent.snmp.session import Ended, Expired, Session
from agent.snmp.wire import CellFault, Rows, TooBig

T = TypeVar("T")

_LONGEST_ANSWER = 4096  # gufo-snmp's receive buffer
_NOT_IN_TIME_WINDOW, _UNKNOWN_ENGINE_ID = 2, 4
_LOOKS = 3


def _arcs(oid: str) -> tuple[int, ...]:
    return tuple(map(int, oid.split(".")))


class SecureTalk:
    """The three questions under SNMPv3. ``socket`` makes a fresh gufo-snmp socket for a peer."""

    def __init__(self, socket: Callable[[Peer], Any]) -> None:
        self._socket = socket

    async def get(self, session: Session, peer: Peer, asked: list[str], end: float) -> dict[str, Value]:
        """See ``Engine.get``; ``end`` is the loop's time at which it has to be over."""
        if len(asked) == 1:
            return await self._get_one(session, peer, asked[0], end)
        found: dict[str, Any] = await self._ask(
            session, peer, lambda sock: sock.send_get_many(asked), lambda sock: sock.recv_get_many(), end
        )
        if not found:
            raise TooBig(f"{peer.address} answered for none of {len(asked)} cells")
        wanted = set(asked)
        return {oid: _settled(value) for oid, value in found.items() if oid in wanted}

    async def _get_one(self, session: Session, peer: Peer, oid: str, end: float) -> dict[str, Value]:
        try:
            value = await self._ask(session, peer, lambda sock: sock.send_get(oid), lambda sock: sock.recv_get(), end)
        except NoSuchInstance:
            return {}
        if value is None:
            raise CellFault(f"{peer.address} failed to answer for {oid} (genErr or the like)", oid)
        return {oid: _settled(value)}

    async def walk(self, session: Session, peer: Peer, oid: str, repetitions: int, root: str, end: float) -> Rows:
        """See ``Engine.get_bulk``; ``end`` is the loop's time at which it has to be over."""
        # Without its place in the walk (the session was recycled) gufo-snmp has to come again from the root.
        lost = oid != root and session.place(root, oid) is None
        at = root if lost else oid
        while True:
            try:
                rows = await self._guarded(
                    session, peer, functools.partial(session.step, at, repetitions, root, end), end
                )
            except Ended:
                await self._get_one(session, peer, oid, end)  # a GET tells if it is for want of access
                if repetitions > 1 and await self._goes_on(session, peer, at, root, end):
                    raise TooBig(f"{peer.address} answered a walk below {root} with an error") from None
                # Nothing, not even one row: that is the end of the MIB. A single row that does not fit into a message
                # would look the same, and is not to be expected of anybody.
                rows = Rows()
                rows.over = True
                return rows
            found = Rows((name, _settled(value)) for name, value in rows if not lost or _arcs(name) > _arcs(oid))
            found.over = rows.over
            if found or not rows or rows.over:
                return found
            at = rows[-1][0]

    async def _goes_on(self, session: Session, peer: Peer, at: str, root: str, end: float) -> bool:
        """Whether a walk that brought nothing brings a row when only one is asked for."""
        session.cursor = None if at == root else session.cursor
        try:
            return bool(await self._guarded(session, peer, functools.partial(session.step, at, 1, root, end), end))
        except Ended:
            return False

    async def _ask(
        self, session: Session, peer: Peer, send: Callable[[Any], None], receive: Callable[[Any], T], end: float
    ) -> T:
        async def once() -> T:
            sock = session.sock
            return await session.exchange(lambda: send(sock), lambda: receive(sock), end - session.loop.time())

        return await self._guarded(session, peer, once, end)

    async def _guarded(self, session: Session, peer: Peer, once: Callable[[], Awaitable[T]], end: float) -> T:
        """Ask ``once``; if gufo-snmp is not content with the answer, ask again and look at what comes."""
        if not session.discovered:
            await self._discover(session, peer, end)
        try:
            result = await once()
        except (NoSuchInstance, Ended):
            session.proven = True
            raise
        except (Expired, OSError) as error:
            raise self._lost(session, peer, error) from None
        except SnmpAuthError:
            if ber.usm_report(session.seen) not in (_NOT_IN_TIME_WINDOW, _UNKNOWN_ENGINE_ID):
                raise words.report(peer, ber.usm_report(session.seen)) from None
            result = await self._look(session, peer, once, end)
        except Exception as error:  # noqa: BLE001 - it could not be read
            raise self._unread(session, peer, error) from None
        session.proven = True
        return result

    async def _look(self, session: Session, peer: Peer, once: Callable[[], Awaitable[T]], end: float) -> T:
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
                raise self._lost(session, peer, error) from None
            except SnmpAuthError:
                failure = words.report(peer, ber.usm_report(session.seen))
            except Exception as error:  # noqa: BLE001 - it could not be read
                raise self._unread(session, peer, error) from None
        raise failure

    def _unread(self, session: Session, peer: Peer, error: Exception) -> WireError:
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
            raise self._lost(session, peer, error) from None
        except Exception as error:  # noqa: BLE001 - it could not be read
            raise words.garbled(peer, str(error)) from None
        user = usm_user(peer.credentials)
        sock.set_keys(user.name, user.get_auth_alg(), user.get_auth_key(), user.get_priv_alg(), user.get_priv_key())
        session.check = checker(peer.credentials, sock.get_engine_id())
        session.discovered = True

    def _lost(self, session: Session, peer: Peer, error: Exception) -> WireError:
        if isinstance(error, Expired) and session.rejected:
            return words.garbled(peer, "its digest does not fit: perhaps somebody changes it on the way")
        failure = session.failure(error)
        if isinstance(error, Expired):
            # Perhaps it is another device by now: gufo-snmp would not heed what that one says.
            session.rebind(self._socket(peer))
        return failure


def _settled(value: Any) -> Value:
    """The value in our words. No OBJECT IDENTIFIER that a printer names has just four arcs below 256."""
    if type(value) is str and value.count(".") == 3:
        numbers = [int(part) for part in value.split(".")]
        if max(numbers) < 256:
            return bytes(numbers)
    settled: Value = value
    return settled
