"""The pass itself: read many printers at once, think about each answer, and hand over what is to be recorded and told.

    read ── decode ── think ──┐ batches of at most half a second
                              └─ judge ── record: contacts, alarms, ledger and messages in one transaction

A batch does not wait for the slow and the dead: what the quick printers said is on its way to the store while the
silent ones are still being asked. Only readings that change who is who wait for the end of the sweep, since they can
only be understood together (see ``agent.insight.identity``).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from agent.alarms.engine import judge
from agent.alarms.outlook import Outlooks
from agent.alarms.routes import Routes
from agent.alarms.rules import Rule
from agent.alarms.sites import has_site_rules
from agent.alarms.windows import Window
from agent.insight.identity import Recognition
from agent.mib import oids
from agent.mib.decode import decode_again
from agent.mib.oddities import Oddity, choose
from agent.model.alarm import AgentHealth, AlarmRecord
from agent.model.contact import Contact
from agent.model.fleet import Finding, Printer, PrinterView
from agent.model.reading import Reading
from agent.model.wire import Answers, Cells, Peer, Traffic, WireError
from agent.sweep.fleet import Fleet, Waiting
from agent.sweep.pace import Pace
from agent.sweep.station import Station
from agent.sweep.work import Newcomer, Reads, Records, Report, Work

_OBJECT_ID = f"{oids.SYS_OBJECT_ID.oid}.0"
BATCH = 500
BATCH_SECONDS = 0.5
MOST_AT_ONCE = 2_000
"""Readings under way at most. The wire asks far fewer printers at once; the others wait there, those that are silent
apart from those that answer, so that the dead do not hold up the living."""

SPREAD, SPREAD_SECONDS = 1 / 3, 20.0
"""A sweep is spread over so much of the time until the next one, at most so many seconds, ..."""
GENTLE = 250.0
"""... unless that were fewer stations a second than these. Flat out a large fleet would leave scrapes, pages and the
store next to nothing of the interpreter while it lasts."""


@dataclass(slots=True)
class _Pass:
    """The state of one sweep under way."""

    report: Report
    full: bool
    started: float
    whole: bool = True
    steps: Pace | None = None
    waiting: Waiting = field(default_factory=Waiting)
    newcomers: list[tuple[Station, Printer, str, str]] = field(default_factory=list)


class Sweep:
    """Sweeps over ``stations``, one sweep at a time; a few stations may be asked at once meanwhile (``ask``).

    ``clock`` gives the moment (UTC), ``timer`` seconds for measuring. ``rules`` and ``alarms`` are what is judged by;
    ``alarms`` is kept up to date here. ``oddities``: the tables that printers are looked up in.
    ``rate``: requests a second at most. ``interval``: from sweep to sweep, so that all but the first are spread over a
    part of it; None: each goes as quickly as it can. ``outlooks``, ``routes``, ``windows`` and ``noted`` may be
    set from outside: the forecasts that are judged by, what each channel takes, the maintenance windows, and findings
    about printers that last longer than a sweep.
    """

    def __init__(  # noqa: PLR0913 - the parts are wired here and nowhere else
        self,
        reader: Reads,
        records: Records,
        fleet: Fleet,
        *,
        clock: Callable[[], datetime],
        timer: Callable[[], float],
        rules: Sequence[Rule] = (),
        alarms: Mapping[str, AlarmRecord] | None = None,
        oddities: Sequence[Oddity] = (),
        inventory: timedelta = timedelta(hours=6),
        rate: float = 2_000.0,
        interval: timedelta | None = None,
    ) -> None:
        self.reader = reader
        self.records = records
        self.fleet = fleet
        self.clock = clock
        self.timer = timer
        self.rules = tuple(rules)
        self.alarms: dict[str, AlarmRecord] = dict(alarms or {})
        self.outlooks: Outlooks = {}
        self.routes: Routes = {}
        self.noted: Mapping[int, tuple[Finding, ...]] = {}
        self.windows: Sequence[Window] = ()
        self.oddities = tuple(oddities)
        self.inventory = inventory
        self.interval = interval
        self.pace = Pace(rate, timer)
        self._steps: Pace | None = None
        self._swept = False
        self.stations: list[Station] = []
        self._ending = False
        # Of all passes together, so that the contacts of one printer are handed over in the order in which they came.
        self._contacts: list[Contact] = []

    def watch(self, stations: Sequence[Station]) -> frozenset[int]:
        """Sweep over these from now on. Gives back the ids of printers that no station leads to any more."""
        homes = self.fleet.by_address()
        wanted: set[int] = set()
        for station in stations:
            here = homes.get(station.stop.peer.address.casefold(), frozenset())
            if station.stop.device is not None:
                views = self.fleet.views_of(here)
                here = frozenset(one.printer.id for one in views if one.printer.device_index == station.stop.device)
            station.printers = here
            station.answered_ever = station.answered_ever or bool(here)
            wanted |= here
        gone = self.fleet.watched - wanted
        self.fleet.unwatch(gone)
        self.stations = list(stations)
        return gone

    async def run(self, *, full: bool = False) -> Report:
        """One pass. ``full``: the slow, whole reading of every printer, whether due or not."""
        now = self.clock()
        due = [station for station in self.stations if full or station.due(now)]
        report = Report(now, len(self.stations), len(due), resting=len(self.stations) - len(due))
        self._steps = self._spread(len(due))
        done = await self._pass(due, _Pass(report, full, self.timer(), steps=self._steps))
        self._swept = True
        return done

    def _spread(self, stations: int) -> Pace | None:
        if self.interval is None or not self._swept:
            return None  # what nobody knows yet is wanted soon
        seconds = min(self.interval.total_seconds() * SPREAD, SPREAD_SECONDS)
        return Pace(max(GENTLE, stations / seconds), self.timer, at_once=0.1)

    async def ask(self, stations: Sequence[Station]) -> Report:
        """Ask these at once, also while a sweep is under way.

        What changes who is who is left to the next sweep, which sees all readings together.
        """
        report = Report(self.clock(), len(self.stations), len(stations))
        return await self._pass(stations, _Pass(report, False, self.timer(), whole=False))

    async def _pass(self, stations: Sequence[Station], going: _Pass) -> Report:
        queue = iter(stations)
        flusher = asyncio.create_task(self._flush_often())
        try:
            workers = [self._work(queue, going) for _ in range(min(MOST_AT_ONCE, len(stations)))]
            await asyncio.gather(*workers)
            if going.whole:
                await self._settle(going)
        finally:
            flusher.cancel()
            self._flush()
        going.report.seconds = self.timer() - going.started
        return going.report

    def judge_agent(self, health: AgentHealth) -> None:
        """Judge the agent itself, and close the alarms of printers that are watched no more."""
        self._judge((), self.clock(), health=health)

    def end(self) -> None:
        """Ask nobody any more: the sweep under way ends with the readings that have begun."""
        self._ending = True
        for pace in (self.pace, self._steps):
            if pace is not None:
                pace.release()

    def set_rate(self, rate: float) -> None:
        """Send at most so many requests a second from now on."""
        self.pace = Pace(rate, self.timer)

    # --- reading -------------------------------------------------------------------------------------------------

    async def _work(self, queue: Iterator[Station], going: _Pass) -> None:
        for station in queue:
            if self._ending:
                return
            await self._visit(station, going)

    async def _visit(self, station: Station, going: _Pass) -> None:
        report = going.report
        if going.steps is not None:
            await going.steps.begin(1)
        if going.whole:
            await self.pace.begin()  # the few that are asked at once pay too, but do not wait behind a whole sweep
        if self._ending:
            return
        full = going.full or station.wants_full(self.clock(), self.inventory)
        try:
            answers = await self.reader.read(station.stop.peer, full=full)
        except WireError as error:
            self._count(report, error.traffic)
            report.failures[error.reason] = report.failures.get(error.reason, 0) + 1
            self._silent(station, error.reason, str(error), going)
            return
        self._count(report, answers.traffic)
        report.answered += 1
        report.full += full
        self._heard(station, answers, full, going)
        if len(self._contacts) >= BATCH:
            self._flush()

    def _count(self, report: Report, traffic: Traffic) -> None:
        report.count(traffic)
        self.pace.paid(traffic.requests)

    def _heard(self, station: Station, answers: Answers, full: bool, going: _Pass) -> None:
        stop = station.stop
        wanted = [one for one in answers.devices if stop.device is None or one == stop.device]
        met = set()
        for device in wanted:
            reading = self._decode(station, answers, device)
            contact = self.fleet.absorb(station, reading)
            if contact is None:
                going.waiting.readings.append(reading)
                going.waiting.stations.append(station)
            else:
                going.waiting.settled.append(reading)
                met.add(contact.printer_id)
                self._contacts.append(contact)
        going.report.printers += len(wanted)
        # Until all are recognised nobody can say which of the printers known here is missing.
        complete = len(met) == len(wanted)
        lost = station.printers - met if complete else frozenset()
        station.answered(answers.at, full=full, is_printer=bool(wanted))
        if not wanted:
            going.report.no_printer += 1
            self._silent(station, "noPrinter", _no_printer(stop.peer, stop.device, answers), going, answered=True)
            return
        if lost:
            text = f"{stop.peer.address} answers, but this printer is no longer behind it."
            self._contacts += self.fleet.failed(self._still_at(lost, stop.peer), answers.at, "absent", text)
        if not met <= station.printers:
            station.printers = station.printers | met

    def _decode(self, station: Station, answers: Answers, device: int) -> Reading:
        stop = station.stop
        object_id = answers.cells.get(_OBJECT_ID)
        if station.chosen is None or station.chosen[0] != object_id:
            station.chosen = (object_id, choose(self.oddities, object_id, stop.named_oddities))
        oddities = station.chosen[1]
        before = next((one for one in station.decoded if one.device == device), None)
        reading, memory = decode_again(
            answers.cells, before, at=answers.at, address=station.address, device_index=device, oddities=oddities
        )
        kept = tuple(one for one in station.decoded if one is not before)
        station.decoded = kept if memory is None else (*kept, memory)
        return reading

    def _silent(self, station: Station, reason: str, text: str, going: _Pass, *, answered: bool = False) -> None:
        at = self.clock()
        if not answered:
            station.failed(at, text)
        here = self._still_at(station.printers, station.stop.peer)
        self._contacts += self.fleet.failed(here, at, reason, text)
        if not here and (newcomer := self.fleet.stand_in(station)) is not None:
            going.newcomers.append((station, newcomer, reason, text))

    def _still_at(self, ids: frozenset[int], peer: Peer) -> list[int]:
        """Those of ``ids`` that were not met at another address since."""
        low = peer.address.casefold()
        return [one.printer.id for one in self.fleet.views_of(ids) if one.printer.address.casefold() == low]

    # --- who is who ----------------------------------------------------------------------------------------------

    async def _settle(self, going: _Pass) -> None:
        """Recognise together what could not be recognised alone, and give newcomers their ids."""
        if going.waiting.readings:
            found = self.fleet.recognise_together(going.waiting)
            saved = await self._save(found)
            if saved is not None:
                contacts, aside = self.fleet.settle(saved)
                self._contacts += contacts
                if aside:
                    self.records.offer(Work(ledger=tuple(aside)))
                for station, one in zip(going.waiting.stations, saved, strict=True):
                    if one.record:
                        station.printers = station.printers | {one.printer.id}
        if going.newcomers:
            registered = await self.records.register([(printer, ()) for _, printer, _, _ in going.newcomers])
            for (station, _, reason, text), printer in zip(going.newcomers, registered or (), strict=False):
                self.fleet.enlist(printer)
                station.printers = frozenset({printer.id})
                self._contacts += self.fleet.failed(station.printers, self.clock(), reason, text)

    async def _save(self, found: list[Recognition]) -> list[Recognition] | None:
        # What the ledger says of a printer is written with it: a crash between the two would lose it.
        to_save: list[Newcomer] = [(each.printer, each.ledger) for each in found if each.save]
        to_save += [(gone, ()) for each in found for gone in each.displaced]
        if not to_save:
            return found
        registered = await self.records.register(to_save)
        if registered is None:
            return None
        numbers = iter(registered)
        made = []
        for each in found:
            one = each
            if each.save:
                saved = next(numbers)
                numbered = replace(each.printer, id=saved.id)  # its words are those of the settings and the reading,
                printer = numbered if numbered == saved else saved  # of which the store gives back copies
                one = replace(each, printer=printer, ledger=())
            made.append(one)
        return made

    # --- judging and handing over --------------------------------------------------------------------------------

    async def _flush_often(self) -> None:
        while True:
            await asyncio.sleep(BATCH_SECONDS)
            self._flush()

    def _flush(self) -> None:
        if self._contacts:
            contacts, self._contacts = tuple(self._contacts), []
            self._judge(contacts, self.clock())

    def _with_noted(self, view: PrinterView) -> PrinterView:
        """The view with what is known of the printer besides what this sweep brought."""
        noted = self.noted.get(view.printer.id, ())
        return replace(view, findings=(*view.findings, *noted)) if noted else view

    def _judge(self, contacts: Sequence[Contact], now: datetime, health: AgentHealth | None = None) -> None:
        views = [self._with_noted(view) for view in self.fleet.views_of({one.printer_id for one in contacts})]
        found = judge(
            self.rules,
            views,
            self.alarms,
            now,
            health=health,
            fleet=self.fleet.watched,
            whole=self.fleet.views_of() if has_site_rules(self.rules) else None,
            outlooks=self.outlooks,
            routes=self.routes,
            windows=self.windows,
        )
        bases = {key: self.alarms.get(key) for key in (*(one.key for one in found.records), *found.gone)}
        for record in found.records:
            self.alarms[record.key] = record
        for key in found.gone:
            self.alarms.pop(key, None)
        work = Work(tuple(contacts), found.records, found.ledger, found.messages, tuple(found.gone), bases)
        if work:
            self.records.offer(work)


def _no_printer(peer: Peer, device: int | None, answers: Answers) -> str:
    if device is not None and answers.devices:
        there = ", ".join(str(one) for one in answers.devices)
        return f"{peer.address} answers, but has no printer with hrDeviceIndex {device}; there are: {there}."
    return f"{peer.address} answers SNMP but is no printer{_described(answers.cells)}."


def _described(cells: Cells) -> str:
    descr = cells.get(f"{oids.SYS_DESCR.oid}.0", b"")
    text = descr.decode("utf-8", "replace") if isinstance(descr, bytes) else ""
    text = "".join(sign for sign in text if sign.isprintable())[:80].strip()
    return f" (it says: {text})" if text else ""
