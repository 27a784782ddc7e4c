"""One kept gufo-snmp socket, driven directly by the event loop.

gufo-snmp's own asyncio session adds and removes a reader and starts a timer task for every request, and each stale
reply starts its timeout afresh. Here the reader stays for the life of the session, one timer bounds the whole
request, and what arrives when nobody waits (late and double replies) is read and thrown away.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import weakref
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

from agent.model.wire import Peer

T = TypeVar("T")


class Expired(Exception):
    """No acceptable answer came in time."""


class Ended(Exception):
    """gufo-snmp ended a walk: the answer was empty or an error-status (it does not say which)."""


_TICKS = 20  # a second


class _Timers:
    """Time-outs in bundles: all that end within the same twentieth of a second share one timer of the loop."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._bundles: dict[int, set[asyncio.Future[Any]]] = {}

    def start(self, waiter: asyncio.Future[Any], seconds: float) -> set[asyncio.Future[Any]]:
        """Have ``waiter`` end with Expired after ``seconds``, or up to a twentieth of a second later.

        Returns:
            The set that holds the waiter; taking it out stops its time.
        """
        tick = int((self._loop.time() + seconds) * _TICKS) + 1
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


_SEND_TRIES = 20
_SEND_PAUSE = 0.005


class Session:
    """A connected UDP socket and the request in flight on it. Hold ``lock`` around every request.

    The kernel delivers only datagrams from the connected address, so replies from anywhere else never arrive, and
    an ICMP refusal arrives as an error of this socket.
    """

    __slots__ = (
        "_receive",
        "_sock",
        "_timers",
        "_waiter",
        "_watch",
        "cursor",
        "discovered",
        "fd",
        "lock",
        "loop",
        "peer",
        "proven",
        "seen",
        "used",
    )

    def __init__(self, sock: Any, peer: Peer) -> None:
        self.peer = peer
        self.used = 0
        self.loop = asyncio.get_running_loop()
        self._timers = _timers(self.loop)
        self.lock = asyncio.Lock()
        self.fd = sock.get_fd()
        self.cursor: tuple[str, str, Any] | None = None
        self.discovered = False
        self.proven = False
        self.seen = b""
        self._watch: socket.socket | None = None
        self._sock: Any = sock
        self._waiter: asyncio.Future[Any] | None = None
        self._receive: Callable[[], Any] = sock.recv_get_many
        self.loop.add_reader(self.fd, self._readable)

    @property
    def sock(self) -> Any:
        """gufo-snmp's socket. Any: those of the three SNMP versions share no class."""
        if self._sock is None:
            raise OSError("the session was closed")
        return self._sock

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
        running = self._timers.start(waiter, seconds)
        self._waiter, self._receive = waiter, receive
        try:
            try:
                send()
            except OSError as error:
                await self._send_again(send, error)
            return await waiter
        finally:
            running.discard(waiter)
            self._waiter = None

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

    def _readable(self) -> None:
        waiter = self._waiter
        if waiter is None or waiter.done():
            self._throw_away()
            return
        try:
            if self._watch is not None:
                self.seen = self._watch.recv(65_535, socket.MSG_PEEK)
            result = self._receive()
        except BlockingIOError:
            return
        except (
            TimeoutError,
            ConnectionRefusedError,
        ):  # so gufo-snmp calls the kernel's refusal; its own timeout is off
            waiter.set_exception(ConnectionRefusedError())
        except StopAsyncIteration:
            waiter.set_exception(Ended())
        except (KeyboardInterrupt, SystemExit):
            raise
        except BaseException as error:  # noqa: BLE001 - a panic of the Rust core is no Exception
            waiter.set_exception(error if isinstance(error, Exception) else RuntimeError(str(error)))
        else:
            waiter.set_result(result)

    def _throw_away(self) -> None:
        with contextlib.suppress(OSError):  # a refusal that came late is taken by reading, too
            os.read(self.fd, 1)  # of a datagram the rest goes with it

    def tap(self) -> socket.socket:
        """A second handle on the same socket, to send, peek and receive plain bytes. The caller closes it."""
        tap = socket.socket(fileno=os.dup(self.fd))
        tap.setblocking(False)
        return tap

    @contextlib.contextmanager
    def watching(self) -> Iterator[None]:
        """Keep a copy of each datagram in ``seen`` before gufo-snmp takes it."""
        self._watch = self.tap()
        try:
            yield
        finally:
            self._watch.close()
            self._watch = None

    def rebind(self, sock: Any) -> None:
        """Go on with another, fresh socket: nothing is known of the other side any more, but ``proven`` stays."""
        self.loop.remove_reader(self.fd)
        self._sock, self.fd, self._receive = sock, sock.get_fd(), _closed
        self.cursor = None
        self.discovered = False
        if self._watch is not None:
            self._watch.close()
            self._watch = self.tap()
        self.loop.add_reader(self.fd, self._readable)

    def close(self) -> None:
        """Let go of the socket. A request in flight ends with OSError."""
        if self._sock is None:
            return
        self.loop.remove_reader(self.fd)
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_exception(OSError("the session was closed"))
        self._sock = self._waiter = self.cursor = None
        self._receive = _closed  # the bound method holds the socket open


def _closed() -> Any:
    raise BlockingIOError
