"""Open pages hear what has changed, by server-sent events (WHATWG HTML, section 9.2): names of things, no more.

A page that hears the name of what it shows asks for itself again. Whoever tells never waits for whoever listens, and
where nobody listens nothing has to be looked at (``wanted``).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from dataclasses import dataclass, field

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse

from agent.model.failure import Failure
from agent.web.callers import Visit, visit
from agent.web.gate import Gate

LISTENERS = 48
"""So many pages hear of changes; more of them are as they would be without script."""
HEARTBEAT = 15.0
"""Seconds after which something is sent in any case: so a connection that is dead is noticed, and one who may no longer
listen as well."""
GATHERED = 0.5
"""Seconds in which what changes together is told together."""
MOST_NAMES = 300
EVERY_PRINTER = "printer:*"


@dataclass(slots=True)
class _Listener:
    loop: asyncio.AbstractEventLoop
    heard: asyncio.Event = field(default_factory=asyncio.Event)
    names: set[str] = field(default_factory=set)


class Bulletin:
    """What has changed, for whoever listens. ``tell`` and ``close`` may be called from any thread, and never wait.

    ``most`` may listen at the same time; ``heartbeat``: seconds between signs of life.
    """

    def __init__(self, most: int = LISTENERS, heartbeat: float = HEARTBEAT) -> None:
        self._most = most
        self.heartbeat = heartbeat
        self._of: dict[int, _Listener] = {}
        self._lock = threading.Lock()
        self._closed = False

    @property
    def wanted(self) -> bool:
        """Whether anybody listens."""
        return bool(self._of)

    def tell(self, names: Iterable[str]) -> None:
        """These have changed."""
        told = set(names)
        if not told:
            return
        with self._lock:
            for listener in self._of.values():
                listener.names |= told
                _wake(listener)

    def close(self) -> None:
        """Let everybody go who listens, and nobody in any more."""
        with self._lock:
            self._closed = True
            for listener in self._of.values():
                _wake(listener)

    def closed(self) -> bool:
        """Whether it was closed."""
        return self._closed

    def enter(self) -> int | None:
        """A place to listen from, in this event loop; None where there is none left."""
        with self._lock:
            if self._closed or len(self._of) >= self._most:
                return None
            listener = _Listener(asyncio.get_running_loop())
            self._of[id(listener)] = listener
            return id(listener)

    def leave(self, place: int) -> None:
        """Give the place back."""
        with self._lock:
            self._of.pop(place, None)

    async def wait(self, place: int, seconds: float) -> list[str] | None:
        """The names that were told since the last call, [] when ``seconds`` went by without any; None: it is over."""
        listener = self._of.get(place)
        if listener is None or self.closed():
            return None
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(listener.heard.wait(), seconds)
            if not self.closed():
                await asyncio.sleep(GATHERED)
        if self.closed():
            return None
        with self._lock:
            listener.heard.clear()
            told, listener.names = listener.names, set()
        printers = {name for name in told if name.startswith("printer:")}
        if len(printers) > MOST_NAMES:
            told = (told - printers) | {EVERY_PRINTER}
        return sorted(told)


def _wake(listener: _Listener) -> None:
    with contextlib.suppress(RuntimeError):  # its loop has ended: nobody is there any more
        listener.loop.call_soon_threadsafe(listener.heard.set)


def live(bulletin: Bulletin, gate: Gate) -> Callable[[Request], Awaitable[Response]]:
    """The endpoint."""

    async def answer(_: Request) -> Response:
        place = bulletin.enter()
        if place is None:
            return PlainTextResponse("Too many pages listen already.\n", 503, headers={"retry-after": "60"})
        sent = _sent(bulletin, place, gate, visit())
        return StreamingResponse(sent, media_type="text/event-stream", headers={"x-accel-buffering": "no"})

    return answer


async def _sent(bulletin: Bulletin, place: int, gate: Gate, who: Visit) -> AsyncIterator[str]:
    try:
        yield "retry: 5000\n: listening\n\n"
        while (names := await bulletin.wait(place, bulletin.heartbeat)) is not None:
            if not await _still_may(gate, who):
                return
            yield f"event: changed\ndata: {json.dumps(names)}\n\n" if names else ": still here\n\n"
    finally:
        bulletin.leave(place)


async def _still_may(gate: Gate, who: Visit) -> bool:
    keeper, by = gate.keeper, who.caller
    if keeper is None or by.how not in ("session", "proxy"):
        return by.may("look")
    try:
        if by.how == "proxy":
            return await run_in_threadpool(keeper.person, by.name) is not None
        return await run_in_threadpool(keeper.session, who.secret, used=False) is not None
    except Failure:
        return False
