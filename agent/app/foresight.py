"""What the pages show of the future: uses, lives, run-outs and upkeep of every printer, reckoned now and then.

All printers teach the fleet, so a summary of each is kept. A printer is looked at anew when it has been heard of since
and its last look is old enough; between two printers the thread rests, so that the sweep is not held up.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType

from agent.app.parts import due_of, terms
from agent.insight.kin import Fleet, Summary, pool
from agent.insight.printer import look, summarise
from agent.model.fleet import PrinterHistory, PrinterView
from agent.model.insight import Insight
from agent.model.upkeep import PrinterUpkeep
from agent.settings import Settings
from agent.store import Store

LOOK_BACK = timedelta(days=3 * 366)
STATUS_BACK = timedelta(days=366)
STALE = timedelta(hours=6)
"""So old may a look become before it is renewed. It is renewed at once when a supply was exchanged."""
FELL = 0.1
"""So does it when a level fell by as much since: no run-out that was told before holds any more."""
REST = 1.0
"""Between two printers the thread rests for so many times as long as the last one took."""


@dataclass(frozen=True, slots=True)
class _Known:
    """What was worked out for one printer."""

    at: datetime
    levels: tuple[tuple[str, float | None], ...]
    summary: Summary


class Foresight:
    """Insights and upkeep of the fleet. ``learn`` takes a while: one call at a time, from a worker thread."""

    def __init__(self, store: Store, settings: Callable[[], Settings], timer: Callable[[], float]) -> None:
        self._store = store
        self._settings = settings
        self._timer = timer
        self._known: dict[int, _Known] = {}
        self._fleet = Fleet()
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self._wanted: set[int] = set()
        self.insights: Mapping[int, Insight] = MappingProxyType({})
        self.upkeep: Mapping[int, PrinterUpkeep] = MappingProxyType({})

    def stop(self) -> None:
        """End a ``learn`` under way after the printer that it is at."""
        self._ended.set()

    def renew(self, printers: Iterable[int]) -> None:
        """Something was logged about these printers: look at them anew at the next ``learn``."""
        with self._lock:
            self._wanted.update(printers)

    def surprised(self, views: Mapping[int, PrinterView]) -> bool:
        """Whether a supply of a printer that was looked at shows what that look did not foresee."""
        return any(_moved(self._known[number].levels, view) for number, view in views.items() if number in self._known)

    def learn(self, now: datetime, views: Mapping[int, PrinterView]) -> None:
        """Look anew at every printer that wants it. Raises StoreError.

        It takes long where the fleet is large, and ``views`` may change meanwhile: a copy of it would keep the readings
        of one moment until the end.
        """
        with self._lock:
            asked = frozenset(self._wanted)
        wanted = [
            number
            for number, view in list(views.items())
            if view.reading is not None and (number in asked or self._is_old(view, now))
        ]
        self._known = {number: one for number, one in self._known.items() if number in views}
        if not wanted:
            self._forget(views)
            return
        for number in wanted:
            begun = self._timer()
            with self._lock:
                self._wanted.discard(number)
            told = self._store.history(number, now - LOOK_BACK, now)
            summary = summarise(told, Fleet(), now, terms(self._settings(), told))
            if (view := views.get(number)) is not None:
                self._known[number] = _Known(now, _levels(view), summary)
            if self._pause(begun):
                return
        self._fleet = pool([one.summary for one in self._known.values()])
        for number in wanted:
            begun = self._timer()
            told = self._store.history(number, now - LOOK_BACK, now)
            insight = look(told, self._fleet, now, terms(self._settings(), told))
            if (view := views.get(number)) is not None:
                due = self._upkeep(told, insight, view, now)
                # Replaced as a whole: the pages read it from other threads.
                self.insights = MappingProxyType({**self.insights, number: insight})
                self.upkeep = MappingProxyType({**self.upkeep, number: due})
            if self._pause(begun):
                return
        self._forget(views)

    def look(self, printer_id: int, at: datetime) -> Insight:
        """One printer as of any moment, by what the fleet has taught so far. Raises StoreError."""
        told = self._store.history(printer_id, at - LOOK_BACK, at)
        return look(told, self._fleet, at, terms(self._settings(), told))

    def _forget(self, views: Mapping[int, PrinterView]) -> None:
        """Let go of printers that are not watched any more."""
        if not self.insights.keys() <= views.keys():
            self.insights = MappingProxyType({number: one for number, one in self.insights.items() if number in views})
            self.upkeep = MappingProxyType({number: one for number, one in self.upkeep.items() if number in views})

    def _upkeep(self, told: PrinterHistory, insight: Insight, view: PrinterView, now: datetime) -> PrinterUpkeep:
        statuses = self._store.status_history(told.printer.id, now - STATUS_BACK, now)
        return due_of(self._settings(), told, insight, statuses, view.reading, now)

    def _is_old(self, view: PrinterView, now: datetime) -> bool:
        known = self._known.get(view.printer.id)
        if known is None or view.printer.id not in self.insights:
            return True
        return _moved(known.levels, view) or now - known.at >= STALE

    def _pause(self, begun: float) -> bool:
        """Rest in proportion to the work done; True when it is time to end."""
        took = self._timer() - begun
        return self._ended.wait(min(2.0, took * REST))


def _moved(levels: Iterable[tuple[str, float | None]], view: PrinterView) -> bool:
    """Whether a supply rose, or fell by much, since it showed these levels."""
    before = dict(levels)
    pairs = [(before.get(key) or 0.0, share or 0.0) for key, share in _levels(view)]
    return any(now > was or was - now >= FELL for was, now in pairs)


def _levels(view: PrinterView) -> tuple[tuple[str, float | None], ...]:
    reading = view.reading
    return tuple((one.key, one.fraction) for one in reading.supplies) if reading is not None else ()
