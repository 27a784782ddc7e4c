"""Histories drawn by hand: levels and counters at given hours, for tests that need to know exactly what was shown."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from agent.model.fleet import (
    ContactRun,
    CounterTrack,
    CountPoint,
    LedgerEntry,
    LevelPoint,
    Place,
    Printer,
    PrinterHistory,
    SupplyTrack,
)
from agent.model.reading import CONSUMED, RECEPTACLE, Amount, Mark

START = datetime(2025, 1, 6, 7, tzinfo=UTC)  # a Monday


def at(hours: float) -> datetime:
    """So many hours after the start."""
    return START + timedelta(hours=hours)


def track(
    shown: Sequence[tuple[float, Amount]],
    *,
    key: str = "toner:black",
    unit: str = "percent",
    capacity: Amount = 100,
    receptacle: bool = False,
) -> SupplyTrack:
    """A supply that showed these levels from these hours on."""
    points = tuple(LevelPoint(at(hours), level, capacity) for hours, level in shown)
    kind, _, colour = key.partition(":")
    return SupplyTrack(key, kind, RECEPTACLE if receptacle else CONSUMED, colour or None, unit, kind, points)


def counter(counts: Sequence[tuple[float, int]], *, name: str = "life", wraps_at: int = 2**32) -> CounterTrack:
    """A counter that showed these values from these hours on."""
    return CounterTrack(name, "impressions", wraps_at, tuple(CountPoint(at(hours), value) for hours, value in counts))


def history(
    supplies: Sequence[SupplyTrack],
    counters: Sequence[CounterTrack],
    *,
    until: float,
    zone: str = "UTC",
    contacts: Sequence[ContactRun] | None = None,
    ledger: Sequence[LedgerEntry] = (),
    number: int = 1,
) -> PrinterHistory:
    """A printer that answered all the time until so many hours after the start."""
    runs = (ContactRun(START, at(until), True),) if contacts is None else tuple(contacts)
    printer = Printer(number, "desk", "127.0.0.1", model="Tallgrass M40", place=Place("Main", zone=zone))
    return PrinterHistory(printer, runs, tuple(supplies), tuple(counters), tuple(ledger))


def steady(
    days: int,
    *,
    pages: int = 100,
    use: float = 0.0002,
    start: float = 1.0,
    step: int = 1,
    swap_at: float = 0.0,
    some: bool = False,
    begin: int = 1_000,
) -> tuple[SupplyTrack, CounterTrack]:
    """Five workdays a week of so many pages, read each morning at 7; a new cartridge when no more is left than
    ``swap_at``. The level is rounded to the nearest step (percent points)."""
    level, count = start, begin
    shown: list[tuple[float, Amount]] = []
    counts: list[tuple[float, int]] = []
    for day in range(days):
        value: Amount = round(level * 100 / step) * step
        if some:
            value = Mark.SOME if level > 0 else 0
        if not shown or shown[-1][1] != value:
            shown.append((24.0 * day, value))
        if not counts or counts[-1][1] != count:
            counts.append((24.0 * day, count))
        if day % 7 < 5:
            if level <= swap_at:
                level = 1.0
            count += pages
            level = max(0.0, level - pages * use)
    return track(shown), counter(counts)
