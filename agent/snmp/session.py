"""One kept gufo-snmp socket, driven directly by the event loop.

gufo-snmp's own asyncio session adds and removes a reader and starts a timer task for every request, and each stale
reply starts its timeout afresh. Here the reader stays for the life of the session, one timer bounds the whole
request, and what arrives when nobody waits (late and double replies) is read and thrown away.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import os
import socket
import weakref
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

from gufo.snmp._fast import GetIter

from agent.model.wire import Peer, WireError
from agent.snmp import words
from agent.snmp.wire import Rows

if TYPE_CHECKING:
    from agent.snmp.errand import Errand

T = TypeVar("T")


class Expired(Exception):
    """No acceptable answer came in time."""


class Ended(Exception):
    """gufo-snmp ended a walk: the answer was empty or an error-status (it does not say which)."""


_AT_END = object()  # stands for a place in a walk that is over
_TICKS = 20  # a second


class _Timers:
    """Time-outs in bundles: all that end within the same twentieth of a second share one timer of the loop."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._bundles: dict[int, set[asyncio.Future[Any]]] = {}

    def start(self, waiter: asyncio.Future[Any], end: float) -> set[asyncio.Future[Any]]:
        """Have ``waiter`` end with Expired at ``end`` (the loop's time), or up to a twentieth of a second later.

        Returns:
            The set that holds the waiter; taking it out stops its time.
        """
        tick = int(end * _TICKS) + 1
        bundle = self._bundles.get(tick)
        if bundle is None:
            self._bundles[tick] = bundle = set()
            self._loop.call_at(tick / _TICKS, self._expire, tick)
        bundle.add(waiter)
        return bundle

    def _expire(self, tick: int) -> None:
        for waiter in self._bundles.pop(tick):
            if not waiter.done():
                waiter.set_exception(Expired())


_OF_LOOPS: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, _Timers] = weakref.WeakKeyDictionary()


def _timers(loop: asyncio.AbstractEventLoop) -> _Timers:
    timers = _OF_LOOPS.get(loop)
    if timers is None:
        _OF_LOOPS[loop] = timers = _Timers(loop)
    return timers


MOST_OCTETS = 65_535
"""Of the largest datagram."""
_SEND_TRIES = 20
_SEND_PAUSE = 0.005


