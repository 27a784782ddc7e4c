"""The ledger: written and read, never changed."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, func, select

from agent.model.fleet import LedgerEntry
from agent.store.moments import micros, moment
from agent.store.snapshot import clean
from agent.store.statements import insert_many
from agent.store.tables import ledger


def append(connection: Connection, entries: Sequence[LedgerEntry]) -> tuple[LedgerEntry, ...]:
    """Write entries; gives them back with their ids."""
    rows = [
        {
            "at": micros(entry.at),
            "kind": clean(entry.kind),
            "text": clean(entry.text),
            "printer_id": entry.printer_id,
            "subject": clean(entry.subject),
            "who": clean(entry.who),
            "data": clean(json.dumps(dict(entry.data), ensure_ascii=True)),
        }
        for entry in entries
    ]
    ids = insert_many(connection, ledger, rows)
    return tuple(replace(entry, id=entry_id) for entry, entry_id in zip(entries, ids, strict=True))


def read(
    connection: Connection,
    printer_id: int | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    kinds: Collection[str] | None = None,
    limit: int | None = None,
) -> tuple[LedgerEntry, ...]:
    """Entries in order of time; with ``limit`` the latest so many. Both moments are included."""
    query = select(ledger)
    if printer_id is not None:
        query = query.where(ledger.c.printer_id == printer_id)
    if since is not None:
        query = query.where(ledger.c.at >= micros(since))
    if until is not None:
        query = query.where(ledger.c.at <= micros(until))
    if kinds is not None:
        query = query.where(ledger.c.kind.in_(sorted(kinds)))
    if limit is not None:
        query = query.limit(limit)
    found = connection.execute(query.order_by(ledger.c.at.desc(), ledger.c.id.desc())).all()
    return _entries(reversed(found))


def after(connection: Connection, entry_id: int, kinds: Collection[str]) -> tuple[LedgerEntry, ...]:
    """Entries of these kinds that were written after the one with this id, in the order in which they were written."""
    query = select(ledger).where(ledger.c.id > entry_id, ledger.c.kind.in_(sorted(kinds))).order_by(ledger.c.id)
    return _entries(connection.execute(query).all())


def last(connection: Connection) -> int:
    """The id of the entry that was written last; 0 where there is none."""
    return connection.execute(select(func.max(ledger.c.id))).scalar() or 0


def one(connection: Connection, entry_id: int) -> LedgerEntry | None:
    """One entry by its id."""
    return next(iter(_entries(connection.execute(select(ledger).where(ledger.c.id == entry_id)).all())), None)


def _entries(rows: Iterable[Row[Any]]) -> tuple[LedgerEntry, ...]:
    return tuple(
        LedgerEntry(
            at=moment(row.at),
            kind=row.kind,
            text=row.text,
            printer_id=row.printer_id,
            subject=row.subject,
            who=row.who,
            data=json.loads(row.data),
            id=row.id,
        )
        for row in rows
    )
