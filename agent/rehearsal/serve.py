"""The fleet on the loopback network: real UDP, real SNMP, and hands that can interfere while it runs.

Nothing here sends first, and nothing binds outside 127.0.0.0/8 and ::1.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Self, cast

from agent.model.failure import Failure
from agent.model.wire import Community
from agent.rehearsal import face
from agent.rehearsal.agent import Image, Responder
from agent.rehearsal.clock import SimClock
from agent.rehearsal.fleet import Address, Fleet, own_addresses
from agent.rehearsal.truth import Deed
from agent.rehearsal.wear import Worn

_TICK = 0.5  # seconds between two looks at the clock
_RECEIVE_BUFFER = 1 << 20
_ENGINE = bytes.fromhex("80007ed904")  # enterprise 32473 (RFC 5612), format 4: text (RFC 3411, SnmpEngineID)


class CannotServe(Failure):
    """The rehearsal cannot listen where it should."""

    status = 2


def loopback_answers_everywhere() -> bool:
    """True where addresses of 127.0.0.0/8 besides 127.0.0.1 can be bound, as on Linux."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
        try:
            trial.bind(("127.77.0.1", 0))
        except OSError:
            return False
    return True


@dataclass(slots=True)
class Host:
    """One address with the printers behind it, what answers for them, and the prepared answers."""

    address: Address
    printers: tuple[Worn, ...]
    responder: Responder
    image: Image | None = None
    stamp: tuple[object, ...] = ()
    transport: asyncio.DatagramTransport | None = None


class _Port(asyncio.DatagramProtocol):
    """The socket of one host."""

    def __init__(self, answer: Callable[[bytes], bytes | None]) -> None:
        self._answer = answer
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)  # Python 3.11's is no subclass of it

    def datagram_received(self, data: bytes, addr: tuple[str | int, ...]) -> None:
        made = self._answer(data)
        if made is not None and self._transport is not None:
            self._transport.sendto(made, addr)


@dataclass(frozen=True, slots=True)
class Scene:
    """Something that is made to happen ``after`` so many real seconds: what it is, and the deed itself."""

    after: float
    text: str
    act: Callable[[], object]