class Session:
    """A connected UDP socket and the request in flight on it. Hold ``lock`` around every request.

    The kernel delivers only datagrams from the connected address, so replies from anywhere else never arrive, and
    an ICMP refusal arrives as an error of this socket.

    A ``guarded`` session keeps gufo-snmp off the network: its file descriptor is made one end of a local pair, and
    this class carries each datagram between the other end and a socket of its own. gufo-snmp does not check who wrote
    an SNMPv3 answer, so ``check`` sees each datagram first, and what it rejects is as if it had never come.
    """

    __slots__ = (
        "_guarded",
        "_line",
        "_receive",
        "_running",
        "_sock",
        "_timers",
        "_waiter",
        "_wire",
        "check",
        "cursor",
        "discovered",
        "ends",
        "errand",
        "fd",
        "lock",
        "loop",
        "peer",
        "proven",
        "rejected",
        "seen",
        "used",
    )

    def __init__(self, sock: Any, peer: Peer, *, guarded: bool = False) -> None:
        self.peer = peer
        self._guarded = guarded
        self.used = 0
        self.ends = 0.0  # the loop's time at which the exchange under way has to be over
        self.loop = asyncio.get_running_loop()
        self.lock = asyncio.Lock()
        self.cursor: tuple[str, str, Any] | None = None
        self.errand: Errand | None = None
        self.discovered = False
        self.proven = False
        self.seen = b""
        self.rejected = 0
        self.check: Callable[[bytes], bool] | None = None
        self._timers = _timers(self.loop)
        self._waiter: asyncio.Future[Any] | None = None
        self._running: set[asyncio.Future[Any]] = set()
        self._receive: Callable[[], Any] = _closed
        self._line: socket.socket | None = None
        self._wire: socket.socket | None = None
        self._sock: Any = sock
        if guarded:
            self._wire = _connected(peer)
            self._line = _interpose(sock)
            self.fd = self._wire.fileno()
            self.loop.add_reader(self.fd, self._carry)
        else:
            self.fd = sock.get_fd()
            self.loop.add_reader(self.fd, self._readable)

    @property
    def sock(self) -> Any:
        """gufo-snmp's socket. Any: those of the three SNMP versions share no class."""
        if self._sock is None:
            raise OSError("the session was closed")
        return self._sock

    @property
    def descriptors(self) -> int:
        """How many file descriptors the session holds."""
        return 3 if self._guarded else 1

    @property
    def busy(self) -> bool:
        """Whether a request is in flight or waiting for its turn."""
        return self.lock.locked()

    async def exchange(self, send: Callable[[], None], receive: Callable[[], T], seconds: float) -> T:
        """Send, and hand back what ``receive`` makes of the first datagram that it accepts.

        ``receive`` raises BlockingIOError for a datagram that is not the answer.

        Raises:
            Expired: nothing acceptable came within ``seconds``.
            Ended: gufo-snmp ended a walk.
            OSError: the socket failed; ConnectionRefusedError when nothing listens there.
            Exception: whatever else ``receive`` raised.
        """
        waiter: asyncio.Future[T] = self.loop.create_future()
        self.ends = self.loop.time() + seconds
        self._running = self._timers.start(waiter, self.ends)
        self._waiter, self._receive = waiter, receive
        self.rejected = 0
        try:
            if self._wire is not None and self._line is not None:
                send()
                data = self._line.recv(MOST_OCTETS)
                send = functools.partial(_pass_on, self._wire, data)
            try:
                send()
            except OSError as error:
                await self._send_again(send, error)
            return await waiter
        finally:
            self._running.discard(waiter)
            self._waiter = None
            self._receive = _closed  # a bound method is an object, and there are thousands of sessions

    def prolong(self, end: float) -> None:
        """Let the exchange under way end at ``end`` (the loop's time) at the latest."""
        waiter = self._waiter
        if waiter is not None:
            self._running.discard(waiter)
            self._running = self._timers.start(waiter, end)
            self.ends = end

    async def _send_again(self, send: Callable[[], None], error: OSError) -> None:
        for _ in range(_SEND_TRIES):
            if isinstance(error, BlockingIOError):  # the send buffer is full
                await asyncio.sleep(_SEND_PAUSE)
            elif not isinstance(error, ConnectionRefusedError):  # that one is about an earlier datagram
                raise error
            try:
                send()
            except OSError as again:
                error = again
            else:
                return
        raise error

    def place(self, root: str, oid: str) -> Any:
        """gufo-snmp's place in the walk below ``root`` that has come to ``oid``, if it is the one under way."""
        cursor = self.cursor
        return cursor[2] if cursor is not None and cursor[0] == root and cursor[1] == oid else None

    async def step(self, oid: str, repetitions: int, root: str, end: float) -> Rows:
        """One GETBULK at ``root`` or where the walk under way stands, answered by ``end`` (the loop's time)."""
        sock = self.sock
        place = self.place(root, oid) if oid != root else None
        if place is None:
            place = GetIter(root, repetitions)
        elif place is _AT_END:
            return Rows()
        rows = await self.exchange(
            lambda: sock.send_get_bulk(place), lambda: sock.recv_get_bulk(place), end - self.loop.time()
        )
        found = Rows(row for row in rows if row is not None and row[1] is not None)
        found.over = None in rows
        if found:
            self.cursor = (root, found[-1][0], _AT_END if found.over else place)
        return found

    def failure(self, error: Exception) -> WireError:
        """What Expired or an OSError of this session means."""
        if isinstance(error, ConnectionRefusedError):
            return words.refused(self.peer)
        if isinstance(error, OSError):
            return words.unreachable(self.peer, error)
        return words.dropped(self.peer) if self.discovered and not self.proven else words.silent(self.peer)

    def _carry(self) -> None:
        """Take one datagram from the network, and give it to gufo-snmp if it is genuine and waited for."""
        assert self._wire is not None and self._line is not None  # noqa: S101, PT018 - only guarded sessions come here
        waiter = self._waiter
        try:
            data = self._wire.recv(MOST_OCTETS)
        except BlockingIOError:
            return
        except OSError as error:
            if waiter is not None and not waiter.done():
                waiter.set_exception(error)
            return
        if waiter is None or waiter.done():
            return
        if self.check is not None and not self.check(data):
            self.rejected += 1
            return
        self.seen = data
        with contextlib.suppress(OSError):
            self._line.send(data)
            self._readable()

    def _readable(self) -> None:
        waiter = self._waiter
        if waiter is None or waiter.done():
            with contextlib.suppress(OSError):  # a refusal that came late is taken by reading, too
                os.read(self.fd, 1)  # of a datagram the rest goes with it
            return
        try:
            result = self._receive()
        except BlockingIOError:
            return
        except (TimeoutError, ConnectionRefusedError):  # so gufo-snmp calls the kernel's refusal; its timeout is off
            waiter.set_exception(ConnectionRefusedError())
        except StopAsyncIteration:
            waiter.set_exception(Ended())
        except (KeyboardInterrupt, SystemExit):
            raise
        except BaseException as error:  # noqa: BLE001 - a panic of the Rust core is no Exception
            waiter.set_exception(error if isinstance(error, Exception) else RuntimeError(str(error)))
        else:
            waiter.set_result(result)

    def rebind(self, sock: Any) -> None:
        """Go on with another, fresh socket of gufo-snmp in a guarded session.

        Nothing is known of the other side any more, but that it was ``proven``, and how far a walk had come.
        """
        if self._line is not None:
            self._line.close()
        self._sock, self._line = sock, _interpose(sock)
        self._receive = _closed
        self.check = None
        self.discovered = False

    def close(self) -> None:
        """Let go of the socket. A request in flight ends with OSError."""
        if self._sock is None:
            return
        if not self.loop.is_closed():
            self.loop.remove_reader(self.fd)
        if self._waiter is not None and not self._waiter.done() and not self.loop.is_closed():
            self._waiter.set_exception(OSError("the session was closed"))
        for own in (self._line, self._wire):
            if own is not None:
                own.close()
        self._sock = self._waiter = self.cursor = self.check = self.errand = None
        self._receive = _closed  # the bound method holds the socket open


def _closed() -> Any:
    raise BlockingIOError


def _pass_on(wire: socket.socket, data: bytes) -> None:
    wire.send(data)


def _connected(peer: Peer) -> socket.socket:
    family, kind, protocol, _, address = socket.getaddrinfo(
        peer.host, peer.port, type=socket.SOCK_DGRAM, flags=socket.AI_NUMERICHOST
    )[0]
    wire = socket.socket(family, kind, protocol)
    try:
        wire.setblocking(False)
        wire.connect(address)
    except OSError:
        wire.close()
        raise
    return wire


def _interpose(sock: Any) -> socket.socket:
    """Make gufo-snmp's file descriptor one end of a local pair, and hand back the other end."""
    inner, outer = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    inner.setblocking(False)
    outer.setblocking(False)
    with inner:
        os.dup2(inner.fileno(), sock.get_fd(), inheritable=False)
    return outer
