"""The ledger: written and read, never changed."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy import Connection, select

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
        for row in reversed(found)
    )
