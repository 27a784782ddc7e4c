"""One printer asked at once, outside the sweep: by a command that has a wire of its own, or by the running agent."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import TimeoutError as TookTooLong
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from agent.app import parts
from agent.app.swaps import SwapWatch
from agent.mib import oids
from agent.mib.decode import decode
from agent.mib.oddities import choose
from agent.model.contact import Contact
from agent.model.failure import Failure
from agent.model.fleet import Printer, PrinterView
from agent.model.reading import Reading
from agent.model.wire import Answers, WireError
from agent.settings import Settings
from agent.snmp.reader import Reader
from agent.snmp.wire import open_engine
from agent.store import Store
from agent.sweep.station import Stop

if TYPE_CHECKING:
    from agent.app.service import Service

_OBJECT_ID = f"{oids.SYS_OBJECT_ID.oid}.0"
_PATIENCE = timedelta(seconds=15)


class CannotAsk(Failure):
    """The printer could not be asked, or did not answer. The text says why."""


class Asks(Protocol):
    """Somebody who can ask one printer."""

    def ask(self, printer: Printer) -> Reading:
        """Read it now; what it says is in the store afterwards. Raises CannotAsk."""
        ...


class OwnWire:
    """Asks over a wire of its own, and writes what it hears into the store. For commands."""

    def __init__(
        self, store: Store, settings: Settings | None, settings_file: Path | None, clock: Callable[[], datetime]
    ) -> None:
        self._store = store
        self._settings = settings
        self._folder = settings_file.parent if settings_file is not None else Path()
        self._clock = clock

    def ask(self, printer: Printer) -> Reading:
        """Read it now. Raises CannotAsk."""
        if self._settings is None:
            raise CannotAsk("there is no settings file that says how to ask it (--settings FILE or LOWMARK_SETTINGS)")
        try:
            known = parts.oddities(self._settings, self._folder)
            stop = _stop_of(parts.stops(self._settings, known), printer)
        except CannotAsk:
            raise
        except Failure as failure:
            raise CannotAsk(str(failure)) from None
        answers = asyncio.run(self._read(self._settings, stop))
        device = printer.device_index if printer.device_index in answers.devices else None
        if device is None:
            raise CannotAsk(f"{stop.peer.address} answers, but this printer is no longer behind it")
        oddities = choose(known, answers.cells.get(_OBJECT_ID), stop.named_oddities)
        reading = decode(
            answers.cells, at=answers.at, address=stop.peer.address, device_index=device, oddities=oddities
        )
        if printer.serial and reading.serial and printer.serial != reading.serial:
            raise CannotAsk(
                f"at {stop.peer.address} answers another printer: serial number {reading.serial}, not {printer.serial}"
            )
        self._remember(printer, reading)
        return reading

    async def _read(self, settings: Settings, stop: Stop) -> Answers:
        try:
            engine = open_engine(settings.polling.engine)
        except WireError as error:
            raise CannotAsk(str(error)) from None
        try:
            return await Reader(engine, clock=self._clock).read(stop.peer, full=True)
        except WireError as error:
            raise CannotAsk(str(error)) from None
        finally:
            await engine.close()

    def _remember(self, printer: Printer, reading: Reading) -> None:
        """Into the store, with swaps that it shows. An agent at work notices the rest at its own next reading."""
        before = self._store.latest([printer.id]).get(printer.id)
        self._store.record([Contact(reading.at, printer.id, True, reading)])
        watch = SwapWatch(self._store)
        if before is not None:
            watch.notice(PrinterView(printer, before, True, before.at), reading)
        if watch.waiting:
            self._store.append_ledger(watch.look(self._clock()))


class AgentWire:
    """Asks through the agent at work. Called from any thread but that of the agent's loop."""

    def __init__(self, service: Service) -> None:
        self._service = service

    def ask(self, printer: Printer) -> Reading:
        """Read it now. Raises CannotAsk."""
        service, loop = self._service, self._service.loop
        if loop is None or not loop.is_running():
            raise CannotAsk("the agent is not running")
        stations = [one for one in service.sweep.stations if printer.id in one.printers]
        if not stations:
            raise CannotAsk("no address in the settings leads to this printer any more")
        begun = service.clocks.now()
        asking = asyncio.run_coroutine_threadsafe(service.aftercare.ask(stations), loop)
        try:
            asking.result((service.settings.polling.deadline + _PATIENCE).total_seconds())
        except TookTooLong:
            asking.cancel()
            raise CannotAsk("the agent has too much to do to ask it now") from None
        view = service.sweep.fleet.views.get(printer.id)
        if view is None or view.reading is None or not view.reachable or view.reading.at < begun:
            raise CannotAsk("; ".join(one.failure for one in stations if one.failure) or "it did not answer")
        return view.reading


def _stop_of(stops: list[Stop], printer: Printer) -> Stop:
    here = [one for one in stops if one.peer.address.casefold() == printer.address.casefold()]
    exact = [one for one in here if one.device == printer.device_index]
    usual = [one for one in here if one.device is None]
    for stop in (*exact, *usual):
        return stop
    raise CannotAsk(f"no address in the settings leads to it (it was last met at {printer.address})")