class Rehearsal:
    """Serves a fleet from a thread of its own between ``start()`` and ``stop()`` (or as a context manager).

    ``clock``: the simulated time. ``reader_in_real_time``: show sysUpTime, and speeds, to a reader who lives in real
    time; False when the reader goes by ``clock`` as well. ``told`` is called, in the rehearsal's thread, with each deed
    as it happens. Raises CannotServe from ``start`` when an address cannot be bound.
    """

    def __init__(
        self,
        fleet: Fleet,
        clock: SimClock,
        *,
        reader_in_real_time: bool = True,
        told: Callable[[Deed], None] | None = None,
    ) -> None:
        self.fleet, self.clock = fleet, clock
        self._live = face.Frame(clock.speed, clock.start.timestamp())
        fleet.see_from(self._live if reader_in_real_time else face.Frame())
        self._told = told
        self._lock = threading.RLock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._ending: asyncio.Event | None = None
        self._ready = threading.Event()
        self._failure: BaseException | None = None
        self._scenes: list[Scene] = []
        self._deeds_told = 0
        self.hosts: list[Host] = []
        groups: dict[tuple[str, int], list[Worn]] = {}
        for worn in fleet.printers:
            groups.setdefault((worn.who.host, worn.who.port), []).append(worn)
        for place, printers in groups.items():
            self.hosts.append(self._host(Address(*place), tuple(printers)))

    # --- serving ------------------------------------------------------------------------------------------------

    def _host(self, address: Address, printers: tuple[Worn, ...]) -> Host:
        first = printers[0]
        credentials = first.kind.credentials

        def engine_clock() -> tuple[int, int]:
            return first.boots, int(self._live.seconds(first.booted, self.clock.now().timestamp()))

        made: list[Host] = []
        responder = Responder(
            lambda: self._image(made[0]),
            credentials if isinstance(credentials, Community) else (credentials,),
            engine_id=_ENGINE + first.who.name.encode(),
            clock=engine_clock,
            largest=first.kind.largest,
        )
        made.append(Host(address, printers, responder))
        return made[0]

    def _image(self, host: Host) -> Image:
        now = self.clock.now()
        stamp = (*(worn.version for worn in host.printers), int(now.timestamp()))
        if host.image is None or host.stamp != stamp:
            cells = self.fleet.cells(host.printers[0], now)
            host.image, host.stamp = Image(cells, face.tag_of, host.image), stamp
        return host.image

    def _answer(self, host: Host, datagram: bytes) -> bytes | None:
        with self._lock:
            now = self.clock.now().timestamp()
            for worn in host.printers:
                worn.advance(now)
            if not all(worn.on for worn in host.printers):
                return None
            return host.responder.handle(datagram)

    def start(self) -> Self:
        """Listen at every address; returns when all of them answer. Raises CannotServe."""
        self._thread = threading.Thread(target=self._run, name="rehearsal", daemon=True)
        self._thread.start()
        self._ready.wait(60)
        if self._failure is not None:
            self._thread.join(10)
            raise self._failure
        return self

    def stop(self) -> None:
        """Close every socket and end the thread. Harmless when it is not running."""
        if self._loop is not None and self._ending is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended by itself
                self._loop.call_soon_threadsafe(self._ending.set)
        if self._thread is not None:
            self._thread.join(10)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except CannotServe as failure:
            self._failure = failure
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        self._loop, self._ending = asyncio.get_running_loop(), asyncio.Event()
        began = self._loop.time()
        try:
            with self._lock:
                self.fleet.advance(self.clock.now())
                self._deeds_told = len(self.fleet.truth.deeds)
            for host in self.hosts:
                await self._bind(host)
            self._ready.set()
            while not self._ending.is_set():
                self._tick(self._loop.time() - began)
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._ending.wait(), _TICK)
        finally:
            for host in self.hosts:
                if host.transport is not None:
                    host.transport.close()
            await asyncio.sleep(0)

    async def _bind(self, host: Host) -> None:
        address = host.address
        if not ipaddress.ip_address(address.host).is_loopback:
            raise CannotServe(f"{address.host} is no loopback address; a rehearsal stays on this machine")
        family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_DGRAM)
        try:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER)
            sock.bind((address.host, address.port))
            sock.setblocking(False)
        except OSError as error:
            sock.close()
            raise CannotServe(
                f"cannot listen at {address} (UDP): {error.strerror or error}; "
                "is another rehearsal running? Choose another port with --port"
            ) from error
        if address.port == 0:
            host.address = Address(address.host, int(sock.getsockname()[1]))
        loop = asyncio.get_running_loop()
        host.transport, _ = await loop.create_datagram_endpoint(
            lambda: _Port(lambda datagram: self._answer(host, datagram)), sock=sock
        )

    def _tick(self, elapsed: float) -> None:
        with self._lock:
            self.fleet.advance(self.clock.now())
            while self._scenes and self._scenes[0].after <= elapsed:
                self._scenes.pop(0).act()
            new = self.fleet.truth.deeds[self._deeds_told :]
            self._deeds_told += len(new)
        for deed in new if self._told is not None else ():
            if self._told is not None:
                self._told(deed)

    # --- what can be seen ---------------------------------------------------------------------------------------

    def host_of(self, name: str) -> Host:
        """The address that a printer answers at. Raises KeyError for an unknown name."""
        worn = self.fleet.by_name[name]
        return next(host for host in self.hosts if worn in host.printers)

    @property
    def asked(self) -> Counter[str]:
        """Requests so far by kind, over all printers."""
        return sum((host.responder.asked for host in self.hosts), Counter())

    @property
    def sets(self) -> int:
        """How many SET requests arrived."""
        return self.asked["set"]

    # --- hands that interfere -----------------------------------------------------------------------------------

    def _touch(self, name: str) -> Worn:
        worn = self.fleet.by_name[name]
        worn.advance(self.clock.now().timestamp())
        return worn

    def set_level(self, name: str, key: str, left: float) -> None:
        """From now on this share (0.0 .. 1.0) of a supply is left."""
        with self._lock:
            self._touch(name).set_left(key, left)

    def swap(self, name: str, key: str) -> None:
        """Somebody fits a new cartridge (drum, kit ...) now."""
        with self._lock:
            self._touch(name).swap(key)

    def fit(self, name: str, key: str, left: float = 1.0, *, reset: bool = True) -> None:
        """Somebody fits a supply or part of which this share is good; ``reset`` False leaves a part's counter."""
        with self._lock:
            self._touch(name).fit(key, left, reset=reset)

    def reset_part(self, name: str, key: str) -> None:
        """Somebody sets the printer's counter of a part back to new."""
        with self._lock:
            self._touch(name).reset_gauge(key)

    def calibrate(self, name: str) -> None:
        """The printer calibrates now."""
        with self._lock:
            self._touch(name).calibrate()

    def untended(self) -> None:
        """From now on nobody fits supplies but the hands."""
        with self._lock:
            for worn in self.fleet.printers:
                worn.tended = False

    def jam(self, name: str, hours: float = 1.0) -> None:
        """Paper jams now; it is cleared after so many working hours, or by ``clear``."""
        with self._lock:
            self._touch(name).jam(hours)

    def clear(self, name: str) -> None:
        """The jam is cleared now."""
        with self._lock:
            self._touch(name).clear()

    def unplug(self, name: str) -> None:
        """The printer falls silent."""
        with self._lock:
            self._touch(name).switch(on=False)

    def plug(self, name: str) -> None:
        """The printer starts up."""
        with self._lock:
            self._touch(name).switch(on=True)

    def print_pages(self, name: str, pages: int, colour: int = 0) -> None:
        """The printer prints so many impressions at once (nothing while it is blocked)."""
        with self._lock:
            self._touch(name).print(pages, colour)

    def reset_counter(self, name: str, value: int = 0) -> None:
        """The life counter starts anew at ``value``."""
        with self._lock:
            self._touch(name).reset_life(value)

    def exchange(self, name: str, serial: str) -> None:
        """Another printer of the same model, with this serial number, stands there now."""
        with self._lock:
            worn = self._touch(name)
            mac = worn.who.mac[:3] + bytes(octet ^ 0x5A for octet in worn.who.mac[3:])
            worn.become_another(replace(worn.who, serial=serial, mac=mac))
            self.fleet.renew(worn, worn.who)

    def move(self, name: str, to: Address | None = None) -> Address:
        """All that stands at the address of this printer moves to another one (a free one by default)."""
        if self._loop is None:
            raise CannotServe("a printer can only be moved while the rehearsal runs")
        with self._lock:
            old = self.host_of(name)
            taken = {host.address for host in self.hosts}
            spare = own_addresses(len(self.hosts) + 250, old.address.port)[200:]
            new = to or next(address for address in spare if address not in taken)
        done = asyncio.run_coroutine_threadsafe(self._move(old, new), self._loop)
        done.result(10)
        return old.address

    async def _move(self, host: Host, to: Address) -> None:
        if host.transport is not None:
            host.transport.close()
        host.address = to
        await self._bind(host)
        with self._lock:
            for worn in host.printers:
                self.fleet.renew(worn, replace(worn.who, host=host.address.host, port=host.address.port))
                worn.tell("moved", str(host.address))

    def stage(self, scenes: Sequence[Scene]) -> None:
        """Have these happen, each so many real seconds after the start."""
        with self._lock:
            self._scenes = sorted(scenes, key=lambda scene: scene.after)


