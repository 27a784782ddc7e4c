"""The careful way to write contacts: in any order, for new printers, with supplies that come and go.

It reads the runs around what is told, lets ``runs.place`` find the place of each reading, and writes the difference.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Table, bindparam, update

from agent.model.contact import Contact, Observation, SeenSupply
from agent.model.reading import Counter, Reading, Supply
from agent.store import statements
from agent.store.moments import micros
from agent.store.runs import Run, place
from agent.store.series import CONTACTS, COUNTS, LEVELS, STATUSES, Runs, Series, Value, as_runs, rows, write_back
from agent.store.snapshot import clean, dump, number, status_text
from agent.store.state import CounterName, LastKnown, SupplyFacts, SupplyName, load
from agent.store.tables import counter, snapshot, status_thinning, supply


@dataclass(frozen=True, slots=True)
class Told:
    """One contact in the store's own words. ``polled`` is False for what an import tells."""

    printer_id: int
    at: int
    reachable: bool
    failure: str | None
    error: str
    levels: dict[SupplyName, tuple[int, int]]
    facts: dict[SupplyName, SupplyFacts]
    counts: dict[CounterName, int]
    wraps: dict[CounterName, int]
    status: str | None
    reading: Reading | None
    polled: bool


def told(contact: Contact) -> Told:
    """A contact of a poll."""
    reading = contact.reading if contact.reachable else None
    levels, facts = _supplies(() if reading is None else reading.supplies)
    counts, wraps = _counters(() if reading is None else reading.counters)
    return Told(
        contact.printer_id,
        micros(contact.at),
        contact.reachable,
        None if contact.reachable else clean(contact.failure or "failed"),
        "" if contact.reachable else clean(contact.error)[: statements.ERROR_LENGTH],
        levels,
        facts,
        counts,
        wraps,
        None if reading is None else status_text(reading),
        reading,
        polled=True,
    )


def observed(row: Observation) -> Told:
    """A contact that somebody else had."""
    levels, facts = _supplies(row.supplies)
    counts = {} if row.impressions is None else {("life", "impressions"): row.impressions}
    wraps = dict.fromkeys(counts, 2**32)
    return Told(row.printer_id, micros(row.at), True, None, "", levels, facts, counts, wraps, None, None, polled=False)


def _supplies(
    supplies: Iterable[Supply | SeenSupply],
) -> tuple[dict[SupplyName, tuple[int, int]], dict[SupplyName, SupplyFacts]]:
    levels: dict[SupplyName, tuple[int, int]] = {}
    facts: dict[SupplyName, SupplyFacts] = {}
    for one in supplies:
        name = (clean(one.key), clean(one.unit))
        if name in levels:  # two supplies with one name: the first is it
            continue
        levels[name] = (number(one.level), number(one.capacity))
        colorant = None if one.colorant is None else clean(one.colorant)
        description = clean(one.description) if isinstance(one, Supply) else ""
        facts[name] = (clean(one.kind), clean(one.supply_class), colorant, description)
    return levels, facts


def _counters(counters: Iterable[Counter]) -> tuple[dict[CounterName, int], dict[CounterName, int]]:
    counts: dict[CounterName, int] = {}
    wraps: dict[CounterName, int] = {}
    for one in counters:
        name = (clean(one.name), clean(one.unit))
        if name not in counts:
            counts[name], wraps[name] = one.value, one.wraps_at
    return counts, wraps


def merge(connection: Connection, told: Sequence[Told], gap: int) -> int:
    """Write contacts in any order; returns how many rows changed. Printers unknown to the store raise KeyError."""
    known = load(connection, (one.printer_id for one in told))
    _name_supplies(connection, told, known)
    _name_counters(connection, told, known)
    changed = _merge_contacts(connection, told, known, gap)
    answered = {printer_id: state.answered for printer_id, state in known.items()}
    for one in told:
        if one.reachable:
            answered[one.printer_id] = max(one.at, answered[one.printer_id] or one.at)
    work = _Work(connection, known, answered)
    changed += work.merge(
        LEVELS,
        [(one, known[one.printer_id].supplies[name], level) for one in told for name, level in one.levels.items()],
        lambda state: state.levels,
    )
    changed += work.merge(
        COUNTS,
        [(one, known[one.printer_id].counters[name], (value,)) for one in told for name, value in one.counts.items()],
        lambda state: state.counts,
    )
    changed += work.merge(
        STATUSES,
        [(one, one.printer_id, (one.status,)) for one in told if one.status is not None],
        lambda state: {} if state.status is None else {state.printer_id: state.status},
    )
    _describe(connection, told, known)
    _snapshots(connection, told, known)
    return changed


def _name_supplies(connection: Connection, told: Sequence[Told], known: Mapping[int, LastKnown]) -> None:
    fresh: dict[tuple[int, str, str], dict[str, Any]] = {}
    for one in told:
        for name, (kind, supply_class, colorant, description) in one.facts.items():
            if name not in known[one.printer_id].supplies:
                fresh.setdefault(
                    (one.printer_id, *name),
                    {
                        "printer_id": one.printer_id,
                        "key": name[0],
                        "unit": name[1],
                        "kind": kind,
                        "supply_class": supply_class,
                        "colorant": colorant,
                        "description": description,
                    },
                )
    for row, supply_id in zip(
        fresh.values(), statements.insert_many(connection, supply, list(fresh.values())), strict=True
    ):
        state = known[row["printer_id"]]
        state.supplies[row["key"], row["unit"]] = supply_id
        state.facts[supply_id] = (row["kind"], row["supply_class"], row["colorant"], row["description"])


