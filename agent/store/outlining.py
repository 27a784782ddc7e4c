"""The outline of a history: no more points than a page can show, found by seeking and not by reading everything."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import BigInteger, Connection, Row, Select, bindparam, cast, func, select, true, tuple_

from agent.model.fleet import CounterTrack, CountPoint, LevelPoint, PrinterHistory, SupplyTrack
from agent.model.grain import Grain
from agent.store import ledgers, printers, reading_back
from agent.store.errors import StoreRejected
from agent.store.moments import micros, moment
from agent.store.series import COUNTS, LEVELS, Series
from agent.store.snapshot import amount
from agent.store.tables import counter, counter_point, supply


def outline(connection: Connection, printer_id: int, since: datetime, until: datetime, grain: Grain) -> PrinterHistory:
    """See ``Store.outline``."""
    printer = printers.one(connection, printer_id)
    if printer is None:
        raise StoreRejected(f"the store has no printer {printer_id}")
    return PrinterHistory(
        printer,
        reading_back.contacts_of(connection, printer_id, since, until),
        _supplies(connection, printer_id, grain.levels),
        _counters(connection, printer_id, grain),
        ledgers.read(connection, printer_id, since, until, None, grain.entries),
    )


def _supplies(connection: Connection, printer_id: int, at: Sequence[Sequence[datetime]]) -> tuple[SupplyTrack, ...]:
    positions = connection.execute(select(supply).where(supply.c.printer_id == printer_id)).all()
    found = _in_force(connection, LEVELS, [row.id for row in positions], at)
    return reading_back.supply_tracks(
        positions,
        lambda row: tuple(
            LevelPoint(moment(one.at), amount(one.level), amount(one.capacity)) for one in found.get(row.id, ())
        ),
    )


def _counters(connection: Connection, printer_id: int, grain: Grain) -> tuple[CounterTrack, ...]:
    names = connection.execute(select(counter).where(counter.c.printer_id == printer_id)).all()
    for some in (*([row for row in names if row.name == name] for name in grain.counters), names):
        found = _in_force(connection, COUNTS, [row.id for row in some], grain.counts)
        if found:
            return reading_back.counter_tracks(some, _points(connection, found))
    return ()


def _points(connection: Connection, found: dict[int, list[Row[Any]]]) -> Callable[[Row[Any]], tuple[CountPoint, ...]]:
    def points(row: Row[Any]) -> Iterable[CountPoint]:
        before: Row[Any] | None = None
        for one in found.get(row.id, ()):
            if before is not None and one.value < before.value:
                # Where a counter fell it matters how far it had come, so nothing is left out there.
                between = select(counter_point).where(
                    counter_point.c.counter_id == row.id, counter_point.c.at > before.at, counter_point.c.at < one.at
                )
                for more in connection.execute(between.order_by(counter_point.c.at)):
                    yield CountPoint(moment(more.at), more.value)
            yield CountPoint(moment(one.at), one.value)
            before = one

    return lambda row: tuple(points(row))


def _in_force(
    connection: Connection, series: Series, owners: Sequence[int], at: Sequence[Sequence[datetime]]
) -> dict[int, list[Row[Any]]]:
    """The rows of each owner that were in force at these moments: one seek for each, however many rows there are."""
    found: dict[int, dict[int, Row[Any]]] = {}
    seek = _seek(series)
    for run in at:
        for begin, step, end in _even(sorted({micros(one) for one in run})):
            asked = {"owners": list(owners), "begin": begin, "step": step, "end": end}
            for row in connection.execute(seek, asked):
                found.setdefault(row[0], {})[row[1]] = row
    return {whose: [row for _, row in sorted(rows.items())] for whose, rows in found.items()}


@lru_cache(maxsize=4)
def _seek(series: Series) -> Select[Any]:
    """Owner, beginning and values of the rows of ``owners`` in force at ``begin``, ``begin + step`` ... ``end``."""
    table, owner, first = series.table, series.table.c[series.owner], series.table.c[series.first]
    inner, holder = table.alias(), series.owners.alias()
    grid = select(cast(bindparam("begin"), BigInteger).label("at")).cte("grid", recursive=True)
    following = (grid.c.at + cast(bindparam("step"), BigInteger)).label("at")
    grid = grid.union_all(select(following).where(following <= cast(bindparam("end"), BigInteger)))
    last = (
        select(func.max(inner.c[series.first]))
        .where(inner.c[series.owner] == holder.c.id, inner.c[series.first] <= grid.c.at)
        .correlate(holder, grid)
        .scalar_subquery()
    )
    whose = holder.c.id.in_(bindparam("owners", expanding=True))
    wanted = select(holder.c.id, last).select_from(holder).join(grid, onclause=true()).where(whose)
    values = (table.c[name] for name in series.values)
    return select(owner, first, *values).where(tuple_(owner, first).in_(wanted))


def _even(moments: Sequence[int]) -> Iterator[tuple[int, int, int]]:
    """Moments as a few runs of even steps (first, step, last), so that one short statement asks for many."""
    place = 0
    while place < len(moments):
        step = moments[place + 1] - moments[place] if place + 1 < len(moments) else 1
        end = place
        while end + 1 < len(moments) and moments[end + 1] - moments[end] == step:
            end += 1
        yield moments[place], step, moments[end]
        place = end + 1
