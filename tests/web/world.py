"""A house over real values: a rehearsal's printers with their past in a real store, judged by real rules."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date, datetime, timedelta
from itertools import islice
from pathlib import Path

from agent.alarms.engine import judge
from agent.alarms.rules import Rule
from agent.app.asking import CannotAsk
from agent.app.desk import AlarmDesk
from agent.app.links import Links
from agent.app.parts import packaged_oddities
from agent.app.past import alarms_at, due_at, view_at, views_at
from agent.app.rounds import Rounds
from agent.app.servicing import Servicing
from agent.app.shelving import Shelving
from agent.app.symptoms import case_of
from agent.insight.clues import Case
from agent.insight.kin import Fleet as Kin
from agent.insight.kin import pool
from agent.insight.printer import look, summarise
from agent.model.alarm import AlarmRecord
from agent.model.contact import Contact, ContactState
from agent.model.fleet import LedgerEntry, Printer, PrinterHistory, PrinterView
from agent.model.grain import Grain
from agent.model.hands import Handwork
from agent.model.health import Durations, Health, Vitals
from agent.model.insight import Insight
from agent.model.proof import Done, Proof, Recorded, Service, Suggestion
from agent.model.reading import Reading
from agent.model.round import Round
from agent.model.stocktaking import Movement, Stocktaking
from agent.model.upkeep import PrinterUpkeep
from agent.rehearsal.fleet import Fleet
from agent.rehearsal.past import contacts, thinned
from agent.rehearsal.wear import Worn
from agent.settings import parse
from agent.store import Store
from agent.store.errors import StoreRejected
from agent.web.house import About

SETTINGS = """
parts:
  - {name: TG-40K, description: "Black toner, 6,000 pages", supplies: ["toner:black"], yield: 6000, price: 89.50}
  - {name: "=QU-C", description: Cyan toner, supplies: ["toner:cyan"], yield: 3000, price: 120, pack: 2}
  - {name: DR-1, description: Drum, supplies: [opc], price: 64}
shelf:
  places:
    - {name: Cupboard 3}
    - {name: Depot shelf}
"""
RULES = (
    Rule("supply-low", "supplyBelow", below=0.15, deadband=0.03),
    Rule("supply-empty", "supplyEmpty", severity="high"),
    Rule("waste-nearly-full", "receptacleNearlyFull", below=0.1),
    Rule("printer-silent", "unreachable", severity="medium"),
    Rule("printer-stopped", "printerAlert", severity="urgent", alert_severity=("critical",)),
)


def remember(store: Store, fleet: Fleet, until: datetime, step: timedelta = timedelta(hours=3)) -> None:
    """Fill the store with the past of a rehearsal's fleet."""

    def enlist(worn: Worn, reading: Reading) -> int:
        printer = Printer(
            id=0, name=worn.who.name, address=reading.address, device_index=reading.device_index,
            serial=reading.serial, mac=reading.mac, model=reading.model, place=worn.who.place, first_seen=reading.at,
        )  # fmt: skip
        return store.save_printer(printer).id

    made = contacts(thinned(fleet.history(until, step)), enlist, packaged_oddities())
    while some := list(islice(made, 2000)):
        store.record(some)


