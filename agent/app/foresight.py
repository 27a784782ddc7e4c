"""What the pages show of the future: uses, lives, run-outs and upkeep of every printer, reckoned now and then.

All printers teach the fleet, so a summary of each is kept. A printer is looked at anew when it has been heard of since
and its last look is old enough; between two printers the thread rests, so that the sweep is not held up. A fleet is
large and few of its printers are looked at by anybody, so all of it is kept packed.
"""

from __future__ import annotations

import threading
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from agent.app.gathered import Gathered
from agent.app.packing import LESSONS, packed, packed_upkeep
from agent.app.parts import due_of, terms
from agent.insight.kin import Fleet, Kind, SupplySummary, own_of, pool
from agent.insight.printer import look, summarise
from agent.model.fleet import PrinterHistory, PrinterView
from agent.model.insight import Insight
from agent.model.once import Once
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
    """What was worked out for one printer. ``supplies``: their keys; ``levels``: the shares that they showed then.

    ``lesson``: its ``Summary``, packed.
    """

    at: datetime
    supplies: tuple[str, ...]
    levels: array[float]
    lesson: bytes


class _Own(Mapping[int, Mapping[Kind, SupplySummary]]):
    """What each printer teaches of its supplies, unpacked when it is asked for."""

    def __init__(self, known: Mapping[int, _Known]) -> None:
        self._known = known

    def __getitem__(self, number: int) -> Mapping[Kind, SupplySummary]:
        return own_of(LESSONS.unpack(self._known[number].lesson))

    def __len__(self) -> int:
        return len(self._known)

    def __iter__(self) -> Iterator[int]:
        return iter(self._known)


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
        self._keys = Once(1000)
        self.insights: Gathered[Insight] = Gathered()
        self.upkeep: Gathered[PrinterUpkeep] = Gathered()

    def stop(self) -> None:
        """End a ``learn`` under way after the printer that it is at."""
        self._ended.set()

    def renew(self, printers: Iterable[int]) -> None:
        """Something was logged about these printers: look at them anew at the next ``learn``."""
        with self._lock:
            self._wanted.update(printers)

    def surprised(self, views: Mapping[int, PrinterView]) -> bool:
        """Whether a supply of a printer that was looked at shows what that look did not foresee."""
        return any(_moved(self._known[number], view) for number, view in views.items() if number in self._known)

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
                keys, levels = _levels(view)
                self._known[number] = _Known(now, self._keys(keys), levels, LESSONS.pack(summary))
            if self._pause(begun):
                return
        known = dict(self._known)
        self._fleet = pool((LESSONS.unpack(one.lesson) for one in known.values()), own=_Own(known))
        for number in wanted:
            begun = self._timer()
            told = self._store.history(number, now - LOOK_BACK, now)
            insight = look(told, self._fleet, now, terms(self._settings(), told))
            if (view := views.get(number)) is not None:
                due = self._upkeep(told, insight, view, now)
                # Each replaced as a whole: the pages read them from other threads.
                self.insights = self.insights.plus(number, packed(insight))
                self.upkeep = self.upkeep.plus(number, packed_upkeep(due))
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
            self.insights = self.insights.only(views.__contains__)
            self.upkeep = self.upkeep.only(views.__contains__)

    def _upkeep(self, told: PrinterHistory, insight: Insight, view: PrinterView, now: datetime) -> PrinterUpkeep:
        statuses = self._store.status_history(told.printer.id, now - STATUS_BACK, now)
        return due_of(self._settings(), told, insight, statuses, view.reading, now)

    def _is_old(self, view: PrinterView, now: datetime) -> bool:
        known = self._known.get(view.printer.id)
        if known is None or view.printer.id not in self.insights:
            return True
        return _moved(known, view) or now - known.at >= STALE

    def _pause(self, begun: float) -> bool:
        """Rest in proportion to the work done; True when it is time to end."""
        took = self._timer() - begun
        return self._ended.wait(min(2.0, took * REST))


def _moved(known: _Known, view: PrinterView) -> bool:
    """Whether a supply rose, or fell by much, since it was looked at."""
    before = dict(zip(known.supplies, known.levels, strict=True))
    pairs = [(before.get(key, 0.0), now) for key, now in zip(*_levels(view), strict=True)]
    return any(now > was or was - now >= FELL for was, now in pairs)


def _levels(view: PrinterView) -> tuple[tuple[str, ...], array[float]]:
    """The keys of the supplies, and the shares that they show; nothing stands for one that is not known."""
    supplies = view.reading.supplies if view.reading is not None else ()
    return tuple(one.key for one in supplies), array("d", (one.fraction or 0.0 for one in supplies))