def _swap_if_low(rehearsal: Rehearsal, name: str) -> None:
    """New toner, unless somebody has been there already."""
    if rehearsal.fleet.by_name[name].lives["toner:black"].left < 0.5:
        rehearsal.swap(name, "toner:black")


def _runs_low(rehearsal: Rehearsal, name: str, key: str, left: float) -> None:
    """So little is left now, or less where that is so already: nothing fills up by itself."""
    rehearsal.set_level(name, key, min(left, rehearsal.fleet.by_name[name].lives[key].left))


def usual_scenes(rehearsal: Rehearsal) -> tuple[Scene, ...]:
    """A few events within the first minutes, so that whoever watches sees something happen at any speed."""

    def of(kind: str) -> str | None:
        return next((worn.who.name for worn in rehearsal.fleet.printers if worn.kind.name == kind), None)

    made: list[Scene] = []
    if desk := of("mono desktop"):
        made.append(Scene(15, f"{desk}: toner runs low", lambda: _runs_low(rehearsal, desk, "toner:black", 0.08)))
        made.append(Scene(150, f"{desk}: new toner", lambda: _swap_if_low(rehearsal, desk)))
    if floor := of("colour floor unit"):
        made.append(Scene(30, f"{floor}: paper jam", lambda: rehearsal.jam(floor)))
        made.append(Scene(110, f"{floor}: jam cleared", lambda: rehearsal.clear(floor)))
    if kana := of("Shift-JIS console"):
        made.append(Scene(50, f"{kana}: unplugged", lambda: rehearsal.unplug(kana)))
        made.append(Scene(170, f"{kana}: plugged in", lambda: rehearsal.plug(kana)))
    if odd := of("odd waste bin"):
        made.append(Scene(70, f"{odd}: waste bin nearly full", lambda: _runs_low(rehearsal, odd, "wasteToner", 0.05)))
    return tuple(made)