class Mouth:
    """What printers answer when they are asked at once: the reading laid ready here, else silence."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.ready: dict[int, Reading] = {}

    def ask(self, printer: Printer) -> Reading:
        if printer.id not in self.ready:
            raise CannotAsk("it did not answer")
        reading = self.ready[printer.id]
        self._store.record([Contact(reading.at, printer.id, True, reading)])
        return reading


class StoreHouse:
    """A house over a store alone, as of one moment."""

    def __init__(self, store: Store, now: datetime) -> None:
        self.store = store
        self.moment = now
        self._views = views(store)
        records = judge(RULES, list(self._views.values()), {}, now - timedelta(hours=3))
        store.save_alarms(records.records, records.ledger)
        histories = [store.history(number) for number in self._views]
        self.kin = pool([summarise(one, Kin(), now) for one in histories])
        self._insights = {one.printer.id: look(one, self.kin, now) for one in histories}
        self.due: dict[int, PrinterUpkeep] = {}
        self.settings = ""
        shelved = parse(SETTINGS)
        self.shelving = Shelving(store, lambda: shelved, lambda: (self._insights, self.due), self.printers)
        self.shelving.reckon(now)
        self.mouth = Mouth(store)
        self.servicing = Servicing(store, lambda: shelved, self.now, self.mouth)

    def now(self) -> datetime:
        return self.moment

    def views(self, at: datetime | None = None) -> Mapping[int, PrinterView]:
        return self._views if at is None else views_at(self.store, at)

    def view(self, printer_id: int, at: datetime) -> PrinterView | None:
        return view_at(self.store, printer_id, at)

    def printers(self) -> Mapping[int, Printer]:
        return {one.id: one for one in self.store.printers(retired=True)}

    def history(self, printer_id: int, since: datetime | None, until: datetime | None) -> PrinterHistory | None:
        try:
            return self.store.history(printer_id, since, until)
        except StoreRejected:
            return None

    def outline(self, printer_id: int, since: datetime, until: datetime, grain: Grain) -> PrinterHistory | None:
        try:
            return self.store.outline(printer_id, since, until, grain)
        except StoreRejected:
            return None

    def ledger(
        self,
        printer_id: int | None,
        since: datetime | None,
        until: datetime | None,
        kinds: Collection[str] | None,
        limit: int,
    ) -> tuple[LedgerEntry, ...]:
        return self.store.ledger(printer_id, since, until, kinds, limit)

    def alarms(self, at: datetime | None = None) -> tuple[AlarmRecord, ...]:
        return self.store.alarms() if at is None else alarms_at(self.store, at)

    def insights(self) -> Mapping[int, Insight]:
        return self._insights

    def insight(self, printer_id: int, at: datetime) -> Insight | None:
        found = self.history(printer_id, None, at)
        return None if found is None else look(found, self.kin, at)

    def case(self, printer_id: int, at: datetime | None) -> Case | None:
        try:
            return case_of(self.store, parse(self.settings), printer_id, at or self.moment, fleet=self.kin)
        except StoreRejected:
            return None

    def round(self, site: str | None, day: date | None, at: datetime | None) -> Round:
        rounds = Rounds(
            self.store, lambda: parse(""), lambda: (self._insights, self.due), self.views, self.alarms,
            lambda _: (), self._look,
        )  # fmt: skip
        return rounds.plan(self.moment, site, day, at)

    def shelf(self, at: datetime | None) -> Stocktaking:
        return self.shelving.look(self.moment, at)

    def move(self, move: Movement) -> LedgerEntry:
        return self.shelving.move(move, self.moment)

    def upkeep(self) -> Mapping[int, PrinterUpkeep]:
        return self.due

    def serve(self, done: Done) -> Recorded:
        return self.servicing.record(done)

    def withdraw(self, service_id: int, who: str, remarks: str = "") -> Service:
        return self.servicing.withdraw(service_id, who, remarks)

    def proofs(self, printer_id: int | None, at: datetime | None = None) -> tuple[Proof, ...]:
        return self.servicing.proofs(printer_id, at)

    def lately(self, since: datetime, most: int) -> tuple[Proof, ...]:
        return self.servicing.lately(since, most)

    def suggestions(self, printer_id: int | None = None, at: datetime | None = None) -> tuple[Suggestion, ...]:
        return self.servicing.suggestions(printer_id, at)

    def accept(self, suggestion_id: str, who: str, part: str = "") -> Recorded:
        return self.servicing.accept(suggestion_id, who, part)

    def photo(self, name: str) -> tuple[bytes, str] | None:
        return self.store.photo(name)

    def hands(self, printer_id: int, work: Handwork | None = None) -> str | None:
        return None

    def upkeep_at(self, printer_id: int, at: datetime) -> PrinterUpkeep | None:
        try:
            return due_at(self.store, parse(""), printer_id, at, self._look)
        except StoreRejected:
            return None

    def _look(self, printer_id: int, at: datetime) -> Insight:
        return look(self.store.history(printer_id, None, at), self.kin, at)

    def desk(self) -> AlarmDesk:
        return AlarmDesk(self.store, self.now, Links(lambda: "http://localhost", lambda: "a key for the test"))

    def about(self) -> About:
        vitals = Vitals(
            version="0.1.0", python="3.11", engine="gufo", started=self.moment - timedelta(days=2), swept=self.moment,
            sweeps=Durations().add(0.21).add(0.19), stops=len(self._views), readings={"read": 240, "silent": 2},
            requests=900, retries=4, timeouts=2, buffer_limit=20_000, settings_accepted=1, settings_loaded=self.moment,
        )  # fmt: skip
        return About(vitals, Health(True, True, True, 0.5), self.store.url, "lowmark.yaml", "Europe/London")

    def silent(self) -> Mapping[int, ContactState]:
        return {number: one for number, one in self.store.contacts().items() if not one.reachable}


def views(store: Store) -> dict[int, PrinterView]:
    latest, states = store.latest(), store.contacts()
    return {
        one.id: PrinterView(one, latest.get(one.id), states[one.id].reachable, states[one.id].since)
        for one in store.printers()
    }


def opened(folder: Path) -> Store:
    return Store.open(f"sqlite:///{folder / 'history.sqlite'}")
