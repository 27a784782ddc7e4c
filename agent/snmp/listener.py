"""Listens for SNMP notifications. One is only a reason to ask its printer at once; what it says is not believed.

A flood costs little and keeps nothing: senders that are not asked anyway are ignored unread, the others have a token
bucket each, and what finds it empty is dropped before it is decoded. The socket is read a little at a time, so that
the loop gets on with its work; what comes faster than that is lost in the system, which counts it.
"""

from __future__ import annotations

import asyncio
import errno
import hashlib
import os
import socket
import struct
import time
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress

from agent.model.failure import Failure
from agent.model.health import NOTIFICATION_OUTCOMES
from agent.model.wire import UsmUser
from agent.snmp.gate import Gate
from agent.snmp.notification import GARBLED, HEARD, V1, V2C, V3, Notice, read_plain, version_of
from agent.snmp.notification_usm import UsmReader

LONGEST = 4_096
"""Octets of a notification; more than any printer sends, since it should fit a packet."""

_AT_ONCE = 128
_PAUSE_SECONDS = 0.01
_RECEIVE_BUFFER = 1024 * 1024
_SO_RXQ_OVFL = 40  # Linux: each datagram comes with the number of those lost so far; Python has no name for it
_MAPPED = "::ffff:"


class CannotHear(Failure):
    """The address cannot be listened on. ``str()`` says which, why, and what to do."""


class Listener:
    """Hears notifications on ``host`` and UDP ``port`` (0: any free one) and calls ``heard`` with the sender's address.

    ``users``: the SNMPv3 users that may send. ``timer``: seconds that never go back; ``epoch``: seconds of the epoch.
    ``counts``: notifications by outcome since the start (see ``agent.model.health.NOTIFICATION_OUTCOMES``).
    """

    def __init__(
        self,
        host: str,
        port: int,
        heard: Callable[[str], None],
        users: Sequence[UsmUser] = (),
        *,
        timer: Callable[[], float] = time.monotonic,
        epoch: Callable[[], float] = time.time,
    ) -> None:
        self.counts: Counter[str] = Counter(dict.fromkeys(NOTIFICATION_OUTCOMES, 0))
        self._host = host
        self._port = port
        self._heard = heard
        self._timer = timer
        self._gate = Gate(now=timer())
        self._sources: frozenset[str] = frozenset()
        self._socket: socket.socket | None = None
        self._resume: asyncio.TimerHandle | None = None
        name = hashlib.sha256(f"lowmark {socket.gethostname()} {host} {port}".encode()).digest()[:8]
        self._usm = UsmReader(users, name, epoch)

    @property
    def port(self) -> int:
        """The port that is listened on, once started."""
        return self._port

    def know(self, sources: Collection[str]) -> None:
        """Hear these numeric addresses from now on, and no others."""
        self._sources = frozenset(map(plain_address, sources))
        self._gate.keep(self._sources)

    def use(self, users: Sequence[UsmUser]) -> None:
        """Take the SNMPv3 messages of these users from now on."""
        self._usm.use(users)

    def start(self) -> None:
        """Listen, on the running loop. Raises CannotHear."""
        self._socket = self._bound()
        self._port = int(self._socket.getsockname()[1])
        asyncio.get_running_loop().add_reader(self._socket, self._drain)

    def close(self) -> None:
        """Stop listening. Does nothing when it does not listen."""
        if self._resume is not None:
            self._resume.cancel()
        if self._socket is not None:
            asyncio.get_running_loop().remove_reader(self._socket)
            self._socket.close()
        self._socket = self._resume = None

    # --- datagrams -----------------------------------------------------------------------------------------------

    def _drain(self) -> None:
        if self._socket is None:
            return
        for _ in range(_AT_ONCE):
            try:
                data, more, flags, address = self._socket.recvmsg(LONGEST, socket.CMSG_SPACE(4))
            except OSError:  # nothing is left to read, or an earlier answer of ours was refused
                return
            for level, kind, value in more:
                if (level, kind) == (socket.SOL_SOCKET, _SO_RXQ_OVFL) and len(value) == 4:
                    self.counts["lost"] = struct.unpack("=I", value)[0]
            self._take(data, address, whole=not flags & socket.MSG_TRUNC)
        # A flood: the loop's other work goes first.
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._socket)
        self._resume = loop.call_later(_PAUSE_SECONDS, self._go_on)

    def _go_on(self) -> None:
        self._resume = None
        if self._socket is not None:
            asyncio.get_running_loop().add_reader(self._socket, self._drain)

    def _take(self, data: bytes, address: tuple[str, int], *, whole: bool) -> None:
        source = plain_address(address[0])
        if source not in self._sources:
            self.counts["unknown"] += 1
        elif not self._gate.admits(source, self._timer()):
            self.counts["dropped"] += 1
        else:
            notice = self._read(data, address) if whole else Notice(GARBLED)
            self.counts[notice.outcome] += 1
            for answer in notice.answers:
                with suppress(OSError):
                    if self._socket is not None:
                        self._socket.sendto(answer, address)
            if notice.outcome == HEARD:
                self._heard(source)

    def _read(self, data: bytes, address: tuple[str, int]) -> Notice:
        version = version_of(data)
        if version == V3:
            return self._usm.read(data, (address[0], address[1]))
        if version in (V1, V2C):
            return read_plain(data, version)
        return Notice(GARBLED)

    # --- the socket ----------------------------------------------------------------------------------------------

    def _bound(self) -> socket.socket:
        wanted = f"[{self._host}]:{self._port}" if ":" in self._host else f"{self._host}:{self._port}"
        try:
            found = socket.getaddrinfo(self._host, self._port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE)
        except (OSError, UnicodeError):
            raise CannotHear(f"cannot hear notifications on {wanted}: {self._host} has no address here") from None
        family, kind, protocol, _, address = found[0]
        made = socket.socket(family, kind, protocol)
        try:
            made.setblocking(False)
            made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER)
            with suppress(OSError):
                made.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
            if family == socket.AF_INET6:
                made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)  # [::] is for printers of both families
            made.bind(address)
        except OSError as problem:
            made.close()
            raise CannotHear(f"cannot hear notifications on {wanted}: {_reason(problem)}") from None
        return made


def plain_address(address: str) -> str:
    """A numeric address as senders are known by: without a zone, IPv4 as IPv4."""
    address = address.partition("%")[0]
    return address.removeprefix(_MAPPED) if address.startswith(_MAPPED) and "." in address else address


def _reason(problem: OSError) -> str:
    if problem.errno == errno.EADDRINUSE:
        return "another program listens there already; give another port under listen.notifications"
    if problem.errno == errno.EACCES:
        return (
            "ports below 1024 are kept for root; give another port under listen.notifications (1162 is usual), "
            "or allow it (CAP_NET_BIND_SERVICE)"
        )
    if problem.errno == errno.EADDRNOTAVAIL:
        return "this machine does not have that address; see listen.notifications"
    return os.strerror(problem.errno) if problem.errno else "the system refuses"
