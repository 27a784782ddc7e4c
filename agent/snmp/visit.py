"""One visit to one printer: every request of it, the tries, the deadline, and what it cost."""

from __future__ import annotations

import asyncio
import random
from collections import deque
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import TypeVar

from agent.model.wire import Community, Garbled, Peer, Refused, Silent, Traffic, Value, WireError
from agent.snmp.wire import Asked, Engine, Rows, Told

T = TypeVar("T")

_JITTER = (0.8, 1.2)
_TOO_LITTLE = 0.02  # seconds left in which no answer can be hoped for
FAST_SECONDS = 0.25
"""Far longer than a printer that lives takes to answer all (common practice, no source)."""
_PAUSE = 0.05  # seconds before the second try where the first one failed at once, doubled for each further one


class OutOfTime(Silent):
    """The deadline of the visit is over, though the printer was answering."""


class Lane:
    """Room for ``width`` visits; the others wait, first come first served.

    As asyncio's semaphore, which looks through all that wait for each one that leaves.
    """

    __slots__ = ("_free", "_waiting")

    def __init__(self, width: int) -> None:
        self._free = width
        self._waiting: deque[asyncio.Future[None]] = deque()

    async def enter(self) -> None:
        """Wait for room."""
        if self._free:
            self._free -= 1
            return
        turn = asyncio.get_running_loop().create_future()
        self._waiting.append(turn)
        try:
            await turn
        except asyncio.CancelledError:
            if turn.done() and not turn.cancelled():  # the room was given and is not wanted any more
                self.leave()
            raise

    def leave(self) -> None:
        """Give the room to the one that has waited longest."""
        while self._waiting:
            turn = self._waiting.popleft()
            if not turn.done():
                turn.set_result(None)
                return
        self._free += 1


class Lanes:
    """How many visits run at the same time: so many on the fast lane, and twice as many again that wait for the slow.

    A visit that has not ended after ``FAST_SECONDS`` leaves the fast lane (``hurry``), and joins the slow one at its
    first time-out, so that dead printers, which cost nothing but patience, never keep live ones from being asked.
    """

    def __init__(self, width: int) -> None:
        self._fast = Lane(width)
        self._slow = Lane(2 * width)
        self._hurried: deque[tuple[float, Pass]] = deque()
        self._timed: asyncio.AbstractEventLoop | None = None  # the loop that will look at them

    async def enter(self, *, slow: bool) -> Pass:
        """Wait for room."""
        lane = self._slow if slow else self._fast
        await lane.enter()
        return Pass(lane, self._slow)

    def hurry(self, one: Pass) -> None:
        """Have this visit leave the fast lane ``FAST_SECONDS`` from now, if it is still there."""
        loop = asyncio.get_running_loop()
        end = loop.time() + FAST_SECONDS
        self._hurried.append((end, one))
        if self._timed is not loop:  # one timer for all: they come in the order in which their time is over
            self._timed = loop
            loop.call_at(end, self._step_out, loop)

    def _step_out(self, loop: asyncio.AbstractEventLoop) -> None:
        hurried = self._hurried
        while hurried and (hurried[0][0] <= loop.time() or hurried[0][1].left):
            hurried.popleft()[1].step_out()
        self._timed = None
        if hurried:
            self._timed = loop
            loop.call_at(hurried[0][0], self._step_out, loop)


class Pass:
    """The right of one visit to be on a lane; give it back with ``leave``."""

    __slots__ = ("_lane", "_slow")

    def __init__(self, lane: Lane, slow: Lane) -> None:
        self._lane: Lane | None = lane
        self._slow = slow

    @property
    def left(self) -> bool:
        """Whether it is on no lane."""
        return self._lane is None

    def step_out(self) -> None:
        """Leave the fast lane and go on without one, until a time-out asks for the slow one."""
        if self._lane is not self._slow:
            self.leave()

    async def step_aside(self) -> None:
        """Change to the slow lane, if not there already."""
        if self._lane is self._slow:
            return
        self.leave()
        await self._slow.enter()
        self._lane = self._slow

    def leave(self) -> None:
        """Make room for another visit."""
        if self._lane is not None:
            self._lane.leave()
            self._lane = None


