"""A history as the fewest observations that make it again: what an export writes and an import reads."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, select

from agent.model.contact import Observation, SeenSupply
from agent.store.moments import maybe_micros, moment
from agent.store.runs import Run
from agent.store.series import CONTACTS, COUNTS, LEVELS, Runs, Value, as_runs, rows
from agent.store.snapshot import amount
from agent.store.state import load
from agent.store.tables import counter, supply

_PULSE = timedelta(hours=24) // timedelta(microseconds=1)
"""In a run of contact no two observations lie further apart, so that the run stays one run."""


def observations(
    connection: Connection, printer_id: int, since: datetime | None, until: datetime | None
) -> Iterator[Observation]:
    """See ``Store.observations``."""
    begin, end = maybe_micros(since), maybe_micros(until)
    state = load(connection, [printer_id]).get(printer_id)
    if state is None or state.answered is None:
        return
    answered = state.answered
    positions = connection.execute(select(supply).where(supply.c.printer_id == printer_id)).all()
    lives = connection.execute(
        select(counter.c.id).where(
            counter.c.printer_id == printer_id, counter.c.name == "life", counter.c.unit == "impressions"
        )
    ).scalars()
    levels: Runs = {
        owner: list(_cut(as_runs(LEVELS, found, answered), begin, end))
        for owner, found in rows(connection, LEVELS, [row.id for row in positions], begin, end).items()
    }
    counts = [
        run
        for found in rows(connection, COUNTS, list(lives), begin, end).values()
        for run in _cut(as_runs(COUNTS, found, answered), begin, end)
    ]
    contacts = rows(connection, CONTACTS, [printer_id], begin, end).get(printer_id, [])
    reached = [run for run in _cut(as_runs(CONTACTS, contacts, 0), begin, end) if run.value[0]]
    told = _moments(levels, counts)
    _pulse(told, levels, counts, reached)
    names = {row.id: row for row in positions}
    for at in sorted(told):
        seen = tuple(_seen(names[owner], run) for owner, run in sorted(told[at].items()))
        life = next((run.value[0] for run in counts if run.first <= at <= run.last), None)
        yield Observation(moment(at), printer_id, seen, life)


def _cut(runs: Iterable[Run[Value]], begin: int | None, end: int | None) -> Iterator[Run[Value]]:
    for run in runs:
        first = run.first if begin is None else max(run.first, begin)
        last = run.last if end is None else min(run.last, end)
        if first <= last:
            yield Run(first, last, run.value)


def _moments(levels: Runs, counts: Iterable[Run[Value]]) -> dict[int, dict[int, Run[Value]]]:
    """The moments at which a run begins or ends, and the supplies of which that is true."""
    told: dict[int, dict[int, Run[Value]]] = {}
    for owner, runs in levels.items():
        for run in runs:
            told.setdefault(run.first, {})[owner] = run
            told.setdefault(run.last, {})[owner] = run
    for run in counts:
        told.setdefault(run.first, {})
        told.setdefault(run.last, {})
    return told


def _pulse(
    told: dict[int, dict[int, Run[Value]]], levels: Runs, counts: list[Run[Value]], reached: Iterable[Run[Value]]
) -> None:
    """Add moments where nothing changed for long, so that it is seen that the printer answered."""
    known = sorted(told)
    here = 0
    for run in reached:
        here = next((n for n in range(here, len(known)) if known[n] >= run.first), len(known))
        inside = []
        while here < len(known) and known[here] <= run.last:
            inside.append(known[here])
            here += 1
        for left, right in zip([run.first, *inside], [*inside, run.last], strict=True):
            for at in {*range(left, right, _PULSE), right}:
                if at not in told and not any(one.first <= at <= one.last for one in counts):
                    covering = _covering(levels, at)
                    if covering:
                        told[at] = covering
                elif at not in told:
                    told[at] = {}


def _covering(levels: Runs, at: int) -> dict[int, Run[Value]]:
    for owner, runs in levels.items():
        for run in runs:
            if run.first <= at <= run.last:
                return {owner: run}
    return {}


def _seen(row: Any, run: Run[Value]) -> SeenSupply:
    level, capacity = (amount(value) for value in run.value)
    return SeenSupply(row.key, row.kind, row.supply_class, row.colorant, row.unit, capacity, level)
