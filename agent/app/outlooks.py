"""The forecasts that run-out rules are judged by: looked at now and then, apart from the sweep, for what changed.

All printers teach the fleet (how fast a kind of supply is used, how a site prints), so a summary of each is kept; a
printer is summarised and forecast anew only when its levels or counters moved, or when a day is over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType

from agent.alarms.rules import RUN_OUT, Rule
from agent.app.parts import terms
from agent.insight.kin import Fleet, Summary, pool
from agent.insight.printer import look, summarise
from agent.model.fleet import PrinterView
from agent.model.insight import Forecast
from agent.settings import Settings
from agent.store import Store

LOOK_BACK = timedelta(days=3 * 366)
EVERY = timedelta(hours=1)
OLDEST = timedelta(days=1)

Forecasts = Mapping[int, tuple[Forecast, ...]]


@dataclass(frozen=True, slots=True)
class _Known:
    """What was worked out for one printer, and from what."""

    at: datetime
    sign: tuple[object, ...]
    summary: Summary
    forecasts: tuple[Forecast, ...]


class Outlooks:
    """Forecasts of the fleet. ``refresh`` takes a while: call it from a worker thread, one call at a time."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._known: dict[int, _Known] = {}

    def refresh(self, now: datetime, settings: Settings, views: Sequence[PrinterView]) -> Forecasts:
        """The forecasts of every printer that a run-out rule covers, as of ``now``. Raises StoreError."""
        rules = [rule for rule in settings.rules() if rule.when == RUN_OUT]
        if not rules:
            self._known.clear()
            return MappingProxyType({})
        signs = {view.printer.id: _sign(view) for view in views if view.reading is not None}
        self._known = {number: known for number, known in self._known.items() if number in signs}
        anew = [number for number, sign in signs.items() if self._is_old(number, sign, now)]
        self._teach(anew, signs, settings, now)
        fleet = pool([known.summary for known in self._known.values()])
        for view in views:
            number = view.printer.id
            if number in anew and _covered(rules, view):
                told = self._store.history(number, now - LOOK_BACK, now)
                found = look(told, fleet, now, terms(settings, told)).forecasts
                old = self._known[number]
                self._known[number] = _Known(now, old.sign, old.summary, found)
        covered = {view.printer.id for view in views if _covered(rules, view)}
        return MappingProxyType({number: one.forecasts for number, one in self._known.items() if number in covered})

    def _teach(
        self, anew: Sequence[int], signs: Mapping[int, tuple[object, ...]], settings: Settings, now: datetime
    ) -> None:
        for number in anew:
            told = self._store.history(number, now - LOOK_BACK, now)
            summary = summarise(told, Fleet(), now, terms(settings, told))
            self._known[number] = _Known(now, signs[number], summary, ())

    def _is_old(self, number: int, sign: tuple[object, ...], now: datetime) -> bool:
        known = self._known.get(number)
        return known is None or known.sign != sign or now - known.at >= OLDEST


def _covered(rules: Sequence[Rule], view: PrinterView) -> bool:
    return any(rule.covers(view.printer) for rule in rules)


def _sign(view: PrinterView) -> tuple[object, ...]:
    """What a forecast depends on that can change from one reading to the next."""
    reading = view.reading
    if reading is None:
        return ()
    levels = tuple((one.key, one.level, one.capacity) for one in reading.supplies)
    return (levels, tuple((one.name, one.value) for one in reading.counters), view.printer.place, view.printer.model)
