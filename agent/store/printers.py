"""Printers in and out of their table."""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import Connection, Row, func, or_, select, update

from agent.model.fleet import Place, Printer
from agent.store.errors import StoreRejected
from agent.store.moments import maybe_micros, maybe_moment
from agent.store.snapshot import clean
from agent.store.statements import insert_many
from agent.store.tables import printer


def save(connection: Connection, given: Printer) -> Printer:
    """Write a printer; one with id 0 is new and gets an id. Raises StoreRejected when there is none with its id."""
    place = given.place
    row: dict[str, Any] = {
        "name": clean(given.name),
        "address": clean(given.address),
        "device_index": given.device_index,
        "serial": clean(given.serial),
        "mac": clean(given.mac),
        "model": clean(given.model),
        "site": clean(place.site),
        "building": clean(place.building),
        "floor": clean(place.floor),
        "room": clean(place.room),
        "zone": clean(place.zone),
        "tags": json.dumps([clean(tag) for tag in given.tags], ensure_ascii=False),
        "first_seen": maybe_micros(given.first_seen),
        "retired": maybe_micros(given.retired),
    }
    if given.id:
        printer_id = given.id
        done = connection.execute(update(printer).where(printer.c.id == printer_id).values(row))
        if done.rowcount == 0:
            raise StoreRejected(f"the store has no printer {printer_id}; save it with id 0 to make it new")
    else:
        printer_id = insert_many(connection, printer, [row])[0]
    return _printer(connection.execute(select(printer).where(printer.c.id == printer_id)).one())


def every(connection: Connection, *, retired: bool) -> tuple[Printer, ...]:
    """The printers in order of name and id; those that were taken out of service only if ``retired``."""
    query = select(printer).order_by(printer.c.name, printer.c.id)
    if not retired:
        query = query.where(printer.c.retired.is_(None))
    return tuple(_printer(row) for row in connection.execute(query))


def one(connection: Connection, printer_id: int) -> Printer | None:
    """The printer with this id."""
    row = connection.execute(select(printer).where(printer.c.id == printer_id)).one_or_none()
    return None if row is None else _printer(row)


def find(connection: Connection, text: str) -> tuple[Printer, ...]:
    """The printers that ``text`` may mean, the likeliest first: by name, serial number, address, MAC or id."""
    wanted = text.strip()
    lowered = wanted.lower()
    columns = (printer.c.name, printer.c.serial, printer.c.address, printer.c.mac)
    ways = [or_(column == wanted, func.lower(column) == lowered) for column in columns]
    if wanted.isascii() and wanted.isdigit() and len(wanted) < 18:
        ways.append(printer.c.id == int(wanted))
    if not wanted:
        return ()
    found = [_printer(row) for row in connection.execute(select(printer).where(or_(*ways)))]

    def likeness(one: Printer) -> tuple[bool, int, int]:
        keys = (one.name, one.serial, one.address, one.mac, str(one.id))
        exact = (rank for rank, key in enumerate(keys) if key == wanted)
        loose = (rank for rank, key in enumerate(keys) if key.lower() == lowered)
        return one.retired is not None, next(exact, next(loose, len(keys))), one.id

    return tuple(sorted(found, key=likeness))


def _printer(row: Row[Any]) -> Printer:
    return Printer(
        id=row.id,
        name=row.name,
        address=row.address,
        device_index=row.device_index,
        serial=row.serial,
        mac=row.mac,
        model=row.model,
        place=Place(row.site, row.building, row.floor, row.room, row.zone),
        tags=tuple(json.loads(row.tags)),
        first_seen=maybe_moment(row.first_seen),
        retired=maybe_moment(row.retired),
    )
