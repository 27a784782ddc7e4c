"""The tables of runs seen alike: reading a window of them, and writing back what came of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, FromClause, Row, Table, and_, bindparam, delete, func, insert, select, update

from agent.store.engine import chunks
from agent.store.runs import Run
from agent.store.tables import (
    contact_run,
    counter,
    counter_point,
    printer,
    status_point,
    supply,
    supply_point,
)

Value = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Series:
    """Which columns of ``table`` say whose run it is, from when to when it reaches, its value and its note."""

    table: Table
    owners: Table
    owner: str
    first: str
    last: str
    values: tuple[str, ...]
    notes: tuple[str, ...] = ()


CONTACTS = Series(contact_run, printer, "printer_id", "first", "last", ("reachable",), ("failure", "error"))
LEVELS = Series(supply_point, supply, "supply_id", "at", "until", ("level", "capacity"))
COUNTS = Series(counter_point, counter, "counter_id", "at", "until", ("value",))
STATUSES = Series(status_point, printer, "printer_id", "at", "until", ("status",))

Runs = dict[int, list[Run[Value]]]
"""The runs of each owner, in order of time."""


def rows(
    connection: Connection, series: Series, owners: Iterable[int], since: int | None, until: int | None
) -> dict[int, list[Row[Any]]]:
    """The rows that begin in ``since`` .. ``until`` (None: no end), and the one before and the one after them."""
    table, owner, first = series.table, series.table.c[series.owner], series.table.c[series.first]
    inner = _beside(series)
    mine, inner_first = inner.c[series.owner] == series.owners.c.id, inner.c[series.first]
    found: dict[int, list[Row[Any]]] = {}
    for some in chunks(sorted(owners)):
        gathered: list[Row[Any]] = []
        if since is not None:
            before = select(func.max(inner_first)).where(mine, inner_first <= since).scalar_subquery()
            beside = select(table).join_from(table, series.owners, and_(owner == series.owners.c.id, first == before))
            gathered += connection.execute(beside.where(series.owners.c.id.in_(some)))
        query = select(table).where(owner.in_(some)).order_by(owner, first)
        if since is not None:
            query = query.where(first > since)
        if until is not None:
            query = query.where(first <= until)
        gathered += connection.execute(query)
        if until is not None:
            after = select(func.min(inner_first)).where(mine, inner_first > until).scalar_subquery()
            beside = select(table).join_from(table, series.owners, and_(owner == series.owners.c.id, first == after))
            gathered += connection.execute(beside.where(series.owners.c.id.in_(some)))
        for row in gathered:
            found.setdefault(row._mapping[owner], []).append(row)
    return found


@lru_cache(maxsize=8)
def _beside(series: Series) -> FromClause:
    """The table once more, for a statement that looks at it twice.

    Made anew for each statement it would be some hundred objects in rings, which only the collector finds.
    """
    return series.table.alias()


def as_runs(series: Series, stored: Iterable[Row[Any]], answered: int) -> list[Run[Value]]:
    """Rows as runs; one that is still open reaches to ``answered``."""
    made = []
    for row in stored:
        cell = row._mapping
        last = cell[series.last]
        note = (cell[series.notes[0]], cell[series.notes[1]]) if series.notes else (None, "")
        value = tuple(cell[name] for name in series.values)
        # An open run can begin at the moment of the latest answer at most; max() is for a clock that was put back.
        made.append(Run(cell[series.first], max(answered, cell[series.first]) if last is None else last, value, note))
    return made


def write_back(
    connection: Connection,
    series: Series,
    before: Mapping[int, Iterable[Row[Any]]],
    after: Mapping[int, Iterable[Run[Value]]],
    open_at: Mapping[int, int],
) -> int:
    """Make the rows of each owner in ``after`` what is given there; returns how many rows changed.

    ``open_at``: the moment of the latest answer of each owner; a run that reaches to it stays open. Contacts have none.
    """
    gone: list[dict[str, Any]] = []
    changed: list[dict[str, Any]] = []
    fresh: list[dict[str, Any]] = []
    for owner, runs in after.items():
        old = {row._mapping[series.first]: row for row in before.get(owner, ())}
        for run in runs:
            made = _row(series, owner, run, open_at.get(owner))
            row = old.pop(run.first, None)
            if row is None:
                fresh.append(made)
            elif any(row._mapping[name] != value for name, value in made.items()):
                changed.append({f"_{name}": value for name, value in made.items()})
        gone += [{"_owner": owner, "_first": first} for first in old]
    table = series.table
    owner_column, first_column = table.c[series.owner], table.c[series.first]
    if gone:
        which = delete(table).where(owner_column == bindparam("_owner"), first_column == bindparam("_first"))
        connection.execute(which, gone)
    if changed:
        # What is closed goes first: a series never has two open runs, not even for a moment.
        changed.sort(key=lambda row: row[f"_{series.last}"] is None)
        rest = (series.last, *series.values, *series.notes)
        change = (
            update(table)
            .where(owner_column == bindparam(f"_{series.owner}"), first_column == bindparam(f"_{series.first}"))
            .values({name: bindparam(f"_{name}") for name in rest})
        )
        connection.execute(change, changed)
    if fresh:
        connection.execute(insert(table), fresh)
    return len(gone) + len(changed) + len(fresh)


def _row(series: Series, owner: int, run: Run[Value], open_at: int | None) -> dict[str, Any]:
    last = None if open_at is not None and run.last == open_at else run.last
    made: dict[str, Any] = {series.owner: owner, series.first: run.first, series.last: last}
    made.update(zip(series.values, run.value, strict=True))
    if series.notes:
        made.update(zip(series.notes, run.note, strict=True))
    return made
