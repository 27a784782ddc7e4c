"""Maintenance windows that people opened, until they are over; and small things that are made once and kept."""

from __future__ import annotations

import json
from collections.abc import Callable

from sqlalchemy import Connection, delete, select

from agent.model.fleet import LedgerEntry
from agent.model.window import Opened
from agent.store import ledgers
from agent.store.errors import StoreRejected
from agent.store.moments import micros
from agent.store.snapshot import clean
from agent.store.statements import insert_or
from agent.store.tables import note, opened_window


def every(connection: Connection) -> tuple[Opened, ...]:
    """Every window that is open, those that are over by their time included, in order of name."""
    query = select(opened_window.c.content).order_by(opened_window.c.name)
    return tuple(Opened.from_data(json.loads(row[0])) for row in connection.execute(query))


def add(connection: Connection, window: Opened, entry: LedgerEntry) -> None:
    """Open one. Raises StoreRejected where one of this name is open."""
    name = clean(window.name)
    query = select(opened_window.c.name).where(opened_window.c.name == name)
    if connection.execute(query).first() is not None:
        raise StoreRejected(f"a maintenance window {window.name} is open already; end it, or choose another name")
    content = json.dumps(window.to_data(), ensure_ascii=True, sort_keys=True)
    connection.execute(opened_window.insert(), [{"name": name, "ends": micros(window.end), "content": content}])
    ledgers.append(connection, [entry])


def close(connection: Connection, window: Opened, entry: LedgerEntry) -> bool:
    """Close one, once; False where it is closed already."""
    row = opened_window.c
    gone = delete(opened_window).where(row.name == clean(window.name), row.ends == micros(window.end))
    if not connection.execute(gone).rowcount:
        return False
    ledgers.append(connection, [entry])
    return True


def kept(connection: Connection, key: str, make: Callable[[], str]) -> str:
    """What is kept under ``key``; made and written where nothing is kept yet."""
    found = connection.execute(select(note.c.value).where(note.c.key == key)).scalar()
    if found is not None:
        return str(found)
    made = make()
    connection.execute(
        insert_or(connection, note).on_conflict_do_nothing(index_elements=["key"]), [{"key": key, "value": made}]
    )
    return made