class Visit:
    """The requests of one reading of ``peer``, whose host is numeric. ``seconds`` is the time for all of them."""

    __slots__ = (
        "_answered",
        "_end",
        "_engine",
        "_loop",
        "_pass",
        "_requests",
        "_retries",
        "_started",
        "_timeout",
        "_timeouts",
        "peer",
    )

    def __init__(self, engine: Engine, peer: Peer, lane: Pass, seconds: float) -> None:
        self._engine = engine
        self.peer = peer
        self._pass = lane
        self._loop = asyncio.get_running_loop()
        self._started = self._loop.time()
        self._end = self._started + seconds
        self._timeout = peer.timeout
        self._answered = False
        self._requests = self._retries = self._timeouts = 0

    @property
    def left(self) -> float:
        """Seconds until the deadline."""
        return self._end - self._loop.time()

    def extend(self, seconds: float) -> None:
        """Let the visit last ``seconds`` from its start, if that is later than the present deadline."""
        self._end = max(self._end, self._started + seconds)

    def traffic(self) -> Traffic:
        """What the visit has cost so far."""
        return Traffic(self._requests, self._retries, self._timeouts, self._loop.time() - self._started)

    async def together(self, gets: Asked, step: tuple[str, int]) -> Told:
        """GETs and a step of a walk in a row, as far as the engine takes the short cut, each tried once.

        ``get`` and ``after`` are given what it tells, and go on from there.
        """
        told = await self._engine.together(self.peer, gets, step, self._timeout, self._end)
        answered = len(told.cells) + (told.rows is not None)
        self._requests += answered + (told.failure is not None)
        self._answered = self._answered or answered > 0
        return told

    async def get(self, oids: Sequence[str], ahead: WireError | None = None) -> Mapping[str, Value]:
        """One GET, tried as often as the peer's settings allow. ``ahead``: how the first try has failed already."""
        if ahead is not None:
            return await self._second(ahead, lambda seconds: self._engine.get(self.peer, oids, seconds))
        if self._end - self._loop.time() < self._timeout:
            return await self._try(lambda seconds: self._engine.get(self.peer, oids, seconds))
        # The same as _try, without the detours: this is the one question that every printer is asked all day.
        self._requests += 1
        try:
            found = await self._engine.get(self.peer, oids, self._timeout)
        except (Silent, Garbled) as failure:
            return await self._again(failure, lambda seconds: self._engine.get(self.peer, oids, seconds))
        self._answered = True
        return found

    async def after(self, oid: str, count: int, within: str, ahead: Rows | WireError | None = None) -> Rows:
        """Up to ``count`` instances after ``oid``: one GETBULK, or for SNMPv1 one GETNEXT.

        ``ahead``: what the first try has brought already.
        """
        if isinstance(ahead, Rows):
            return ahead
        peer = self.peer
        first = isinstance(peer.credentials, Community) and peer.credentials.version == "1"

        async def question(seconds: float) -> Rows:
            if first:
                return Rows(await self._engine.get_next(peer, oid, within, seconds))
            return await self._engine.get_bulk(peer, oid, count, within, seconds)

        return await (self._try(question) if ahead is None else self._second(ahead, question))

    async def _try(self, question: Callable[[float], Awaitable[T]]) -> T:
        left = self.left
        if left <= 0:
            raise self._late()
        self._requests += 1
        try:
            answer = await question(min(self._timeout, left))
        except (Silent, Garbled) as failure:
            return await self._again(failure, question)
        self._answered = True
        return answer

    async def _second(self, failure: WireError, question: Callable[[float], Awaitable[T]]) -> T:
        """What is left to do after a first try that failed."""
        if isinstance(failure, Silent | Garbled):
            return await self._again(failure, question)
        raise failure

    async def _again(self, failure: Silent | Garbled, question: Callable[[float], Awaitable[T]]) -> T:
        """The second and further tries: each waits twice as long as the one before, give or take.

        A visit may last longer than the peer's deadline where there is much to walk, but no single question may.
        """
        end = min(self._end, self._loop.time() - self._timeout + self.peer.deadline)
        self._count(failure)
        for attempt in range(1, self.peer.retries + 1):
            since = self._loop.time()
            await self._pass.step_aside()
            waited = self._loop.time() - since
            self._end += waited
            end += waited
            jitter = random.uniform(*_JITTER)  # noqa: S311 - it only keeps printers from being asked in step
            if isinstance(failure, Garbled | Refused):
                await asyncio.sleep(max(0.0, min(_PAUSE * 2**attempt * jitter, end - self._loop.time())))
            left = end - self._loop.time()
            if left <= _TOO_LITTLE:
                break
            self._requests += 1
            self._retries += 1
            patience = min(self._timeout * 2**attempt * jitter, left)
            try:
                answer = await question(patience)
            except (Silent, Garbled) as again:
                failure = again
                self._count(again)
            else:
                self._answered = True
                self._timeout = max(self._timeout, patience)  # it is slow: give it as long for the next question
                return answer
        if self._answered and self.left <= _TOO_LITTLE and not isinstance(failure, Garbled | Refused):
            raise self._late()
        raise failure

    def _count(self, failure: Silent | Garbled) -> None:
        if not isinstance(failure, Garbled | Refused):
            self._timeouts += 1

    def _late(self) -> OutOfTime:
        return OutOfTime(
            f"{self.peer.address} answered, but so slowly that the time was over before all was asked: "
            "give it a longer deadline"
        )


def chunks(oids: tuple[str, ...], size: int) -> Asked:
    """The OIDs in tuples of at most ``size``."""
    return tuple(oids[at : at + size] for at in range(0, len(oids), size))
