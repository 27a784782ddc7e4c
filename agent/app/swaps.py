"""Swaps told within the sweep that shows them.

A level that rises is rare, so only then is anything done: the recent history of that supply is read back from the
store, once it holds the new reading, and ``agent.insight.swaps`` judges whether somebody put in another one. What is in
doubt is looked at again at the next sweeps. What was told stands in the ledger, so a restart tells nothing twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from agent.insight.swaps import swap_seen
from agent.model.fleet import Finding, LedgerEntry, PrinterView
from agent.model.reading import Amount, Mark, Reading, Supply
from agent.store import Store

LOOK_BACK = timedelta(days=90)
MOST_LOOKS = 3
MOST_WAITING = 5_000
KIND = "swapSeen"


class SwapWatch:
    """Notices levels that rose, and looks into them. One for the agent; used from its loop and one worker thread."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._looks: dict[tuple[int, str], tuple[datetime, int]] = {}

    def notice(self, before: PrinterView | None, reading: Reading) -> Sequence[Finding]:
        """Remember supplies whose level may have risen; nothing is found yet."""
        if before is None or before.reading is None or before.reading.supplies is reading.supplies:
            return ()
        old = {supply.key: supply for supply in before.reading.supplies}
        for supply in reading.supplies:
            was = old.get(supply.key)
            if was is not None and was is not supply and rose(was, supply) and len(self._looks) < MOST_WAITING:
                self._looks[before.printer.id, supply.key] = before.reading.at, 0
        return ()

    @property
    def waiting(self) -> bool:
        """Whether there is anything to look into."""
        return bool(self._looks)

    def look(self, now: datetime) -> tuple[LedgerEntry, ...]:
        """Look into what was noticed; the ledger entries of swaps found. Raises StoreError; nothing is lost then."""
        found = []
        for (printer_id, key), (since, looks) in list(self._looks.items()):
            entry = self._look_at(printer_id, key, since, now)
            if entry is not None:
                found.append(entry)
            if entry is not None or looks + 1 >= MOST_LOOKS:
                del self._looks[printer_id, key]
            else:
                self._looks[printer_id, key] = since, looks + 1
        return tuple(found)

    def _look_at(self, printer_id: int, key: str, since: datetime, now: datetime) -> LedgerEntry | None:
        history = self._store.history(printer_id, now - LOOK_BACK, now)
        track = next((one for one in history.supplies if one.key == key), None)
        if track is None:
            return None
        told = self._store.ledger(printer_id, kinds=(KIND,))
        # An older one that nobody told must not be taken for what has just risen.
        already = max((entry.at for entry in told if entry.subject == key), default=since)
        already = max(already, since)
        finding = swap_seen(track, as_of=now, contacts=history.contacts, counters=history.counters, already=already)
        if finding is None:
            return None
        return LedgerEntry(finding.at, KIND, finding.text, printer_id, subject=key, data=finding.data)


def rose(was: Supply, now: Supply) -> bool:
    """Whether there may be more than before: a greater level, or a change that cannot be compared."""
    return was.capacity != now.capacity or _rank(now.level) > _rank(was.level) or _marked(was.level, now.level)


def _rank(amount: Amount) -> float:
    return -1.0 if isinstance(amount, Mark) else float(amount)


def _marked(was: Amount, now: Amount) -> bool:
    return was != now and (isinstance(was, Mark) or isinstance(now, Mark))
