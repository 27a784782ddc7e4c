"""Retention: old points become hourly, then daily, then monthly values. What is kept, and the bounded work of doing it.

Runs of contact become coarser likewise: see ``agent.store.contact_thinning``.

Of each hour (day, month) the last run is kept. Whatever its age, a run is kept when it is the first or the last of its
series, or when it or its neighbour is a turn: a level that rose or became or ceased to be a number (a swap), a counter
that fell (a reset or a wrap). Kept runs stay exactly as they were written, so all that is still known is true.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import Connection, bindparam, delete, func, select, update

from agent.store import contact_thinning, statements
from agent.store.moments import micros, moment
from agent.store.series import COUNTS, LEVELS, STATUSES, Series, Value, rows
from agent.store.tables import counter, note, printer, receipt, status_thinning, supply

_NOTE = "retention"
_KINDS = "levels counts statuses contacts"
"""What is thinned. Noted beside the retention: a store that was thinned by a version that knew less is done again."""
_HOUR = 3_600_000_000
_SERIES_AT_ONCE = 200
_FRESH_AT_ONCE = 20
_BEGINNING = 0
RECEIPTS_KEPT = timedelta(days=2)
"""How long it is remembered which parcels of a buffer were written."""


@dataclass(frozen=True, slots=True)
class Retention:
    """How long points stay raw, hourly and daily, reckoned from now; then they are monthly (None: daily for ever)."""

    raw: timedelta
    hours: timedelta
    days: timedelta | None


Turn = Callable[[Value, Value], bool]


def level_turned(before: Value, after: Value) -> bool:
    """Whether a level went up, or became or ceased to be a number, or is measured against another capacity."""
    (old, old_capacity), (new, new_capacity) = before, after
    return bool(new > old >= 0 or (old < 0) != (new < 0) or old_capacity != new_capacity)


def counter_turned(before: Value, after: Value) -> bool:
    """Whether a counter fell."""
    return bool(after[0] < before[0])


def never_turned(_before: Value, _after: Value) -> bool:
    """A status has no turns that outlast its day."""
    return False


@dataclass(frozen=True, slots=True)
class Bounds:
    """From when on (microseconds) points are raw; hourly; daily. All lie at midnights of the site."""

    raw: int
    hourly: int
    daily: int | None

    @classmethod
    def at(cls, now: datetime, keep: Retention, zone: ZoneInfo) -> Bounds:
        """The bounds at this moment."""

        def midnight(age: timedelta) -> datetime:
            return (now - age).astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)

        monthly = None if keep.days is None else micros(midnight(keep.days).replace(day=1))
        return cls(micros(midnight(keep.raw)), micros(midnight(keep.hours)), monthly)

    def bucket(self, at: int, zone: ZoneInfo) -> object | None:
        """The hour, day or month of a moment, None where it stays raw."""
        if at >= self.raw:
            return None
        if at >= self.hourly:
            return at // _HOUR
        day = moment(at).astimezone(zone).date()
        return day if self.daily is None or at >= self.daily else (day.year, day.month)

    def moved_since(self, old: Bounds | None) -> list[tuple[int | None, int]]:
        """The stretches (from, up to and without) in which moments have another bucket now than under ``old``."""
        if old is None:
            return [(None, self.raw)]
        moved = [(old.raw, self.raw), (old.hourly, self.hourly)]
        if self.daily is not None:
            moved.append((old.daily or 0, self.daily))
        return [(since, until) for since, until in moved if since < until]


def surplus(points: Sequence[tuple[int, Value]], bounds: Bounds, zone: ZoneInfo, turned: Turn) -> list[int]:
    """The moments of those points that may go. Pure.

    ``points`` is a stretch of a series in order of time, with its neighbours; the first and the last are kept, and
    of each bucket of ``bounds`` the last.
    """
    kept = {0, len(points) - 1}
    for here in range(1, len(points)):
        if turned(points[here - 1][1], points[here][1]):
            kept |= {here - 1, here}
    names = [bounds.bucket(at, zone) for at, _ in points]
    return [
        points[here][0]
        for here in range(1, len(points) - 1)
        if here not in kept and names[here] is not None and names[here] == names[here + 1]
    ]


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return ZoneInfo("UTC")


def thin(connection: Connection, now: datetime, keep: Retention, limit: int) -> tuple[int, bool]:
    """Thin those series whose last thinning is longest ago; looks at about ``limit`` points.

    Returns how many points went, and whether every series has been done within the last day.
    """
    _remember(connection, keep)
    connection.execute(delete(receipt).where(receipt.c.at < micros(now - RECEIPTS_KEPT)))
    # The bounds lie at midnights: a series that was done less than a day ago has next to nothing new to lose.
    stale = micros(now - timedelta(days=1))
    removed = looked = 0
    for series, turned in ((LEVELS, level_turned), (COUNTS, counter_turned), (STATUSES, never_turned)):
        while group := _next(connection, series, stale):
            if looked >= limit:
                return removed, False
            gone, seen = _thin_group(connection, series, group, (now, keep), turned)
            removed += gone
            looked += seen + len(group.owners)
    return removed, True


@dataclass(frozen=True, slots=True)
class _Group:
    """Series that were thinned at the same moment and whose printers stand in the same time zone."""

    owners: list[int]
    thinned: int
    zone: str


def _remember(connection: Connection, keep: Retention) -> None:
    """Where the retention was changed, everything is looked at again."""
    days = None if keep.days is None else keep.days.total_seconds()
    value = json.dumps([keep.raw.total_seconds(), keep.hours.total_seconds(), days, _KINDS])
    if connection.execute(select(note.c.value).where(note.c.key == _NOTE)).scalar() == value:
        return
    connection.execute(update(supply).values(thinned=_BEGINNING))
    connection.execute(update(counter).values(thinned=_BEGINNING))
    connection.execute(update(status_thinning).values(thinned=_BEGINNING))
    connection.execute(statements.upsert(connection, note), {"key": _NOTE, "value": value})


def _next(connection: Connection, series: Series, stale: int) -> _Group | None:
    thinned: Any
    if series is STATUSES:
        thinned = func.coalesce(status_thinning.c.thinned, _BEGINNING)
        query = select(printer.c.id, thinned, printer.c.zone).outerjoin_from(
            printer, status_thinning, status_thinning.c.printer_id == printer.c.id
        )
        owner: Any = printer.c.id
    else:
        owner, thinned = series.owners.c.id, series.owners.c.thinned
        query = select(owner, thinned, printer.c.zone).join_from(series.owners, printer)
    query = query.where(thinned <= stale).order_by(thinned, owner).limit(_SERIES_AT_ONCE)
    found = connection.execute(query).all()
    if not found:
        return None
    _, when, zone = found[0]
    # What was never thinned may be long.
    most = _SERIES_AT_ONCE if when else _FRESH_AT_ONCE
    return _Group([row[0] for row in found if (row[1], row[2]) == (when, zone)][:most], when, zone)


def _thin_group(
    connection: Connection, series: Series, group: _Group, when: tuple[datetime, Retention], turned: Turn
) -> tuple[int, int]:
    now, keep = when
    zone = _zone(group.zone)
    bounds = Bounds.at(now, keep, zone)
    before = Bounds.at(moment(group.thinned), keep, zone) if group.thinned else None
    gone: list[dict[str, int]] = []
    looked = merged = 0
    for since, until in bounds.moved_since(before):
        found = rows(connection, series, group.owners, None if since is None else since - 1, until - 1)
        for owner, stored in found.items():
            cells = [row._mapping for row in stored]
            points = [(cell[series.first], tuple(cell[name] for name in series.values)) for cell in cells]
            gone += [{"_owner": owner, "_at": at} for at in surplus(points, bounds, zone, turned)]
            looked += len(points)
        if series is STATUSES:
            # The owners of statuses are the printers themselves.
            more, seen = contact_thinning.thin(
                connection, group.owners, since, until, lambda at: bounds.bucket(at, zone)
            )
            merged, looked = merged + more, looked + seen
    if gone:
        columns = series.table.c
        which = delete(series.table).where(
            columns[series.owner] == bindparam("_owner"), columns[series.first] == bindparam("_at")
        )
        connection.execute(which, gone)
    _done(connection, series, group.owners, micros(now))
    return len(gone) + merged, looked


def _done(connection: Connection, series: Series, owners: list[int], now: int) -> None:
    if series is STATUSES:
        marks = [{"printer_id": owner, "thinned": now} for owner in owners]
        connection.execute(statements.upsert(connection, status_thinning), marks)
        return
    table = series.owners
    connection.execute(update(table).where(table.c.id.in_(owners)).values(thinned=now))
