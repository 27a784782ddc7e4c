"""Between the sweep and the store: one thread that writes, and a buffer for what cannot be written now.

The sweep hands over and goes on. What has been handed over is written in order, each batch in one transaction with its
alarms, ledger entries and messages; while the store cannot be written it waits, and is tried again after 1 s, 2 s, 4 s
... at most 30 s.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Sequence
from datetime import datetime

from agent.app.letters import Letters
from agent.model.alarm import Message
from agent.model.fleet import Printer
from agent.store import Store
from agent.store.buffer import Buffer
from agent.store.errors import StoreError
from agent.sweep.work import Newcomer, Work

FIRST_PAUSE = 1.0
LONGEST_PAUSE = 30.0
LAST_TRIES = 3
COUNTING_SECONDS = 5.0


class Recorder:
    """Takes ``Work`` from the sweep. ``wake``: called from the writing thread when there may be something to tell.

    ``failed`` is told each new sentence of a store that fails, and "" when it is well again.
    """

    def __init__(
        self,
        store: Store,
        letters: Letters,
        *,
        clock: Callable[[], datetime],
        wake: Callable[[], None] = lambda: None,
        failed: Callable[[str], None] = lambda _: None,
        limit: int = 20_000,
    ) -> None:
        self._store = store
        self._letters = letters
        self._clock = clock
        self._wake = wake
        self._failed = failed
        self._buffer = Buffer(store, limit=limit)
        self._offered = threading.Event()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()
        self._messages: list[Message] = []
        self._unregistered: datetime | None = None
        self._register_error = ""
        self._said = ""
        self.errors = 0
        self.waiting = 0
        self.dead = 0

    # --- what the sweep needs ------------------------------------------------------------------------------------

    def offer(self, work: Work) -> None:
        """Take it over; never blocks on the store."""
        if work.messages:
            self._letters.decided(work.messages)
            with self._lock:
                self._messages += work.messages
        self._buffer.offer(work.contacts, work.alarms, work.ledger, work.messages, gone=work.gone, bases=work.bases)
        self._offered.set()

    async def register(self, newcomers: Sequence[Newcomer]) -> list[Printer] | None:
        """Save printers with their ledger entries, and give new ones their ids. None: the store cannot be written."""
        try:
            saved = await asyncio.to_thread(self._store.enlist, newcomers)
        except StoreError as error:
            self.errors += 1
            self._unregistered = self._unregistered or self._clock()
            self._register_error = str(error)
            return None
        self._unregistered, self._register_error = None, ""
        return list(saved)

    # --- how it goes ---------------------------------------------------------------------------------------------

    @property
    def depth(self) -> int:
        """How many readings wait to be written."""
        return self._buffer.depth

    @property
    def idle(self) -> bool:
        """Whether all that was handed over is in the store, or was refused by it."""
        return self._buffer.empty

    @property
    def limit(self) -> int:
        """How many may wait."""
        return self._buffer.limit

    @property
    def dropped(self) -> int:
        """How many were lost to a full buffer, or would not be taken by the store whatever its state."""
        return self._buffer.dropped + self._buffer.rejected

    @property
    def failing_since(self) -> datetime | None:
        """Since when the store cannot be written; None while it can."""
        return self._buffer.failing_since or self._unregistered

    @property
    def last_error(self) -> str:
        """Why, in a sentence without secrets."""
        return self._buffer.last_error or self._register_error

    # --- the thread ----------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to write."""
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    def stop(self) -> int:
        """Write what waits and end the thread. Gives back how many readings could not be written."""
        self._ending.set()
        self._offered.set()
        if self._thread is not None:
            self._thread.join()
        for _ in range(LAST_TRIES):
            if self._write():
                break
            threading.Event().wait(FIRST_PAUSE)
        return self._buffer.depth

    def flush(self) -> bool:
        """Write now, in the calling thread. True when nothing waits any more."""
        return self._write()

    def _run(self) -> None:
        pause = FIRST_PAUSE
        while not self._ending.is_set():
            self._offered.wait(COUNTING_SECONDS)
            self._offered.clear()
            if self._ending.is_set():
                return
            if self._write():
                pause = FIRST_PAUSE
                continue
            self._ending.wait(pause)
            pause = min(LONGEST_PAUSE, pause * 2)
            self._offered.set()

    def _write(self) -> bool:
        with self._lock:
            messages, self._messages = self._messages, []
        rejected = self._buffer.rejected
        done = self._buffer.flush(self._clock()).done
        self._letters.failing = not done
        if done:
            self._letters.written(messages)
            self._count()
        else:
            self.errors += 1
            with self._lock:
                self._messages = messages + self._messages
        if self._buffer.rejected > rejected:
            self._failed(f"the store would not take a part of what was read: {self._buffer.last_rejection}")
        if self._buffer.last_error != self._said:
            self._said = self._buffer.last_error
            self._failed(self._said)
        if messages:
            self._wake()
        return done

    def _count(self) -> None:
        # Counts are for looking at: if they cannot be had now, the next writing gets them.
        with contextlib.suppress(StoreError):
            counts = self._store.outbox_counts()
            self.waiting, self.dead = counts.get("waiting", 0), counts.get("dead", 0)
