"""The agent as the web pages see it: a window on the running service and its store. It decides nothing."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from agent.app.desk import AlarmDesk
from agent.app.foresight import Foresight
from agent.app.keeping import Kept
from agent.app.past import alarms_at, due_at, view_at, views_at
from agent.app.rounds import Rounds
from agent.app.shelving import Shelving
from agent.app.symptoms import case_of
from agent.insight.clues import Case
from agent.insight.shelf import Shelf
from agent.model.alarm import AlarmRecord
from agent.model.contact import ContactState
from agent.model.fleet import LedgerEntry, Printer, PrinterHistory, PrinterView
from agent.model.grain import Grain
from agent.model.hands import Handwork
from agent.model.insight import Insight
from agent.model.proof import Done, Proof, Recorded, Suggestion
from agent.model.proof import Service as ServiceDone
from agent.model.round import Round
from agent.model.shelf import Advice, ShelfState
from agent.model.stocktaking import Movement, Stocktaking
from agent.model.upkeep import PrinterUpkeep
from agent.store.errors import StoreError, StoreRejected
from agent.web.house import About

if TYPE_CHECKING:
    from agent.app.service import Service

ROUND_KEPT = 60
"""A round is planned anew after so many seconds, though nothing else may have changed: it names moments."""
KEEP_NAMES = timedelta(seconds=30)
"""The list of printers with a history is read again after so long."""


class ServiceHouse:
    """The house of one service. Every method may be called from any thread."""

    def __init__(self, service: Service, foresight: Foresight) -> None:
        self._service = service
        self._foresight = foresight
        self._shelving = Shelving(
            service.store,
            lambda: service.settings,
            lambda: (foresight.insights, foresight.upkeep),
            self.printers,
        )
        self._rounds = Rounds(
            service.store,
            lambda: service.settings,
            lambda: (foresight.insights, foresight.upkeep),
            self.views,
            self.alarms,
            self._proofs,
            foresight.look,
        )
        self._made: Kept[Round] = Kept()
        self._hints: Kept[tuple[Suggestion, ...]] = Kept(1)
        self._names: tuple[datetime, Mapping[int, Printer]] | None = None

    def reckon(self, now: datetime) -> None:
        """What rests on the run-outs, anew where these are others. Takes a while. Raises StoreError."""
        self._shelving.reckon(now)
        self.suggestions()

    def stock(self, now: datetime) -> tuple[Shelf, ShelfState]:
        """What the settings say of the shelf, and what lies there."""
        return self._shelving.stock(now)

    def order_advice(self, now: datetime) -> tuple[Advice, ...]:
        """What to order, reckoned by now where that has not been done yet."""
        self._shelving.reckon(now)
        return self._shelving.look(now).advice

    def now(self) -> datetime:
        """The moment, UTC."""
        return self._service.clocks.now()

    def views(self, at: datetime | None = None) -> Mapping[int, PrinterView]:
        """Every printer in service as it was last seen, or had been by an earlier moment."""
        if at is not None:
            return views_at(self._service.store, at)
        return dict(self._service.sweep.fleet.views)

    def view(self, printer_id: int, at: datetime) -> PrinterView | None:
        """One printer as it was last seen by an earlier moment."""
        return view_at(self._service.store, printer_id, at)

    def printers(self) -> Mapping[int, Printer]:
        """Every printer that has a history, those out of service included."""
        now = self.now()
        if self._names is None or not timedelta(0) <= now - self._names[0] < KEEP_NAMES:
            self._names = now, {one.id: one for one in self._service.store.printers(retired=True)}
        return {**self._names[1], **{number: view.printer for number, view in self.views().items()}}

    def history(self, printer_id: int, since: datetime | None, until: datetime | None) -> PrinterHistory | None:
        """What is known of one printer between two moments."""
        try:
            return self._service.store.history(printer_id, since, until)
        except StoreRejected:
            return None

    def outline(self, printer_id: int, since: datetime, until: datetime, grain: Grain) -> PrinterHistory | None:
        """What is known of one printer between two moments, for the eye."""
        try:
            return self._service.store.outline(printer_id, since, until, grain)
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
        """The latest entries, in order of time."""
        return self._service.store.ledger(printer_id, since, until, kinds, limit)

    def alarms(self, at: datetime | None = None) -> tuple[AlarmRecord, ...]:
        """Every alarm record, now or as of an earlier moment."""
        if at is not None:
            return alarms_at(self._service.store, at)
        return tuple(self._service.sweep.alarms.values())

    def insights(self) -> Mapping[int, Insight]:
        """Uses, lives and run-outs as they were last reckoned."""
        return self._foresight.insights

    def insight(self, printer_id: int, at: datetime) -> Insight | None:
        """One printer's uses, lives and run-outs as of a moment."""
        try:
            return self._foresight.look(printer_id, at)
        except StoreRejected:
            return None

    def case(self, printer_id: int, at: datetime | None) -> Case | None:
        """What is known of one printer, for judging a symptom."""
        insight, upkeep = self._foresight.insights.get(printer_id), self._foresight.upkeep.get(printer_id)
        known = (insight, upkeep) if at is None and insight is not None and upkeep is not None else None
        try:
            return case_of(self._service.store, self._service.settings, printer_id, at or self.now(), known)
        except StoreRejected:
            return None

    def shelf(self, at: datetime | None) -> Stocktaking:
        """The shelf now, or as of a moment."""
        return self._shelving.look(self.now(), at)

    def move(self, move: Movement) -> LedgerEntry:
        """Write down what somebody says about the shelf."""
        return self._shelving.move(move, self.now())

    def round(self, site: str | None, day: date | None, at: datetime | None) -> Round:
        """The round of a day."""
        now = self.now()
        if at is not None and at < now:
            return self._rounds.plan(now, site, day, at)
        minute = int(now.timestamp() // ROUND_KEPT)
        rests_on = (*self._grounds(), tuple(self.views().values()), self.alarms(), self._proofs(None), minute)
        return self._made.get((site, day), rests_on, lambda: self._rounds.plan(now, site, day))

    def _proofs(self, at: datetime | None) -> tuple[Proof, ...]:
        after = self._service.aftercare
        return after.proving.unsettled if at is None else after.servicing.proofs(at=at)

    def serve(self, done: Done) -> Recorded:
        """Write down what was done at a printer, read it at once, and see what it shows."""
        return self._service.aftercare.servicing.record(done)

    def withdraw(self, service_id: int, who: str, remarks: str = "") -> ServiceDone:
        """Take a service back that was not done."""
        return self._service.aftercare.servicing.withdraw(service_id, who, remarks)

    def proofs(self, printer_id: int | None, at: datetime | None = None) -> tuple[Proof, ...]:
        """The services of the last thirty days with what the printers show."""
        return self._service.aftercare.servicing.proofs(printer_id, at)

    def lately(self, since: datetime, most: int) -> tuple[Proof, ...]:
        """The latest services with what the printers show."""
        return self._service.aftercare.servicing.lately(since, most)

    def suggestions(self, printer_id: int | None = None, at: datetime | None = None) -> tuple[Suggestion, ...]:
        """What printers show to have been done although nobody logged it."""
        servicing = self._service.aftercare.servicing
        if printer_id is not None or at is not None:
            return servicing.suggestions(printer_id, at)
        return self._hints.get("all", (*self._grounds(), self.now().toordinal()), servicing.suggestions)

    def _grounds(self) -> tuple[object, ...]:
        """What is reckoned of the fleet, the settings, and how far the ledger goes."""
        service = self._service
        return self._foresight.insights, self._foresight.upkeep, service.settings, service.store.last_entry()

    def accept(self, suggestion_id: str, who: str, part: str = "") -> Recorded:
        """Write down what a suggestion says."""
        return self._service.aftercare.servicing.accept(suggestion_id, who, part)

    def photo(self, name: str) -> tuple[bytes, str] | None:
        """Content and media type of a service's photo."""
        return self._service.store.photo(name)

    def hands(self, printer_id: int, work: Handwork | None = None) -> str | None:
        """Do it at a simulated printer; None outside a rehearsal."""
        hands, view = self._service.hands, self._service.sweep.fleet.views.get(printer_id)
        if hands is None or view is None:
            return None
        return "" if work is None else hands(view.printer.name, work)

    def upkeep(self) -> Mapping[int, PrinterUpkeep]:
        """Work that falls due, as it was last reckoned."""
        return self._foresight.upkeep

    def upkeep_at(self, printer_id: int, at: datetime) -> PrinterUpkeep | None:
        """One printer's work that falls due as of a moment."""
        try:
            return due_at(self._service.store, self._service.settings, printer_id, at, self._foresight.look)
        except StoreRejected:
            return None

    def desk(self) -> AlarmDesk:
        """What people may do to alarms."""
        return self._service.desk

    def about(self) -> About:
        """The agent itself."""
        service = self._service
        return About(
            vitals=service.snapshot().vitals,
            health=service.health(),
            store=service.store.url,
            settings=service.settings_file.name,
            zone=service.settings.zone,
            store_error=service.recorder.last_error,
            public_url=service.settings.listen.public_url or "",
        )

    def silent(self) -> Mapping[int, ContactState]:
        """The printers that do not answer and what the wire said."""
        unheard = [number for number, view in self.views().items() if not view.reachable]
        if not unheard:
            return {}
        try:
            found = self._service.store.contacts(unheard)
        except StoreError:
            return {}
        return {number: one for number, one in found.items() if not one.reachable}
