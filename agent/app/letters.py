"""The outbox's storage, which goes on working while the store does not.

A message about a store that cannot be written cannot be read from that store. So what has been decided and is not
written yet is told out of memory; and what was sent while it could not be noted is noted as soon as it can.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from agent.model.alarm import Message
from agent.model.outbox import Letter
from agent.store.errors import StoreUnavailable

MOST_IN_MEMORY = 10_000
"""Messages kept in memory at most; beyond that only the store has them."""


class Stored(Protocol):
    """The store, as far as letters go."""

    def due(self, now: datetime, limit: int = 100) -> Sequence[Letter]: ...  # noqa: D102 - see Store
    def mark_sent(self, letter_id: int, now: datetime) -> None: ...  # noqa: D102
    def mark_failed(  # noqa: D102
        self, letter_id: int, now: datetime, error: str, next_try: datetime | None
    ) -> None: ...


class Letters:
    """``Letters`` of the outbox over a store that may fail. Safe to call from any thread.

    ``on_failure`` is told the sentence of each failure of the store met here.
    """

    def __init__(self, store: Stored, on_failure: Callable[[str], None] = lambda _: None) -> None:
        self._store = store
        self._on_failure = on_failure
        self._lock = threading.Lock()
        self._unwritten: dict[str, Letter] = {}  # dedupe key -> what the store does not have yet
        self._sent: dict[str, datetime] = {}  # dedupe keys sent out of memory, until the store knows
        self._marks: dict[int, datetime] = {}  # letters of the store that were sent and could not be marked
        self._next_id = -1
        self.failing = False
        """Whether the store cannot be written at present. It may still be read: SQLite's WAL keeps readers going."""

    def decided(self, messages: Iterable[Message]) -> None:
        """These are on their way to the store."""
        with self._lock:
            for message in messages:
                if len(self._unwritten) >= MOST_IN_MEMORY:
                    return
                self._unwritten[message.dedupe_key] = Letter(
                    id=self._next_id,
                    dedupe_key=message.dedupe_key,
                    channel=message.channel,
                    payload=json.dumps(message.to_data(), ensure_ascii=False),
                    created=message.at,
                    next_try=message.at,
                )
                self._next_id -= 1

    def written(self, messages: Iterable[Message]) -> None:
        """The store has these now."""
        with self._lock:
            for message in messages:
                self._unwritten.pop(message.dedupe_key, None)

    def due(self, now: datetime, limit: int = 100) -> Sequence[Letter]:
        """What is to be sent now: the store's, or while that cannot be read, what it has not got yet."""
        try:
            self._catch_up()
            found = self._store.due(now, limit)
        except StoreUnavailable as error:
            self._on_failure(str(error))
            return self._out_of_memory(now, limit)
        fresh: list[Letter] = []
        for letter in found:
            with self._lock:
                at = self._sent.get(letter.dedupe_key)
            if at is None:
                fresh.append(letter)
                continue
            self._store.mark_sent(letter.id, at)
            with self._lock:
                self._sent.pop(letter.dedupe_key, None)
        if self.failing:
            fresh += self._out_of_memory(now, limit - len(fresh))
        return fresh

    def _out_of_memory(self, now: datetime, limit: int) -> list[Letter]:
        with self._lock:
            waiting = [
                letter
                for letter in self._unwritten.values()
                if letter.dedupe_key not in self._sent and letter.state == "waiting" and letter.next_try <= now
            ]
        return waiting[:limit]

    def _catch_up(self) -> None:
        with self._lock:
            marks = dict(self._marks)
        for letter_id, at in marks.items():
            self._store.mark_sent(letter_id, at)
            with self._lock:
                self._marks.pop(letter_id, None)

    def mark_sent(self, letter_id: int, now: datetime) -> None:
        """The receiver has it. Noted now, or when the store is well again."""
        if letter_id < 0:
            with self._lock:
                key = self._key(letter_id)
                if key is not None:
                    self._sent[key] = now
            return
        try:
            self._store.mark_sent(letter_id, now)
        except StoreUnavailable as error:
            self._on_failure(str(error))
            with self._lock:
                self._marks[letter_id] = now

    def mark_failed(self, letter_id: int, now: datetime, error: str, next_try: datetime | None) -> None:
        """A try failed; ``next_try`` None: given up."""
        if letter_id >= 0:
            try:
                self._store.mark_failed(letter_id, now, error, next_try)
            except StoreUnavailable as failure:
                # It stays as it was, so it is tried again a little sooner than meant: no harm.
                self._on_failure(str(failure))
            return
        with self._lock:
            key = self._key(letter_id)
            if key is not None and (letter := self._unwritten.get(key)) is not None:
                # Given up in memory only: the store starts afresh with it, and gives it up visibly if it must.
                state = "waiting" if next_try is not None else "dead"
                self._unwritten[key] = replace(
                    letter, tries=letter.tries + 1, next_try=next_try or now, last_error=error, state=state
                )

    def _key(self, letter_id: int) -> str | None:
        return next((key for key, letter in self._unwritten.items() if letter.id == letter_id), None)
