"""Carrying letters from the outbox to the channels, again and again until the agent ends."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from agent.app.letters import Letters
from agent.notify.channel import Channel
from agent.notify.outbox import Outbox
from agent.store.errors import StoreError

PAUSE_SECONDS = 1.0
LAST_WORDS_SECONDS = 10.0
"""How long messages that are under way when the agent is stopped may still take. Later ones wait in the store."""


class Teller:
    """Runs rounds of the outbox: one a second, and one at once when it is woken."""

    def __init__(self, letters: Letters, now: Callable[[], datetime], log: Any) -> None:
        self._outbox = Outbox(letters, {})
        self._channels: dict[str, Channel] = {}
        self._now = now
        self._log = log
        self._awake = asyncio.Event()
        self._ending = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None

    async def use(self, channels: Mapping[str, Channel]) -> None:
        """Tell people by these from now on; the former ones are closed."""
        retired, self._channels = self._channels, dict(channels)
        self._outbox.use(channels)
        for channel in retired.values():
            await channel.close()

    def start(self) -> None:
        """Begin."""
        self._loop = asyncio.get_running_loop()
        self._task = asyncio.create_task(self._run())

    def wake(self) -> None:
        """There may be something to tell. May be called from any thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._awake.set)

    async def stop(self) -> None:
        """End with a last round, give those under way a little time, close the channels."""
        self._ending = True
        self._awake.set()
        if self._task is not None:
            await self._task
        await self.use({})

    async def tell(self) -> None:
        """One round. Raises StoreError."""
        done = await self._outbox.run_once(self._now())
        for error in done.errors:
            self._log.warning("a message could not be delivered yet", problem=error)
        if done.sent or done.dead:
            self._log.info("told", sent=done.sent, failed=done.failed, given_up=done.dead)

    async def _run(self) -> None:
        # A round does not wait for the one before, so that a slow channel holds up no other.
        rounds: set[asyncio.Task[None]] = set()
        while True:
            ending = self._ending
            rounds = {task for task in rounds if not task.done()}
            task = asyncio.create_task(self.tell())
            task.add_done_callback(self._told)
            rounds.add(task)
            if ending:
                break
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._awake.wait(), PAUSE_SECONDS)
            self._awake.clear()
        await asyncio.wait(rounds, timeout=LAST_WORDS_SECONDS)

    def _told(self, task: asyncio.Future[None]) -> None:
        problem = None if task.cancelled() else task.exception()
        if isinstance(problem, StoreError):
            self._log.warning("the outbox cannot use the store", problem=str(problem))
        elif problem is not None:
            self._log.error("the outbox failed", problem=type(problem).__name__, exc_info=problem)
