"""The agent as it runs: the parts joined, start, reload, stop, and a sweep. When it does what: ``schedule``."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import structlog

from agent.app import parts
from agent.app.aftercare import Aftercare
from agent.app.desk import AlarmDesk
from agent.app.digests import Sources
from agent.app.entry import certificate_of
from agent.app.hearing import Hearing
from agent.app.letters import Letters
from agent.app.links import Keys, Links
from agent.app.openings import opened
from agent.app.pages import Pages
from agent.app.pulse import Pulse
from agent.app.recorder import Recorder
from agent.app.schedule import Schedule
from agent.app.supervisor import Supervisor
from agent.app.swaps import SwapWatch
from agent.app.telemetry import Telemetry
from agent.app.teller import Teller
from agent.app.writing import Writer
from agent.metrics import Metrics
from agent.model.alarm import AlarmRecord
from agent.model.failure import Failure
from agent.model.fleet import LedgerEntry, PrinterView
from agent.model.hands import Handwork
from agent.model.health import Health, Snapshot
from agent.notify.channel import Channel
from agent.settings import Settings, diff, load, notices
from agent.snmp.reader import Reader
from agent.snmp.wire import Engine, Limits, open_engine
from agent.store import Store
from agent.store.errors import StoreError
from agent.sweep.fleet import Fleet
from agent.sweep.run import Sweep
from agent.sweep.station import Station, Stop
from agent.sweep.work import Report, Work
from agent.web import Server

CHANGED_SECONDS = 2.0
"""So long at most the page waits for the agent to take up what it did to an alarm."""


@dataclass(frozen=True, slots=True)
class Clocks:
    """Where the agent gets its time from. ``now``: UTC; ``timer``: seconds that never go back."""

    now: Callable[[], datetime]
    timer: Callable[[], float]


class Service:
    """The agent with its settings. ``settings_file``: where to read them again on reload.

    ``notice`` is told of each sweep's report, for whoever wants to show it.
    """

    def __init__(
        self,
        settings: Settings,
        settings_file: Path,
        store: Store,
        clocks: Clocks,
        *,
        supervisor: Supervisor | None = None,
        notice: Callable[[Report], None] = lambda _: None,
    ) -> None:
        self.settings = settings
        self.settings_file = settings_file
        self.store = store
        self.clocks = clocks
        self.supervisor = supervisor or Supervisor({})
        self.notice = notice
        self.log = structlog.get_logger("lowmark")
        self.ended = asyncio.Event()
        letters = Letters(store, on_failure=self._letters_failed)
        self.teller = Teller(letters, clocks.now, self.log)
        self.recorder = Recorder(store, letters, clock=clocks.now, wake=self.teller.wake, failed=self._store_failed)
        self.pulse = Pulse(
            self.recorder,
            lambda: (self.sweep.fleet.views, self.sweep.alarms),
            now=clocks.now,
            timer=clocks.timer,
        )
        self.swaps = SwapWatch(store)
        self.metrics = Metrics(self.snapshot)
        self.telemetry = Telemetry(self.snapshot, self.pulse.exported, clocks.now, self.log)
        keys = Keys(lambda: self.settings, store)
        self.links = Links(lambda: self.settings.listen.public_url or "" if self.pages.open else "", keys.key)
        self.desk = AlarmDesk(store, clocks.now, self.links, self._alarms_changed)
        self.writer = Writer(lambda: self.settings, self._letter_sources, self.recorder, clocks.now, self.log)
        self.hearing = Hearing(self.ask_at_once, clocks.timer)
        self.pages = Pages(self)
        self.aftercare = Aftercare(self)
        self.loop: asyncio.AbstractEventLoop | None = None
        self.hands: Callable[[str, Handwork], str] | None = None
        self.server: Server | None = None
        self.schedule = Schedule(self)
        self.sweep: Sweep
        self.engine: Engine
        self.reader: Reader
        self._sweeping = asyncio.Lock()

    # --- start and stop ------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Run until ``end`` is called. Raises Failure when it cannot start."""
        await self.start()
        try:
            await self.ended.wait()
        finally:
            await self.stop()

    def end(self) -> None:
        """Ask the agent to stop. May be called from a signal handler."""
        self.ended.set()

    async def start(self) -> None:
        """Build what is left to build and start the schedule."""
        self.loop = asyncio.get_running_loop()
        await asyncio.to_thread(self.pages.make_sure)
        stops = await self._build()
        self.pulse.started(self.engine.name)
        self.recorder.start()
        await self.hearing.start(self.settings, self.sweep.stations)
        listen = self.settings.listen.address
        certificate = certificate_of(self.settings)
        self.server = Server(self.pages.app(), listen.host, listen.port or 0, certificate)
        self.server.start()
        self.telemetry.start(self.settings.metrics.otlp)
        self.schedule.start()
        self.teller.start()
        self.log.info(
            "started", version=self.pulse.vitals.version, stations=len(stops), engine=self.engine.name,
            store=self.store.url, metrics=f"http{'s' if certificate else ''}://{listen}/metrics",
        )  # fmt: skip
        for notice in notices(self.settings):
            self.log.warning("settings", notice=notice)
        self.supervisor.ready(f"watching {len(stops)} addresses")

    async def sweep_alone(self, *, full: bool = False) -> tuple[Report, list[PrinterView]]:
        """One sweep without the schedule: record it and tell what is to be told. Gives back what was seen."""
        await self._build()
        report = await self.sweep_once(full=full)
        await asyncio.to_thread(self.recorder.stop)
        await self.teller.tell()
        await self.teller.stop()
        await self.reader.close()
        return report, self.sweep.fleet.views_of()

    async def stop(self) -> None:
        """Stop the schedule, finish what was begun, write what waits."""
        self.supervisor.stopping()
        self.schedule.pause()
        self.pages.stop()
        self.telemetry.end()
        self.sweep.end()
        await self.hearing.stop()
        async with self._sweeping:
            # Only now: shutting the schedule down cancels the jobs that are at work.
            self.schedule.end()
            left = await asyncio.to_thread(self.recorder.stop)
        await self.teller.stop()
        if left:
            self.log.error("readings lost: the store could not be written before the end", readings=left)
        if self.server is not None:
            await asyncio.to_thread(self.server.stop)
        await self.reader.close()
        self.log.info("stopped")

    async def _build(self) -> list[Stop]:
        """All that is built of the settings; whom to ask."""
        oddities = parts.oddities(self.settings, self.settings_file.parent)
        stops = parts.stops(self.settings, oddities)
        await self.teller.use(parts.channels(self.settings, self.settings_file.parent, self.clocks.now, self.links.url))
        self._open_wire(self.settings)
        self.sweep = await self._build_sweep(oddities)
        self.sweep.routes = parts.routes(self.settings)
        self.sweep.windows = self.settings.windows()
        self._watch(stops)
        return stops

    def _open_wire(self, settings: Settings) -> None:
        wanted = settings.polling.engine
        self.engine = open_engine(wanted)
        self.reader = Reader(self.engine, Limits(in_flight=settings.polling.in_flight), clock=self.clocks.now)
        if wanted == "auto" and self.engine.name != "gufo":
            self.log.warning("the quicker SNMP engine is not installed here", engine=self.engine.name)

    async def _build_sweep(self, oddities: tuple[Any, ...]) -> Sweep:
        store = self.store

        def gather() -> tuple[Fleet, dict[str, AlarmRecord]]:
            doubled = store.ledger(kinds=("doubled",))
            fleet = Fleet(store.printers(), store.latest(), store.contacts(), doubled, think=self.swaps.notice)
            return fleet, {record.key: record for record in store.alarms()}

        fleet, alarms = await asyncio.to_thread(gather)
        return Sweep(
            self.reader,
            self.recorder,
            fleet,
            clock=self.clocks.now,
            timer=self.clocks.timer,
            rules=self.settings.rules(),
            alarms=alarms,
            oddities=oddities,
            inventory=self.settings.polling.inventory,
            rate=self.settings.polling.rate,
            interval=self.settings.polling.status,
        )

    def _watch(self, stops: list[Stop]) -> None:
        """Go on with the stations that stay as they are; begin with the others."""
        before = {station.stop: station for station in self.sweep.stations}
        self.sweep.watch([before.get(stop) or Station(stop) for stop in stops])
        self.pulse.watching(len(stops))

    # --- reload --------------------------------------------------------------------------------------------------

    async def reload(self) -> bool:
        """Read the settings file again. A bad one leaves the old settings running and says so; then False."""
        self.supervisor.reloading(int(self.clocks.timer() * 1_000_000))
        await asyncio.to_thread(self._renew_certificate)
        try:
            settings = await asyncio.to_thread(load, self.settings_file)
            oddities = parts.oddities(settings, self.settings_file.parent)
            stops = parts.stops(settings, oddities)
            routes = parts.routes(settings)
            channels = parts.channels(settings, self.settings_file.parent, self.clocks.now, self.links.url)
        except Failure as failure:
            self.pulse.settings_refused()
            self.log.error("settings refused, the old ones stay in force", problem=str(failure))  # noqa: TRY400 - a sentence
            self.supervisor.ready("new settings refused; the old ones stay in force")
            return False
        async with self._sweeping, self.hearing.quiet():
            await self._take_up(settings, channels)
            self.sweep.oddities = oddities
            self.sweep.rules = settings.rules()
            self.sweep.routes = routes
            self.sweep.windows = settings.windows()
            self.sweep.inventory = settings.polling.inventory
            self.sweep.interval = settings.polling.status
            self._watch(stops)
            self.hearing.renew(settings, self.sweep.stations)
        self.pulse.settings_accepted(self.engine.name)
        self.log.info("settings taken up", stations=len(stops), rules=len(self.sweep.rules), channels=len(channels))
        self.supervisor.ready(f"watching {len(stops)} addresses")
        return True

    def _renew_certificate(self) -> None:
        try:
            if self.server is not None:
                self.server.renew()
        except Failure as failure:
            self.log.error("certificate refused, the old one stays in force", problem=str(failure))  # noqa: TRY400

    async def _take_up(self, settings: Settings, channels: dict[str, Channel]) -> None:
        old, self.settings = self.settings, settings
        if settings.polling.engine != old.polling.engine or settings.polling.in_flight != old.polling.in_flight:
            retired = self.reader
            self._open_wire(settings)
            self.sweep.reader = self.reader
            await retired.close()
        if settings.polling.rate != old.polling.rate:
            self.sweep.set_rate(settings.polling.rate)
        for change in diff(old, settings):
            self.log.info("setting changed", key=change.key, before=change.before, after=change.after)
            if change.wants_restart:
                self.log.warning("this setting changes only when the agent is started again", key=change.key)
        await self.teller.use(channels)
        if settings.polling.status != old.polling.status:
            self.schedule.sweep_every(settings.polling.status)

    # --- what it does --------------------------------------------------------------------------------------------

    async def sweep_once(self, *, full: bool = False) -> Report:
        """One sweep now, and what comes with it."""
        async with self._sweeping:
            await self._read_alarms_again()
            report = await self.sweep.run(full=full)
            self.pulse.count(report)
            interval = self.settings.polling.status.total_seconds()
            self.sweep.judge_agent(self.pulse.agent_health(interval))
            await self.look_for_swaps()
            await self.aftercare.prove()
        self.log.info(
            "swept", asked=report.asked, answered=report.answered, printers=report.printers, resting=report.resting,
            seconds=round(report.seconds, 3), requests=report.requests, retries=report.retries, **report.failures,
        )  # fmt: skip
        self.notice(report)
        return report

    async def look_for_swaps(self) -> None:
        """Once the store holds what this sweep brought; else at the next one."""
        if not self.swaps.waiting:
            return

        def look() -> tuple[LedgerEntry, ...]:
            return self.swaps.look(self.clocks.now()) if self.recorder.flush() else ()

        async with self.aftercare.looking:
            try:
                seen = await asyncio.to_thread(look)
            except StoreError:
                return
        if seen:
            self.recorder.offer(Work(ledger=seen))
            self.aftercare.reckon_soon(seen)
            for entry in seen:
                self.log.info("swap seen", printer=entry.printer_id, supply=entry.subject, text=entry.text)

    async def ask_at_once(self, stations: list[Station], why: str = "a notification") -> None:
        """Ask these now, while a sweep may be under way, and tell what is to be told."""
        await self._read_alarms_again()
        report = await self.sweep.ask(stations)
        self.pulse.count(report, whole=False)
        self.log.info(
            f"asked after {why}", asked=report.asked, answered=report.answered,
            seconds=round(report.seconds, 3), **report.failures,
        )  # fmt: skip

    def _letter_sources(self) -> Sources:
        house, now = self.pages.house, self.clocks.now()
        return Sources(
            self.store, self.settings, tuple(house.views().values()), house.insights(), house.alarms(),
            lambda site: house.round(site, None, None), lambda: house.stock(now),
            lambda: house.order_advice(now),
        )  # fmt: skip

    # --- state ---------------------------------------------------------------------------------------------------

    def health(self) -> Health:
        """For /healthz and /readyz; may be called from any thread."""
        return self.pulse.health()

    def snapshot(self) -> Snapshot:
        """For the metrics and the pages; may be called from any thread."""
        return self.pulse.snapshot(self.hearing.counts)

    def _store_failed(self, problem: str) -> None:
        """Called from the recorder's thread."""
        if problem:
            self.log.error("the store fails, readings wait in memory", problem=problem)
        else:
            self.log.info("the store is well again")

    def _letters_failed(self, problem: str) -> None:
        self.log.warning("the outbox cannot use the store", problem=problem)

    def _alarms_changed(self) -> None:
        """Somebody changed one, from another thread: take it up at once, so that the pages show it."""
        if self.loop is not None and not self.loop.is_closed():
            taking = asyncio.run_coroutine_threadsafe(self._read_alarms_again(), self.loop)
            with contextlib.suppress(TimeoutError, asyncio.CancelledError):
                taking.result(CHANGED_SECONDS)

    async def _read_alarms_again(self) -> None:
        """Others may have changed alarms (acknowledged, shelved): once all of ours is written, the store knows best."""
        try:
            going = await asyncio.to_thread(opened, self.store, self.clocks.now())
        except StoreError:
            return
        self.sweep.windows = (*self.settings.windows(), *going)
        if not self.recorder.idle:
            return
        mine = self.sweep.alarms
        before = dict(mine)
        try:
            records = {record.key: record for record in await asyncio.to_thread(self.store.alarms)}
        except StoreError:
            return
        for key in before.keys() | records.keys():
            if mine.get(key) is not before.get(key):
                continue  # judged anew while the store was read
            if key in records:
                mine[key] = records[key]
            else:
                mine.pop(key, None)
