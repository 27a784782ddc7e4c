"""The history: tables, migrations, reading and writing. Values in, values out."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Self

from agent.model.alarm import AlarmRecord, Message
from agent.model.contact import Contact, ContactState, Observation, StatusPoint
from agent.model.fleet import LedgerEntry, Printer, PrinterHistory
from agent.model.outbox import Letter
from agent.model.reading import Reading


@dataclass(frozen=True, slots=True)
class Committed:
    """What one commit did. ``ledger``: the entries with their ids.

    ``stale``: keys of alarm records that were NOT written, because the store holds a later revision of them.
    """

    ledger: tuple[LedgerEntry, ...] = ()
    stale: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Thinned:
    """What one call of ``Store.thin`` did: points taken out, and whether nothing is left to do."""

    removed: int
    done: bool


class Store:
    """The history of a fleet. All methods may be called from any thread; writing is done one call at a time."""

    @classmethod
    def open(cls, url: str, *, create: bool = True, gap: timedelta = timedelta(hours=26)) -> Self:
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # printers
    def save_printer(self, printer: Printer) -> Printer: raise NotImplementedError  # id 0: a new one; id is given back
    def printers(self, *, retired: bool = False) -> tuple[Printer, ...]: raise NotImplementedError
    def find_printers(self, text: str) -> tuple[Printer, ...]: raise NotImplementedError
    def find_printer(self, text: str) -> Printer | None: raise NotImplementedError

    # writing, each in one transaction
    def record(self, batch: Sequence[Contact]) -> Committed: raise NotImplementedError
    def commit(
        self,
        batch: Sequence[Contact] = (),
        alarms: Sequence[AlarmRecord] = (),
        ledger: Sequence[LedgerEntry] = (),
        messages: Sequence[Message] = (),
        *,
        gone: Collection[str] = (),
        token: str | None = None,
    ) -> Committed: raise NotImplementedError  # token: the same token twice is written once
    def observe(self, rows: Sequence[Observation]) -> int: raise NotImplementedError  # import; how many changed anything
    def append_ledger(self, entries: Sequence[LedgerEntry]) -> tuple[LedgerEntry, ...]: raise NotImplementedError
    def save_alarms(
        self, states: Sequence[AlarmRecord], ledger: Sequence[LedgerEntry] = (), messages: Sequence[Message] = (),
        *, gone: Collection[str] = (),
    ) -> Committed: raise NotImplementedError

    # reading
    def history(self, printer_id: int, since: datetime | None = None, until: datetime | None = None) -> PrinterHistory:
        raise NotImplementedError
    def status_history(
        self, printer_id: int, since: datetime | None = None, until: datetime | None = None
    ) -> tuple[StatusPoint, ...]: raise NotImplementedError
    def latest(self, printer_ids: Collection[int] | None = None) -> Mapping[int, Reading]: raise NotImplementedError
    def contacts(self) -> Mapping[int, ContactState]: raise NotImplementedError
    def ledger(
        self, printer_id: int | None = None, since: datetime | None = None, until: datetime | None = None,
        kinds: Collection[str] | None = None, limit: int | None = None,
    ) -> tuple[LedgerEntry, ...]: raise NotImplementedError  # in order of time; with a limit the latest ones
    def alarms(self) -> tuple[AlarmRecord, ...]: raise NotImplementedError

    # the outbox
    def due(self, now: datetime, limit: int = 100) -> tuple[Letter, ...]: raise NotImplementedError
    def mark_sent(self, letter_id: int, now: datetime) -> None: raise NotImplementedError
    def mark_failed(self, letter_id: int, now: datetime, error: str, next_try: datetime | None) -> None:
        raise NotImplementedError  # next_try None: given up
    def dead_letters(self) -> tuple[Letter, ...]: raise NotImplementedError
    def revive(self, letter_id: int, now: datetime) -> bool: raise NotImplementedError
    def outbox_counts(self) -> Mapping[str, int]: raise NotImplementedError  # state -> how many

    def thin(
        self, now: datetime, keep_raw: timedelta, keep_hours: timedelta, keep_days: timedelta | None = None,
        *, limit: int = 50_000,
    ) -> Thinned: raise NotImplementedError