def _name_counters(connection: Connection, told: Sequence[Told], known: Mapping[int, LastKnown]) -> None:
    fresh: dict[tuple[int, str, str], dict[str, Any]] = {}
    for one in told:
        for name, wraps_at in one.wraps.items():
            if name not in known[one.printer_id].counters:
                fresh.setdefault(
                    (one.printer_id, *name),
                    {"printer_id": one.printer_id, "name": name[0], "unit": name[1], "wraps_at": wraps_at},
                )
    for row, counter_id in zip(
        fresh.values(), statements.insert_many(connection, counter, list(fresh.values())), strict=True
    ):
        known[row["printer_id"]].counters[row["name"], row["unit"]] = counter_id


def _merge_contacts(connection: Connection, told: Sequence[Told], known: Mapping[int, LastKnown], gap: int) -> int:
    since, until = min(one.at for one in told), max(one.at for one in told)
    stored = rows(connection, CONTACTS, known, since, until)
    after: Runs = {owner: as_runs(CONTACTS, found, 0) for owner, found in stored.items()}
    for one in told:
        runs = after.setdefault(one.printer_id, [])
        # At one and the same moment an answer outweighs a silence, whichever is told first.
        if not one.reachable and any(run.value[0] and one.at in (run.first, run.last) for run in runs):
            continue
        place(runs, Run(one.at, one.at, (one.reachable,), (one.failure, one.error)), gap)
    return write_back(connection, CONTACTS, stored, after, {})


@dataclass(slots=True)
class _Work:
    """What the three kinds of points have in common."""

    connection: Connection
    known: Mapping[int, LastKnown]
    answered: Mapping[int, int | None]

    def merge(
        self,
        series: Series,
        told: Sequence[tuple[Told, int, Value]],
        still_open: Callable[[LastKnown], Mapping[int, object]],
    ) -> int:
        """Merge readings of one kind, and close the open runs of what was not among the latest of them."""
        printer_of = {owner: one.printer_id for one, owner, _ in told}
        changed = 0
        if told:
            since, until = min(one.at for one, _, _ in told), max(one.at for one, _, _ in told)
            stored = rows(self.connection, series, printer_of, since, until)
            after: Runs = {
                owner: as_runs(series, found, self.known[printer_of[owner]].answered or 0)
                for owner, found in stored.items()
            }
            for one, owner, value in told:
                place(after.setdefault(owner, []), Run(one.at, one.at, value))
            open_at = {owner: self.answered[printer_id] or 0 for owner, printer_id in printer_of.items()}
            changed = write_back(self.connection, series, stored, after, open_at)
            self._thin_again(series, told)
        ends = [
            {"id": owner, "end": state.answered}
            for state in self.known.values()
            if self.answered[state.printer_id] != state.answered
            for owner in still_open(state)
            if owner not in printer_of
        ]
        if ends:
            self.connection.execute(statements.close(series.table), ends)
        return changed + len(ends)

    def _thin_again(self, series: Series, told: Sequence[tuple[Told, int, Value]]) -> None:
        """What is told late may lie where the series was thinned already."""
        late = {owner for one, owner, _ in told if one.at < (self.known[one.printer_id].answered or 0)}
        if not late:
            return
        table: Table = status_thinning if series is STATUSES else series.owners
        column = table.c.printer_id if series is STATUSES else table.c.id
        again = update(table).where(column == bindparam("_id"), table.c.thinned > 0).values(thinned=0)
        self.connection.execute(again, [{"_id": owner} for owner in sorted(late)])


def _describe(connection: Connection, told: Sequence[Told], known: Mapping[int, LastKnown]) -> None:
    """Keep what the latest poll called the supplies; an import changes no name that a printer gave."""
    news: dict[int, tuple[int, SupplyFacts]] = {}
    for one in told:
        state = known[one.printer_id]
        if not one.polled or one.at < (state.answered or 0):
            continue
        for name, facts in one.facts.items():
            supply_id = state.supplies[name]
            if supply_id not in news or news[supply_id][0] <= one.at:
                news[supply_id] = (one.at, facts)
    facts_of = {supply_id: facts for state in known.values() for supply_id, facts in state.facts.items()}
    changed = [
        {"_id": supply_id, "_kind": facts[0], "_class": facts[1], "_colorant": facts[2], "_description": facts[3]}
        for supply_id, (_, facts) in news.items()
        if facts_of.get(supply_id) != facts
    ]
    if changed:
        connection.execute(
            update(supply)
            .where(supply.c.id == bindparam("_id"))
            .values(
                kind=bindparam("_kind"),
                supply_class=bindparam("_class"),
                colorant=bindparam("_colorant"),
                description=bindparam("_description"),
            ),
            changed,
        )


def _snapshots(connection: Connection, told: Sequence[Told], known: Mapping[int, LastKnown]) -> None:
    latest: dict[int, Told] = {}
    for one in told:
        if one.reading is None or one.at < (known[one.printer_id].snapshot_at or one.at):
            continue
        if one.printer_id not in latest or latest[one.printer_id].at <= one.at:
            latest[one.printer_id] = one
    made = [
        {"printer_id": one.printer_id, "at": one.at, "reading": dump(one.reading)}
        for one in latest.values()
        if one.reading is not None
    ]
    if made:
        connection.execute(statements.upsert(connection, snapshot), made)
