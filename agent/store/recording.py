"""Writing contacts: the quick way for those that go on from what is known last, and the careful way for the rest.

Nothing here keeps state: ``write`` gets the last known values and returns those that hold once the transaction is
committed.
"""

from __future__ import annotations

from collections import Counter as Tally
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, bindparam, update

from agent.model.contact import Contact
from agent.model.reading import Counter, Reading, Supply
from agent.store import merging
from agent.store.moments import micros
from agent.store.snapshot import clean, dump, number, same_status, status_text
from agent.store.state import LastKnown
from agent.store.statements import ERROR_LENGTH, close, upsert
from agent.store.tables import contact_run, counter_point, snapshot, status_point, supply_point


class Moved(Exception):
    """Another program has written about one of these printers since its last values were read."""


@dataclass(slots=True)
class _Rows:
    """The rows of one transaction, gathered so that each statement runs once for all printers."""

    reached: list[dict[str, Any]] = field(default_factory=list)
    runs: list[dict[str, Any]] = field(default_factory=list)
    closed_levels: list[dict[str, Any]] = field(default_factory=list)
    levels: list[dict[str, Any]] = field(default_factory=list)
    closed_counts: list[dict[str, Any]] = field(default_factory=list)
    counts: list[dict[str, Any]] = field(default_factory=list)
    closed_statuses: list[dict[str, Any]] = field(default_factory=list)
    statuses: list[dict[str, Any]] = field(default_factory=list)
    snapshots: list[dict[str, Any]] = field(default_factory=list)


def write(
    connection: Connection, batch: Sequence[Contact], known: Mapping[int, LastKnown], gap: int
) -> tuple[dict[int, LastKnown], set[int]]:
    """Write contacts of printers that are all in ``known``.

    Returns the new last known values of those that went the quick way, and the ids of those whose values must be
    read anew. Raises Moved.
    """
    often = Tally(contact.printer_id for contact in batch)
    rows = _Rows()
    quick: dict[int, LastKnown] = {}
    careful: list[merging.Told] = []
    for contact in batch:
        now = None
        if often[contact.printer_id] == 1:
            now = _quickly(contact, known[contact.printer_id], rows, gap)
        if now is None:
            careful.append(merging.told(contact))
        else:
            quick[contact.printer_id] = now
    _execute(connection, rows)
    if careful:
        merging.merge(connection, careful, gap)
    return quick, {told.printer_id for told in careful}


def _quickly(contact: Contact, state: LastKnown, rows: _Rows, gap: int) -> LastKnown | None:
    """Gather the rows for a contact that goes on from ``state``; None when it does not, and then no row either."""
    at = micros(contact.at)
    reading = contact.reading
    if state.first is None or at <= state.last or (contact.reachable and reading is None):
        return None
    new = state.copy()
    if reading is not None and contact.reachable:
        # Supplies and counters are compared first and gathered only when none of them is new.
        levels = counts = None
        before = state.reading
        if before is None or reading.supplies != before.supplies:
            levels = _levels(state, reading.supplies)
            if levels is None:
                return None
        if before is None or reading.counters != before.counters:
            counts = _counts(state, reading.counters)
            if counts is None:
                return None
        if state.status is None:
            return None
        if levels is not None:
            new.levels = _change_levels(state, levels, at, rows)
        if counts is not None:
            new.counts = _change_counts(state, counts, at, rows)
        if before is None or not same_status(before, reading):
            new.status = _change_status(state, status_text(reading), at, rows)
        if before is None or not _same(before, reading):
            rows.snapshots.append({"printer_id": state.printer_id, "at": at, "reading": dump(reading)})
            new.snapshot_at = at
        new.answered = at
        new.reading = reading
    _reach(contact, state, new, at, gap, rows)
    return new


def _reach(contact: Contact, state: LastKnown, new: LastKnown, at: int, gap: int, rows: _Rows) -> None:
    failure = None if contact.reachable else clean(contact.failure or "failed")
    error = "" if contact.reachable else clean(contact.error)[:ERROR_LENGTH]
    same_run = state.reachable == contact.reachable and at - state.last <= gap
    row = {"p": state.printer_id, "f": state.first, "old": state.last}
    if same_run:
        rows.reached.append({**row, "new": at, "failure": failure, "error": error})
    else:
        rows.reached.append({**row, "new": state.last, "failure": state.failure, "error": state.error})
        rows.runs.append(
            {
                "printer_id": state.printer_id,
                "first": at,
                "last": at,
                "reachable": contact.reachable,
                "failure": failure,
                "error": error,
            }
        )
        new.first = at
    new.last, new.reachable, new.failure, new.error = at, contact.reachable, failure, error


