"""A sweep that only looks: for beside an agent at work, which alone records, judges and tells.

Two that judge one history would each decide what the other has just decided, and two that send from one outbox would
send the same message twice. So whoever looks on writes nothing at all, neither readings nor alarms, and sends nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from agent.app import parts
from agent.model.fleet import Printer, PrinterView
from agent.settings import Settings
from agent.snmp.reader import Reader
from agent.snmp.wire import Limits, open_engine
from agent.store import Store
from agent.sweep.fleet import Fleet
from agent.sweep.run import Sweep
from agent.sweep.station import Station
from agent.sweep.work import Newcomer, Report, Work


class _Onlooker:
    """Takes what a sweep hands over, and keeps none of it."""

    def __init__(self) -> None:
        self._numbers = itertools.count(-1, -1)

    def offer(self, work: Work) -> None:
        """Let it go."""

    async def register(self, newcomers: Sequence[Newcomer]) -> list[Printer] | None:
        """Printers that the history does not know are numbered below zero; no printer of the history is."""
        return [replace(one, id=one.id or next(self._numbers)) for one, _ in newcomers]


async def look_on(
    settings: Settings,
    folder: Path,
    store: Store,
    now: Callable[[], datetime],
    timer: Callable[[], float],
    *,
    full: bool = False,
) -> tuple[Report, list[PrinterView]]:
    """Read every printer of the settings once; what was seen, and how it went. ``folder``: that of the settings file.

    Raises Failure.
    """
    polling = settings.polling
    oddities = parts.oddities(settings, folder)
    stops = parts.stops(settings, oddities)
    reader = Reader(open_engine(polling.engine), Limits(in_flight=polling.in_flight), clock=now)
    try:
        known = Fleet(store.printers(), store.latest(), store.contacts(), store.ledger(kinds=("doubled",)))
        sweep = Sweep(reader, _Onlooker(), known, clock=now, timer=timer, oddities=oddities, rate=polling.rate)
        sweep.watch([Station(stop) for stop in stops])
        report = await sweep.run(full=full)
        return report, known.views_of()
    finally:
        await reader.close()
