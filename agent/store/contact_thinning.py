"""Retention of contact runs: of old contacts only the longer silences are kept apart.

A run lies in an hour (day, month) when it begins and ends in it, and what is around it touches the same one. Then

- a silence between two answered runs goes, and the two become one: a blink that nobody asks about any more;
- two silences next to one another, which differ in the reason only, become one with the reason of the first.

Answers never go: that a printer was heard stays known. Neither does the newest run of a printer, to which the next
contact is added, nor one between whose neighbours nobody asked for longer than two contacts are ever apart.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, bindparam, delete, func, select, update

from agent.store.tables import contact_run

Bucket = Callable[[int], object | None]
"""The hour, day or month of a moment in microseconds; None where nothing is thinned."""

LONGEST_PAUSE = 26 * 3_600_000_000
"""So long (microseconds) may nobody have asked between two runs that are joined: the gap of ``Store.open``."""


@dataclass(frozen=True, slots=True)
class Run:
    """One stored run, in microseconds."""

    first: int
    last: int
    reachable: bool


def joined(runs: Sequence[Run], bucket: Bucket, newest: int) -> tuple[list[Run], list[Run]]:
    """The runs that stay, with their new ends, and those that go. Pure.

    ``runs``: in order of time. The one that begins at ``newest`` stays as it is.
    """
    stay: list[Run] = list(runs[:1])
    gone: list[Run] = []
    for run in runs[1:]:
        before = stay[-1]
        is_newest = run.first == newest
        silence = stay[-1] if len(stay) > 1 and not stay[-1].reachable else None
        if not is_newest and not before.reachable and not run.reachable and _together(before, run, bucket):
            stay[-1] = Run(before.first, run.last, False)
            gone.append(run)
        elif silence is not None and not is_newest and run.reachable and _blink(stay[-2], silence, run, bucket):
            stay.pop()
            stay[-1] = Run(stay[-1].first, run.last, True)
            gone += [silence, run]
        else:
            stay.append(run)
    return stay, gone


def _together(one: Run, other: Run, bucket: Bucket) -> bool:
    name = bucket(one.last)
    return name is not None and name == bucket(other.first) and other.first - one.last <= LONGEST_PAUSE


def _blink(before: Run, silence: Run, after: Run, bucket: Bucket) -> bool:
    return (
        before.reachable
        and _together(before, silence, bucket)
        and bucket(silence.first) == bucket(silence.last)
        and _together(silence, after, bucket)
    )


def thin(
    connection: Connection, printer_ids: Sequence[int], since: int | None, until: int, bucket: Bucket
) -> tuple[int, int]:
    """Join the runs of these printers between ``since`` and ``until``, the bounds of buckets.

    Gives back how many runs went, and how many were looked at.
    """
    columns = contact_run.c
    query = select(columns.printer_id, columns.first, columns.last, columns.reachable)
    query = query.where(columns.printer_id.in_(printer_ids), columns.first < until)
    if since is not None:
        query = query.where(columns.last >= since)
    found: dict[int, list[Run]] = {}
    for row in connection.execute(query.order_by(columns.printer_id, columns.first)):
        found.setdefault(row.printer_id, []).append(Run(row.first, row.last, row.reachable))
    query = select(columns.printer_id, func.max(columns.first)).where(columns.printer_id.in_(printer_ids))
    newest: dict[int, int] = {row[0]: row[1] for row in connection.execute(query.group_by(columns.printer_id))}
    longer: list[dict[str, int]] = []
    gone: list[dict[str, int]] = []
    for printer_id, runs in found.items():
        old = {run.first: run.last for run in runs}
        stay, leaving = joined(runs, bucket, newest[printer_id])
        longer += [
            {"_printer": printer_id, "_first": run.first, "_last": run.last}
            for run in stay
            if old[run.first] != run.last
        ]
        # A silence that was joined to another and then went as a blink is named twice.
        firsts = {run.first for run in leaving}
        gone += [{"_printer": printer_id, "_first": first} for first in sorted(firsts)]
    which = (columns.printer_id == bindparam("_printer"), columns.first == bindparam("_first"))
    if gone:
        connection.execute(delete(contact_run).where(*which), gone)
    if longer:
        connection.execute(update(contact_run).where(*which).values(last=bindparam("_last")), longer)
    return len(gone), sum(map(len, found.values()))
