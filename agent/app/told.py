"""What the ledger has told of each printer lately, kept in memory; only what came since is read."""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from agent.model.fleet import LedgerEntry
from agent.store import Store

AGAIN = timedelta(hours=1)
"""After so long all of it is read again: what was written by others beside us may have come out of order."""


def by_printer(entries: Iterable[LedgerEntry]) -> dict[int, list[LedgerEntry]]:
    """Entries by the printer that they are about; 0 for what is about none."""
    made: dict[int, list[LedgerEntry]] = {}
    for entry in entries:
        made.setdefault(entry.printer_id or 0, []).append(entry)
    return made


class Told:
    """Entries of some kinds, as far back as ``back``. Of any thread; may raise StoreError."""

    def __init__(self, store: Store, kinds: Collection[str], back: timedelta) -> None:
        self._store = store
        self._kinds = frozenset(kinds)
        self._back = back
        self._lock = threading.Lock()
        self._read: datetime | None = None
        self._last = 0
        self._told: dict[int, tuple[LedgerEntry, ...]] = {}

    def by_printer(self, now: datetime) -> Mapping[int, Sequence[LedgerEntry]]:
        """By printer, in order of time. What is not to be changed any more stays the same object."""
        with self._lock:
            last = self._store.last_entry()
            if self._read is None or not timedelta(0) <= now - self._read < AGAIN:
                found = self._store.ledger(None, now - self._back, now, self._kinds)
                self._told, self._read = {}, now
            else:
                found = self._store.ledger_after(self._last, self._kinds) if last != self._last else ()
            self._last = last
            self._add(found)
            return dict(self._told)

    def _add(self, found: Sequence[LedgerEntry]) -> None:
        for number, some in by_printer(found).items():
            whole = {one.id: one for one in (*self._told.get(number, ()), *some)}
            self._told[number] = tuple(sorted(whole.values(), key=lambda one: (one.at, one.id or 0)))
