"""What a store can be asked: every call reads in one transaction and gives values. Nothing here writes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from typing import TypeVar

from sqlalchemy import Connection, Engine

from agent.model.alarm import AlarmRecord
from agent.model.contact import ContactState, Observation, StatusPoint
from agent.model.fleet import LedgerEntry, Printer, PrinterHistory
from agent.model.grain import Grain
from agent.model.outbox import Letter
from agent.model.reading import Reading
from agent.model.window import Opened
from agent.store import engine as engines
from agent.store import ledgers, observing, openings, outlining, photos, printers, reading_back, telling
from agent.store.engine import Place
from agent.store.state import load_contacts

_T = TypeVar("_T")


class Lookup:
    """The history of a fleet, to be read from any thread. Every method may raise a ``StoreError``."""

    def __init__(self, engine: Engine, place: Place) -> None:
        self._engine = engine
        self._place = place

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self._place.shown!r})"

    @property
    def url(self) -> str:
        """Where the store is, without the password."""
        return self._place.shown

    # --- printers -----------------------------------------------------------------------------------------------

    def printers(self, *, retired: bool = False) -> tuple[Printer, ...]:
        """The printers in order of their names; those out of service only if ``retired``."""
        return self._read(lambda connection: printers.every(connection, retired=retired))

    def find_printers(self, text: str) -> tuple[Printer, ...]:
        """The printers whose name, serial number, address, MAC or id is ``text``, the likeliest first."""
        return self._read(lambda connection: printers.find(connection, text))

    def find_printer(self, text: str) -> Printer | None:
        """The likeliest of ``find_printers``: in service before retired, name before serial, address, MAC, id."""
        found = self.find_printers(text)
        return found[0] if found else None

    # --- what was read and noticed -------------------------------------------------------------------------------

    def history(self, printer_id: int, since: datetime | None = None, until: datetime | None = None) -> PrinterHistory:
        """All that is known about one printer between two moments (both included; None: no bound).

        Each track begins with the point in force at ``since``, whose moment may be earlier. Contact runs are cut at
        the bounds. Raises StoreRejected for an unknown printer.
        """
        return self._read(lambda connection: reading_back.history(connection, printer_id, since, until))

    def outline(self, printer_id: int, since: datetime, until: datetime, grain: Grain) -> PrinterHistory:
        """A history for the eye: of each track only the points in force at the moments of ``grain``, one counter.

        Takes about as long for a year of a busy printer as for a month of an idle one. Where the counter fell between
        two moments every point between is given. Raises StoreRejected for an unknown printer.
        """
        return self._read(lambda connection: outlining.outline(connection, printer_id, since, until, grain))

    def status_history(
        self, printer_id: int, since: datetime | None = None, until: datetime | None = None
    ) -> tuple[StatusPoint, ...]:
        """What the printer said of its state, whenever that changed; bounds as in ``history``."""
        return self._read(lambda connection: reading_back.statuses(connection, printer_id, since, until))

    def observations(
        self, printer_id: int, since: datetime | None = None, until: datetime | None = None
    ) -> tuple[Observation, ...]:
        """The history of one printer as observations in order of time, at least one a day while it answered.

        Given to ``observe`` of an empty store they make the same levels, impressions and answered contacts again.
        """
        return self._read(lambda it: tuple(observing.observations(it, printer_id, since, until)))

    def latest(self, printer_ids: Collection[int] | None = None) -> Mapping[int, Reading]:
        """The last reading of each printer that ever answered, ``at`` being its latest answer.

        Good enough to start again with; ``system.uptime`` is None where nothing else changed since it was stored.
        """
        return self._read(lambda connection: reading_back.latest(connection, printer_ids))

    def contacts(self, printer_ids: Collection[int] | None = None) -> Mapping[int, ContactState]:
        """The present run of contact or of silence of each printer (of these printers) that was ever asked."""
        return reading_back.contacts(self._read(lambda connection: load_contacts(connection, printer_ids)))

    def ledger(
        self,
        printer_id: int | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        kinds: Collection[str] | None = None,
        limit: int | None = None,
    ) -> tuple[LedgerEntry, ...]:
        """Ledger entries in order of time (both bounds included); with ``limit`` the latest so many."""
        return self._read(lambda connection: ledgers.read(connection, printer_id, since, until, kinds, limit))

    def ledger_after(self, entry_id: int, kinds: Collection[str]) -> tuple[LedgerEntry, ...]:
        """Entries of these kinds written after the one with this id, in that order, whatever moment they are about."""
        return self._read(lambda connection: ledgers.after(connection, entry_id, kinds))

    def last_entry(self) -> int:
        """The id of the ledger entry written last; 0 where there is none."""
        return self._read(ledgers.last)

    def entry(self, entry_id: int) -> LedgerEntry | None:
        """One ledger entry; None where there is none with this id."""
        return self._read(lambda connection: ledgers.one(connection, entry_id))

    def photo(self, name: str) -> tuple[bytes, str] | None:
        """Content and media type of a photo; None where there is none of this name."""
        return self._read(lambda connection: photos.read(connection, name))

    # --- alarms, windows and the outbox --------------------------------------------------------------------------

    def alarms(self) -> tuple[AlarmRecord, ...]:
        """Every alarm record, in order of key."""
        return self._read(telling.alarms)

    def windows(self) -> tuple[Opened, ...]:
        """The maintenance windows that people opened, in order of name; one may be over by its time."""
        return self._read(openings.every)

    def due(self, now: datetime, limit: int = 100) -> tuple[Letter, ...]:
        """Letters to send now, the longest waiting first."""
        return self._read(lambda connection: telling.due(connection, now, limit))

    def knows_message(self, dedupe_key: str) -> bool:
        """Whether this message is in the outbox: waiting, sent (and not forgotten yet) or given up."""
        return self._read(lambda connection: telling.is_known(connection, dedupe_key))

    def dead_letters(self) -> tuple[Letter, ...]:
        """Letters that were given up."""
        return self._read(lambda connection: telling.in_state(connection, "dead"))

    def outbox_counts(self) -> Mapping[str, int]:
        """How many letters are ``waiting``, ``sent`` and ``dead``."""
        return self._read(telling.counts)

    # --- inside -------------------------------------------------------------------------------------------------

    def _read(self, work: Callable[[Connection], _T]) -> _T:
        with engines.reading(self._engine, self._place) as connection:
            return work(connection)
