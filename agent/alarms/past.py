"""One printer's history as views: what was known of it at any moment, and when that changed. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from agent.alarms.rules import ODDITIES
from agent.model.contact import StatusPoint
from agent.model.fleet import ContactRun, Finding, LedgerEntry, Printer, PrinterHistory, PrinterView, SupplyTrack
from agent.model.reading import Counter, Reading, Supply, System


@dataclass(frozen=True, slots=True)
class Run:
    """The same outcome from ``first`` to ``last``; ``since``: when that outcome began, over pauses between runs."""

    first: datetime
    last: datetime
    reachable: bool
    since: datetime


class Past:
    """What the store knows of one printer, to be looked at moment by moment.

    ``statuses``: as ``Store.status_history`` gives them. ``interval``: how often the printer was asked.
    """

    def __init__(self, history: PrinterHistory, statuses: Sequence[StatusPoint], interval: timedelta) -> None:
        self.printer: Printer = history.printer
        self._interval = interval
        self._runs = _runs(history.contacts)
        self._starts = [run.first for run in self._runs]
        self._supplies = [(track, [point.at for point in track.points]) for track in history.supplies]
        self._counters = [(track, [point.at for point in track.points]) for track in history.counters]
        self._statuses = tuple(statuses)
        self._status_times = [point.at for point in self._statuses]
        self._oddities: dict[datetime, list[Finding]] = {}
        for entry in history.ledger:
            if entry.kind in ODDITIES:
                self._oddities.setdefault(entry.at, []).append(_finding(entry))

    def changes(self) -> set[datetime]:
        """Every moment at which something was new: a level, a state, an oddity, an answer or the lack of one."""
        found = {run.first for run in self._runs} | set(self._status_times) | set(self._oddities)
        for _, times in self._supplies:
            found.update(times)
        return {at for at in found if self._run(at) is not None}

    def turns(self) -> set[datetime]:
        """When it fell silent, and when it answered again."""
        return {run.since for run in self._runs}

    def asked(self, at: datetime) -> datetime | None:
        """When the printer was asked first at ``at`` or later; None if never again."""
        run = self._run(at)
        if run is not None and at <= run.last:
            steps = -(-(at - run.first) // self._interval)
            return min(run.first + steps * self._interval, max(run.last, at))
        index = bisect_right(self._starts, at)
        return self._runs[index].first if index < len(self._runs) else None

    def view(self, at: datetime) -> PrinterView | None:
        """What was known at ``at``; None before it was first asked."""
        run = self._run(at)
        if run is None:
            return None
        findings = tuple(self._oddities.get(at, ())) if run.reachable else ()
        return PrinterView(self.printer, self._reading(at), run.reachable, run.since, findings)

    def _run(self, at: datetime) -> Run | None:
        index = bisect_right(self._starts, at)
        return self._runs[index - 1] if index else None

    def _reading(self, at: datetime) -> Reading | None:
        supplies = tuple(self._levels(at))
        index = bisect_right(self._status_times, at)
        status = self._statuses[index - 1] if index else None
        if not supplies and status is None:
            return None
        counters = []
        for track, times in self._counters:
            if place := bisect_right(times, at):
                counters.append(Counter(track.name, track.unit, track.points[place - 1].value, track.wraps_at))
        return Reading(
            at,
            self.printer.address,
            self.printer.device_index,
            System(),
            supplies=supplies,
            counters=tuple(counters),
            device_status=status.device_status if status else None,
            printer_status=status.printer_status if status else None,
            errors=status.errors if status else frozenset(),
            console=status.console if status else (),
            alerts=status.alerts if status else (),
        )

    def _levels(self, at: datetime) -> Iterator[Supply]:
        newest: dict[str, tuple[datetime, Supply]] = {}
        for track, times in self._supplies:
            place = bisect_right(times, at)
            known = newest.get(track.key)
            if place and (known is None or known[0] <= times[place - 1]):
                newest[track.key] = (times[place - 1], _supply(track, place - 1))
        return (one for _, one in newest.values())


def _supply(track: SupplyTrack, place: int) -> Supply:
    point = track.points[place]
    return Supply(
        track.key,
        1,
        1,
        track.supply_class,
        track.kind,
        track.description,
        track.colorant,
        track.unit,
        point.capacity,
        point.level,
    )


def _runs(contacts: Sequence[ContactRun]) -> tuple[Run, ...]:
    made: list[Run] = []
    for one in sorted(contacts, key=lambda run: run.first):
        same = bool(made) and made[-1].reachable is one.reachable
        made.append(Run(one.first, one.last, one.reachable, made[-1].since if same else one.first))
    return tuple(made)


def _finding(entry: LedgerEntry) -> Finding:
    return Finding(entry.kind, entry.at, entry.subject, entry.text, entry.data)
