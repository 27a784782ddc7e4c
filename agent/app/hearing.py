"""From a notification to a reading: which stations a sender stands for, and when they are asked.

What comes within a moment is gathered, a sender that is waiting to be asked is not asked twice, and none is asked more
often than every ``PAUSE_SECONDS``. The asking goes beside the sweep, which is not held up by it.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING

import structlog

from agent.model.wire import Unresolved, UsmUser
from agent.settings import Settings
from agent.settings.secrets import SecretMissing, SecretUnfit
from agent.settings.shape import NOTIFICATIONS_PORT
from agent.snmp.addresses import Resolver
from agent.sweep.station import Station

if TYPE_CHECKING:  # what it needs takes some megabytes, and most fleets send no notifications
    from agent.snmp.listener import Listener

GATHER_SECONDS = 0.2
PAUSE_SECONDS = 2.0
MOST_ASKING = 8
"""Groups asked at the same time: one that does not answer holds up no other."""
NAMES_SECONDS = 300.0
"""How often host names are resolved anew."""
_RESOLVE_SECONDS = 5.0
_RESOLVE_AT_ONCE = 20

Ask = Callable[[list[Station]], Awaitable[None]]


class Hearing:
    """Hears the notifications of the stations' printers, and has ``ask`` called with those to be asked at once.

    ``timer``: seconds that never go back.
    """

    def __init__(self, ask: Ask, timer: Callable[[], float]) -> None:
        self._ask = ask
        self._timer = timer
        self._log = structlog.get_logger("lowmark")
        self._listener: Listener | None = None
        self._stations: tuple[Station, ...] = ()
        self._homes: dict[str, list[Station]] = {}
        self._resolver = Resolver(NAMES_SECONDS / 2)
        self._due: dict[str, float] = {}
        self._asked: dict[str, float] = {}
        self._asking: set[asyncio.Task[None]] = set()
        self._held = False
        self._wake = asyncio.Event()
        self._tasks: list[asyncio.Task[None]] = []

    @property
    def counts(self) -> Mapping[str, int]:
        """Notifications by outcome."""
        return MappingProxyType({} if self._listener is None else dict(self._listener.counts))

    async def start(self, settings: Settings, stations: Sequence[Station]) -> None:
        """Listen, if the settings say where. Raises CannotHear."""
        where = settings.listen.notifications
        if where is None:
            return
        from agent.snmp.listener import Listener

        port = NOTIFICATIONS_PORT if where.port is None else where.port
        listener = Listener(where.host, port, self.heard, users(settings), timer=self._timer)
        listener.start()
        self._listener = listener
        self._settle(stations)
        self._tasks = [asyncio.create_task(self._ask_on()), asyncio.create_task(self._resolve_on())]

    def renew(self, settings: Settings, stations: Sequence[Station]) -> None:
        """Other settings: other stations and users. The address stays until the next start."""
        if self._listener is not None:
            self._listener.use(users(settings))
            self._settle(stations)
            self._tasks[1].cancel()
            self._tasks[1] = asyncio.create_task(self._resolve_on())

    @contextlib.asynccontextmanager
    async def quiet(self) -> AsyncIterator[None]:
        """While this lasts nobody is asked; what is heard waits."""
        self._held = True
        try:
            if self._asking:
                await asyncio.wait(self._asking)
            yield
        finally:
            self._held = False
            self._wake.set()

    async def stop(self) -> None:
        """Stop listening, and let the asking under way come to its end."""
        if self._listener is not None:
            self._listener.close()
        for task in self._tasks:
            task.cancel()
        if pending := [*self._tasks, *self._asking]:
            await asyncio.wait(pending)
        self._tasks = []

    # --- who is who ----------------------------------------------------------------------------------------------

    def _settle(self, stations: Sequence[Station]) -> None:
        self._stations = tuple(stations)
        self._know({host: (host,) for host in self._hosts() if _numeric(host)})

    def _hosts(self) -> set[str]:
        return {station.stop.peer.host for station in self._stations}

    def _know(self, addresses: Mapping[str, Iterable[str]]) -> None:
        """``addresses``: numeric addresses by host."""
        from agent.snmp.listener import plain_address

        homes: dict[str, list[Station]] = {}
        for station in self._stations:
            for address in addresses.get(station.stop.peer.host, ()):
                homes.setdefault(plain_address(address), []).append(station)
        self._homes = homes
        self._due = {source: at for source, at in self._due.items() if source in homes}
        self._asked = {source: at for source, at in self._asked.items() if source in homes}
        if self._listener is not None:
            self._listener.know(homes.keys())

    async def _resolve_on(self) -> None:
        """Host names may change their addresses. One that has none at the moment is known by its last."""
        known: dict[str, tuple[str, ...]] = {host: (host,) for host in self._hosts() if _numeric(host)}
        names = sorted(self._hosts() - known.keys())
        room = asyncio.Semaphore(_RESOLVE_AT_ONCE)

        async def resolve(name: str) -> None:
            async with room:
                with contextlib.suppress(Unresolved):
                    known[name] = await self._resolver.resolve(name, _RESOLVE_SECONDS)

        while names:
            await asyncio.gather(*map(resolve, names))
            self._know(known)
            await asyncio.sleep(NAMES_SECONDS)

    # --- asking --------------------------------------------------------------------------------------------------

    def heard(self, source: str) -> None:
        """Something was heard of this numeric address: ask it soon."""
        if source not in self._due and source in self._homes:
            not_before = self._asked.get(source, float("-inf")) + PAUSE_SECONDS
            self._due[source] = max(self._timer() + GATHER_SECONDS, not_before)
            self._wake.set()

    async def _ask_on(self) -> None:
        while True:
            self._wake.clear()
            now = self._timer()
            free = not self._held and len(self._asking) < MOST_ASKING
            ready = [source for source, at in self._due.items() if at <= now] if free else []
            if ready:
                self._begin(ready, now)
            wait = min(self._due.values()) - now if self._due and free and not ready else None
            if not ready or not self._due:
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._wake.wait(), None if wait is None else max(0.001, wait))

    def _begin(self, sources: list[str], now: float) -> None:
        stations: list[Station] = []
        for source in sources:
            del self._due[source]
            self._asked[source] = now
            stations += self._homes[source]
        for station in stations:
            station.heard()
        task = asyncio.ensure_future(self._ask(stations))
        self._asking.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Future[None]) -> None:
        self._asking.discard(task)
        self._wake.set()
        problem = None if task.cancelled() else task.exception()
        if problem is not None:
            self._log.error("asking after a notification failed", problem=type(problem).__name__, exc_info=problem)


def users(settings: Settings) -> list[UsmUser]:
    """The SNMPv3 users of the settings. One whose secret is missing is left out; the settings' notices tell of it."""
    found = []
    for entry in settings.credentials.values():
        with contextlib.suppress(SecretMissing, SecretUnfit):
            wire = entry.wire()
            if isinstance(wire, UsmUser):
                found.append(wire)
    return found


def _numeric(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
