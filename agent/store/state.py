"""The last known values of printers, in memory, so that a contact that changed nothing is told at a glance."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, func, select

from agent.model.once import Once
from agent.model.reading import Reading
from agent.store.engine import chunks
from agent.store.tables import (
    contact_run,
    counter,
    counter_point,
    printer,
    snapshot,
    status_point,
    supply,
    supply_point,
)

SupplyName = tuple[str, str]
"""Key and unit: a level in another unit belongs to another history."""

CounterName = tuple[str, str]
"""Name and unit."""

SupplyFacts = tuple[str, str, str | None, str]
"""Kind, class, colorant, description."""


shared = Once(10_000)
"""The same words as ever: whole fleets have the same names, and each row would bring its own."""


@dataclass(slots=True)
class LastKnown:
    """What the store holds last of one printer. Never changed once it is in use; a change makes a copy.

    ``first``, ``last``, ``reachable``: the last contact run (None: never contacted). ``answered``: the last contact
    that was answered. ``supplies`` and ``counters``: all positions ever seen, by name, with their ids; ``levels`` and
    ``counts``: the values of the open ones, by id. ``reading``: the last one, where this process has recorded it.
    ``rested``: as what it rested before (``agent.store.resting``); it rests so again where no value has changed.
    """

    printer_id: int
    first: int | None = None
    last: int = 0
    reachable: bool = False
    failure: str | None = None
    error: str = ""
    answered: int | None = None
    supplies: dict[SupplyName, int] = field(default_factory=dict)
    facts: dict[int, SupplyFacts] = field(default_factory=dict)
    counters: dict[CounterName, int] = field(default_factory=dict)
    levels: dict[int, tuple[int, int]] = field(default_factory=dict)
    counts: dict[int, int] = field(default_factory=dict)
    status: str | None = None
    snapshot_at: int | None = None
    reading: Reading | None = None
    rested: Any = field(default=None, compare=False, repr=False)

    def copy(self) -> LastKnown:
        """One that may be changed; its dicts are shared and must be replaced, not changed."""
        return LastKnown(
            self.printer_id,
            self.first,
            self.last,
            self.reachable,
            self.failure,
            self.error,
            self.answered,
            self.supplies,
            self.facts,
            self.counters,
            self.levels,
            self.counts,
            self.status,
            self.snapshot_at,
            self.reading,
            self.rested,
        )


_ALL_AT_ONCE = 2_000
"""From so many printers on it is quicker to read the whole tables than to name each printer."""


def load(connection: Connection, printer_ids: Iterable[int]) -> dict[int, LastKnown]:
    """The last known values of these printers; printers that the store does not have are absent."""
    ids = sorted(set(printer_ids))
    found: dict[int, LastKnown] = {}
    if not ids:
        return found
    if len(ids) >= _ALL_AT_ONCE:
        _load(connection, None, found)
        wanted = set(ids)
        return {printer_id: state for printer_id, state in found.items() if printer_id in wanted}
    for some in chunks(ids):
        _load(connection, some, found)
    return found


def load_all(connection: Connection) -> dict[int, LastKnown]:
    """The last known values of every printer."""
    found: dict[int, LastKnown] = {}
    _load(connection, None, found)
    return found


def load_contacts(connection: Connection, printer_ids: Iterable[int] | None) -> dict[int, LastKnown]:
    """Only the runs of contact: of these printers, or of all."""
    found: dict[int, LastKnown] = {}
    wanted = [None] if printer_ids is None else list(chunks(sorted(set(printer_ids))))
    for some in wanted:
        rows = _asker(connection, some)
        for row in rows(select(printer.c.id), printer.c.id):
            found[row[0]] = LastKnown(row[0])
        _load_contacts(rows, found)
    return found


_Rows = Callable[[Any, ColumnElement[int]], Iterable[Any]]
"""Runs a query for the printers that are wanted; told the column with the printer's id."""


def _asker(connection: Connection, ids: list[int] | None) -> _Rows:
    def rows(query: Any, column: ColumnElement[int]) -> Iterable[Any]:
        return connection.execute(query if ids is None else query.where(column.in_(ids)))

    return rows


def _load(connection: Connection, ids: list[int] | None, found: dict[int, LastKnown]) -> None:
    rows = _asker(connection, ids)
    for row in rows(select(printer.c.id), printer.c.id):
        found[row[0]] = LastKnown(row[0])
    _load_contacts(rows, found)
    of_supply = and_(supply_point.c.supply_id == supply.c.id, supply_point.c.until.is_(None))
    query = select(supply, supply_point.c.level, supply_point.c.capacity).outerjoin_from(
        supply, supply_point, of_supply
    )
    for row in rows(query, supply.c.printer_id):
        state = found[row.printer_id]
        state.supplies[shared((row.key, row.unit))] = row.id
        state.facts[row.id] = shared((row.kind, row.supply_class, row.colorant, row.description))
        if row.level is not None:
            state.levels[row.id] = (row.level, row.capacity)
    of_counter = and_(counter_point.c.counter_id == counter.c.id, counter_point.c.until.is_(None))
    query = select(counter, counter_point.c.value).outerjoin_from(counter, counter_point, of_counter)
    for row in rows(query, counter.c.printer_id):
        state = found[row.printer_id]
        state.counters[shared((row.name, row.unit))] = row.id
        if row.value is not None:
            state.counts[row.id] = row.value
    query = select(status_point.c.printer_id, status_point.c.status).where(status_point.c.until.is_(None))
    for row in rows(query, status_point.c.printer_id):
        found[row[0]].status = row[1]
    for row in rows(select(snapshot.c.printer_id, snapshot.c.at), snapshot.c.printer_id):
        found[row[0]].snapshot_at = row[1]


_inner = contact_run.alias()


def _load_contacts(rows: _Rows, found: Mapping[int, LastKnown]) -> None:
    newest = select(func.max(_inner.c.first)).where(_inner.c.printer_id == printer.c.id).scalar_subquery()
    query = select(contact_run).join_from(
        contact_run, printer, and_(contact_run.c.printer_id == printer.c.id, contact_run.c.first == newest)
    )
    silent = False
    for row in rows(query, contact_run.c.printer_id):
        state = found[row.printer_id]
        state.first, state.last, state.reachable = row.first, row.last, row.reachable
        state.failure, state.error = row.failure, row.error
        if row.reachable:
            state.answered = row.last
        else:
            silent = True
    if silent:
        query = (
            select(contact_run.c.printer_id, func.max(contact_run.c.last))
            .where(contact_run.c.reachable)
            .group_by(contact_run.c.printer_id)
        )
        for row in rows(query, contact_run.c.printer_id):
            found[row[0]].answered = row[1]
