"""What is known, as values: histories, the latest readings, the present contacts."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from sys import intern
from typing import Any, TypeVar

from sqlalchemy import Connection, Row, select

from agent.model.contact import ContactState, StatusPoint
from agent.model.fleet import (
    ContactRun,
    CounterTrack,
    CountPoint,
    Dated,
    LevelPoint,
    Printer,
    PrinterHistory,
    SupplyTrack,
)
from agent.model.reading import Counter, Mark, Reading, Supply, System
from agent.store import ledgers, printers
from agent.store.engine import chunks
from agent.store.errors import StoreRejected
from agent.store.moments import maybe_micros, moment, seconds
from agent.store.series import CONTACTS, COUNTS, LEVELS, STATUSES, rows
from agent.store.snapshot import amount, load, status_point
from agent.store.state import LastKnown, load_all
from agent.store.state import load as last_known
from agent.store.tables import counter, snapshot, supply

P = TypeVar("P")


def history(connection: Connection, printer_id: int, since: datetime | None, until: datetime | None) -> PrinterHistory:
    """See ``Store.history``."""
    printer = printers.one(connection, printer_id)
    if printer is None:
        raise StoreRejected(f"the store has no printer {printer_id}")
    return PrinterHistory(
        printer,
        contacts_of(connection, printer_id, since, until),
        _supplies(connection, printer_id, since, until),
        _counters(connection, printer_id, since, until),
        ledgers.read(connection, printer_id, since, until),
    )


def contacts_of(
    connection: Connection, printer_id: int, since: datetime | None, until: datetime | None
) -> tuple[ContactRun, ...]:
    """The runs of contact and of silence of one printer, cut at the bounds."""
    begin, end = maybe_micros(since), maybe_micros(until)
    found = rows(connection, CONTACTS, [printer_id], begin, end).get(printer_id, [])
    return tuple(
        ContactRun(
            moment(row.first if begin is None else max(row.first, begin)),
            moment(row.last if end is None else min(row.last, end)),
            row.reachable,
        )
        for row in found
        if (begin is None or row.last >= begin) and (end is None or row.first <= end)
    )


def _supplies(
    connection: Connection, printer_id: int, since: datetime | None, until: datetime | None
) -> tuple[SupplyTrack, ...]:
    positions = connection.execute(select(supply).where(supply.c.printer_id == printer_id)).all()
    begin, end = maybe_micros(since), maybe_micros(until)
    found = rows(connection, LEVELS, [row.id for row in positions], begin, end)

    def points(row: Row[Any]) -> Dated[LevelPoint]:
        return _dated(
            found.get(row.id, ()),
            end,
            lambda point: LevelPoint(moment(point.at), amount(point.level), amount(point.capacity)),
        )

    return supply_tracks(positions, points)


def _dated(points: Iterable[Row[Any]], end: int | None, make: Callable[[Row[Any]], P]) -> Dated[P]:
    kept = [point for point in points if end is None or point.at <= end]
    return Dated.of(map(make, kept), (seconds(point.at) for point in kept))


def supply_tracks(
    positions: Iterable[Row[Any]], points_of: Callable[[Row[Any]], tuple[LevelPoint, ...]]
) -> tuple[SupplyTrack, ...]:
    """A track for each position that has points."""
    tracks = []
    for row in positions:
        points = points_of(row)
        if points:
            # What is worked out of it is kept of every printer and bears these words, so one object of each must do.
            key, kind, role, unit, text = map(intern, (row.key, row.kind, row.supply_class, row.unit, row.description))
            colorant = None if row.colorant is None else intern(row.colorant)
            tracks.append(SupplyTrack(key, kind, role, colorant, unit, text, points))
    # When a position changed its unit it has a track for each; the one in use comes last.
    return tuple(sorted(tracks, key=lambda track: (track.key, track.points[-1].at)))


def _counters(
    connection: Connection, printer_id: int, since: datetime | None, until: datetime | None
) -> tuple[CounterTrack, ...]:
    names = connection.execute(select(counter).where(counter.c.printer_id == printer_id)).all()
    begin, end = maybe_micros(since), maybe_micros(until)
    found = rows(connection, COUNTS, [row.id for row in names], begin, end)

    def points(row: Row[Any]) -> Dated[CountPoint]:
        return _dated(found.get(row.id, ()), end, lambda point: CountPoint(moment(point.at), point.value))

    return counter_tracks(names, points)


def counter_tracks(
    names: Iterable[Row[Any]], points_of: Callable[[Row[Any]], tuple[CountPoint, ...]]
) -> tuple[CounterTrack, ...]:
    """A track for each counter that has points."""
    tracks = []
    for row in names:
        points = points_of(row)
        if points:
            tracks.append(CounterTrack(intern(row.name), intern(row.unit), row.wraps_at, points))
    return tuple(sorted(tracks, key=lambda track: (track.name, track.points[-1].at)))


def statuses(
    connection: Connection, printer_id: int, since: datetime | None, until: datetime | None
) -> tuple[StatusPoint, ...]:
    """See ``Store.status_history``."""
    end = maybe_micros(until)
    found = rows(connection, STATUSES, [printer_id], maybe_micros(since), end).get(printer_id, [])
    return tuple(status_point(moment(row.at), row.status) for row in found if end is None or row.at <= end)


def latest(connection: Connection, printer_ids: Collection[int] | None) -> dict[int, Reading]:
    """See ``Store.latest``."""
    states = load_all(connection) if printer_ids is None else last_known(connection, printer_ids)
    owners = {one.id: one for one in printers.every(connection, retired=True)}
    wraps = _wraps(connection, states)
    stored: dict[int, Reading | None] = {}
    for some in chunks(sorted(states)):
        query = select(snapshot.c.printer_id, snapshot.c.reading).where(snapshot.c.printer_id.in_(some))
        stored.update({row[0]: load(row[1]) for row in connection.execute(query)})
    return {
        printer_id: _reading(state, owners[printer_id], stored.get(printer_id), wraps)
        for printer_id, state in states.items()
        if state.answered is not None
    }


def _wraps(connection: Connection, states: Mapping[int, LastKnown]) -> dict[int, int]:
    found: dict[int, int] = {}
    for some in chunks(sorted(states)):
        query = select(counter.c.id, counter.c.wraps_at).where(counter.c.printer_id.in_(some))
        found.update({row[0]: row[1] for row in connection.execute(query)})
    return found


def _reading(state: LastKnown, owner: Printer, stored: Reading | None, wraps: Mapping[int, int]) -> Reading:
    """The reading that the printer gave last, as far as it is kept."""
    at = moment(state.answered or 0)
    if stored is None:
        stored = Reading(
            at, owner.address, owner.device_index, System(), model=owner.model, serial=owner.serial, mac=owner.mac
        )
    elif stored.at == at:
        return stored
    # Since it was stored nothing changed but the moment and the up time; or an import brought later levels.
    supplies = {(one.key, one.unit): one for one in stored.supplies}
    for name, supply_id in state.supplies.items():
        if supply_id not in state.levels:
            supplies.pop(name, None)
            continue
        kind, supply_class, colorant, description = state.facts[supply_id]
        level, capacity = (amount(value) for value in state.levels[supply_id])
        old = supplies.get(name)
        if old is None:
            place = len(supplies) + 1
            old = Supply(
                name[0], place, 1, supply_class, kind, description, colorant, name[1], Mark.UNKNOWN, Mark.UNKNOWN
            )
        supplies[name] = replace(old, level=level, capacity=capacity)
    counters = tuple(
        Counter(name, unit, state.counts[counter_id], wraps[counter_id])
        for (name, unit), counter_id in state.counters.items()
        if counter_id in state.counts
    )
    system = replace(stored.system, uptime=None)
    return replace(stored, at=at, system=system, supplies=tuple(supplies.values()), counters=counters)


def contacts(states: Mapping[int, LastKnown]) -> dict[int, ContactState]:
    """See ``Store.contacts``."""
    return {
        printer_id: ContactState(
            printer_id,
            state.reachable,
            moment(state.first),
            moment(state.last),
            None if state.answered is None else moment(state.answered),
            state.failure,
            state.error,
        )
        for printer_id, state in states.items()
        if state.first is not None
    }