def _same(before: Reading, reading: Reading) -> bool:
    """Whether the snapshot that holds ``before`` does for ``reading``: all but the moment and the up time is equal."""
    return (
        before.supplies == reading.supplies
        and before.counters == reading.counters
        and before.trays == reading.trays
        and before.bins == reading.bins
        and before.covers == reading.covers
        and before.lights == reading.lights
        and before.markers == reading.markers
        and before.config_changes == reading.config_changes
        and before.critical_events == reading.critical_events
        and before.all_events == reading.all_events
        and before.name == reading.name
        and before.model == reading.model
        and before.serial == reading.serial
        and before.mac == reading.mac
        and before.address == reading.address
        and before.device_index == reading.device_index
        and before.pages_per_minute == reading.pages_per_minute
        and before.system.descr == reading.system.descr
        and before.system.name == reading.system.name
        and before.system.location == reading.system.location
        and before.system.object_id == reading.system.object_id
        and before.remarks == reading.remarks
        and same_status(before, reading)
    )


def _levels(state: LastKnown, supplies: Sequence[Supply]) -> dict[int, tuple[int, int]] | None:
    """The levels by supply id; None when a supply is new, has come back or is described anew."""
    found: dict[int, tuple[int, int]] = {}
    for one in supplies:
        supply_id = state.supplies.get((one.key, one.unit))
        if supply_id is None or supply_id not in state.levels:
            return None
        if state.facts[supply_id] != (one.kind, one.supply_class, one.colorant, one.description):
            return None
        found.setdefault(supply_id, (number(one.level), number(one.capacity)))
    return found


def _counts(state: LastKnown, counters: Sequence[Counter]) -> dict[int, int] | None:
    found: dict[int, int] = {}
    for one in counters:
        counter_id = state.counters.get((one.name, one.unit))
        if counter_id is None or counter_id not in state.counts:
            return None
        found.setdefault(counter_id, one.value)
    return found


def _change_levels(
    state: LastKnown, levels: dict[int, tuple[int, int]], at: int, rows: _Rows
) -> dict[int, tuple[int, int]]:
    for supply_id, old in state.levels.items():
        new = levels.get(supply_id)
        if new == old:
            continue
        rows.closed_levels.append({"id": supply_id, "end": state.answered})
        if new is not None:
            rows.levels.append({"supply_id": supply_id, "at": at, "level": new[0], "capacity": new[1]})
    return levels


def _change_counts(state: LastKnown, counts: dict[int, int], at: int, rows: _Rows) -> dict[int, int]:
    for counter_id, old in state.counts.items():
        new = counts.get(counter_id)
        if new == old:
            continue
        rows.closed_counts.append({"id": counter_id, "end": state.answered})
        if new is not None:
            rows.counts.append({"counter_id": counter_id, "at": at, "value": new})
    return counts


def _change_status(state: LastKnown, status: str, at: int, rows: _Rows) -> str:
    if status != state.status:
        rows.closed_statuses.append({"id": state.printer_id, "end": state.answered})
        rows.statuses.append({"printer_id": state.printer_id, "at": at, "status": status})
    return status


_REACH = (
    update(contact_run)
    .where(
        contact_run.c.printer_id == bindparam("p"),
        contact_run.c.first == bindparam("f"),
        contact_run.c.last == bindparam("old"),
    )
    .values(last=bindparam("new"), failure=bindparam("failure"), error=bindparam("error"))
)


_CLOSE_LEVEL, _CLOSE_COUNT, _CLOSE_STATUS = close(supply_point), close(counter_point), close(status_point)


def _execute(connection: Connection, rows: _Rows) -> None:
    if rows.reached and connection.execute(_REACH, rows.reached).rowcount != len(rows.reached):
        raise Moved
    for statement, parameters in (
        (contact_run.insert(), rows.runs),
        (_CLOSE_LEVEL, rows.closed_levels),
        (supply_point.insert(), rows.levels),
        (_CLOSE_COUNT, rows.closed_counts),
        (counter_point.insert(), rows.counts),
        (_CLOSE_STATUS, rows.closed_statuses),
        (status_point.insert(), rows.statuses),
    ):
        if parameters:
            connection.execute(statement, parameters)
    if rows.snapshots:
        connection.execute(upsert(connection, snapshot), rows.snapshots)
