"""The fleet as rows: each printer's state and what is lowest; searched, filtered, put in order, cut in pages."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from agent.alarms.wording import spaced
from agent.model.alarm import AlarmRecord, rank
from agent.model.alert_words import ERRORS
from agent.model.fleet import Printer, PrinterView
from agent.model.insight import Insight, gists_of
from agent.model.reading import Reading, Supply
from agent.model.status import doing
from agent.model.upkeep import DUE, OVERDUE, SOON, PrinterUpkeep
from agent.web.words import first_upper, left_words, listed, supply_name

LOW = 0.15
"""Below this share a supply is low where nothing else is said (the usual alarm rule's limit)."""
NEARLY_FULL = 0.10
"""The same for the space in a receptacle."""
SHOWN = 3
"""So many of the lowest supplies stand in a row."""

SILENT, STOPPED, LOOK, UNREAD, FINE = "silent", "stopped", "look", "unread", "fine"
STATES = {
    STOPPED: "Stopped",
    SILENT: "Silent",
    LOOK: "Needs a look",
    UNREAD: "Not read yet",
    FINE: "Fine",
}
"""From what is wanted first to what is not."""
_PLACE = {state: place for place, state in enumerate(STATES)}

_HALTS = frozenset(("noPaper", "noToner", "doorOpen", "jammed", "offline", "serviceRequested", "markerSupplyMissing"))
"""Bits of hrPrinterDetectedErrorState (RFC 2790) with which a printer usually does not print."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One supply as a small bar; its name stands beside it, so that its colour need not be seen.

    ``warning``: "", ``low``, ``nearly full``, or (then ``out``) ``empty``, ``full``.
    """

    key: str
    name: str
    colorant: str
    share: float | None
    words: str
    warning: str
    out: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One printer in the list. ``run_out``: the earliest day (P50) on which a supply is used up, and which supply."""

    printer: Printer
    state: str
    says: str
    since: datetime
    bars: tuple[Bar, ...]
    lowest: float
    run_out: date | None
    run_out_of: str
    upkeep: str
    upkeep_rank: int
    count: int | None
    alarms: int
    gravest: str
    text: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the reader asks for. ``page`` counts from 1."""

    q: str = ""
    site: str = ""
    state: str = ""
    sort: str = "need"
    descending: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the rows that fit: from ``offset`` on, of ``total``; ``counts`` by state before that filter."""

    rows: tuple[Row, ...]
    total: int
    offset: int
    counts: Mapping[str, int] = field(default_factory=dict)


def bar(supply: Supply) -> Bar:
    """A supply as a small bar."""
    share = supply.fraction
    out = supply.level == 0
    low = share is not None and share < (NEARLY_FULL if supply.is_receptacle else LOW)
    if supply.is_receptacle:
        warning = "full" if out else "nearly full" if low else ""
    else:
        warning = "empty" if out else "low" if low else ""
    return Bar(
        supply.key,
        supply_name(supply.kind, supply.colorant, supply.key, supply.description),
        supply.colorant or "",
        share,
        left_words(supply),
        warning,
        out,
    )


def state_of(view: PrinterView, bars: Iterable[Bar]) -> tuple[str, str]:
    """The state of a printer and what it says, in words."""
    reading = view.reading
    if not view.reachable:
        return SILENT, "does not answer"
    if reading is None:
        return UNREAD, "has not been read yet"
    says = _says(reading)
    if reading.device_status == "down" or reading.errors & _HALTS:
        return STOPPED, says
    if any(alert.severity == "critical" for alert in reading.alerts):
        return STOPPED, says
    if reading.errors or reading.alerts or reading.device_status == "warning" or any(one.warning for one in bars):
        return LOOK, says
    return FINE, says


def _says(reading: Reading) -> str:
    complaints = [ERRORS.get(error) or spaced(error) for error in sorted(reading.errors - {"offline"})]
    said = first_upper(doing(reading))
    return f"{said}: {listed(complaints)}" if complaints else said


def life_count(reading: Reading | None) -> int | None:
    """What the printer's main counter shows."""
    counters = reading.counters if reading is not None else ()
    return next((one.value for one in counters if one.name in ("life", "total")), None)


_URGENT = {OVERDUE: (0, "overdue"), DUE: (1, "due"), SOON: (2, "soon")}


def _upkeep(found: PrinterUpkeep | None) -> tuple[str, int]:
    if found is None:
        return "", 9
    urgent = [(*_URGENT[item.state], item.what or item.plan) for item in found.items if item.state in _URGENT]
    if not urgent:
        return "", 8
    first = min(urgent)
    more = f", and {len(urgent) - 1} more" if len(urgent) > 1 else ""
    return f"{first[2]}: {first[1]}{more}", first[0]


class Roster:
    """Makes rows, and keeps those whose printer, insight and upkeep are still the same."""

    def __init__(self) -> None:
        self._kept: dict[int, tuple[tuple[object, ...], Row]] = {}

    def rows(
        self,
        views: Mapping[int, PrinterView],
        insights: Mapping[int, Insight],
        upkeep: Mapping[int, PrinterUpkeep],
        alarms: Iterable[AlarmRecord],
    ) -> list[Row]:
        """One row for each view."""
        standing: dict[int, list[AlarmRecord]] = {}
        for record in alarms:
            if record.standing and record.printer_id is not None:
                standing.setdefault(record.printer_id, []).append(record)
        made: dict[int, tuple[tuple[object, ...], Row]] = {}
        for printer_id, view in views.items():
            records = standing.get(printer_id, ())
            rests_on = (view, insights.get(printer_id), upkeep.get(printer_id), *records)
            kept = self._kept.get(printer_id)
            if kept is not None and _same(kept[0], rests_on):
                made[printer_id] = (rests_on, kept[1])
            else:
                row = _row(view, insights.get(printer_id), upkeep.get(printer_id), records)
                made[printer_id] = (rests_on, row)
        self._kept = made
        return [row for _, row in made.values()]


def _same(one: tuple[object, ...], two: tuple[object, ...]) -> bool:
    """Whether a row may stay: all is the same, or the printer was read again and says what it said before."""
    return len(one) == len(two) and all(
        a is b or (isinstance(a, PrinterView) and isinstance(b, PrinterView) and _says_the_same(a, b))
        for a, b in zip(one, two, strict=True)
    )


def _says_the_same(one: PrinterView, two: PrinterView) -> bool:
    first, second = one.reading, two.reading
    if (one.reachable, one.since) != (two.reachable, two.since) or one.printer != two.printer:
        return False
    if first is None or second is None:
        return first is second
    return (
        first.device_status == second.device_status
        and first.printer_status == second.printer_status
        and first.errors == second.errors
        and first.counters == second.counters
        and first.supplies == second.supplies
        and first.alerts == second.alerts
    )


def _row(
    view: PrinterView, insight: Insight | None, upkeep: PrinterUpkeep | None, records: Iterable[AlarmRecord]
) -> Row:
    printer, reading = view.printer, view.reading
    supplies = reading.supplies if reading is not None else ()
    bars = [bar(one) for one in supplies]
    bars.sort(key=_lowest)
    state, says = state_of(view, bars)
    run_out, of = _run_out(insight)
    due, due_rank = _upkeep(upkeep)
    severities = [record.severity for record in records]
    if severities and state == FINE:
        state = LOOK
    place = printer.place
    words = (printer.name, printer.model, printer.serial, printer.mac, printer.address, str(place), *printer.tags)
    return Row(
        printer,
        state,
        says,
        view.since,
        tuple(bars[:SHOWN]),
        bars[0].share if bars and bars[0].share is not None else 2.0,
        run_out,
        of,
        due,
        due_rank,
        life_count(reading),
        len(severities),
        max(severities, key=rank, default=""),
        " ".join(words).casefold(),
    )


def _lowest(one: Bar) -> tuple[bool, float]:
    return one.share is None and not one.out, one.share if one.share is not None else 0.0


def _run_out(insight: Insight | None) -> tuple[date | None, str]:
    told = insight.forecasts if insight is not None else ()
    known = [(one.expected, place) for place, one in enumerate(gists_of(told)) if one.expected is not None]
    if not known:
        return None, ""
    day, place = min(known)
    first = told[place]
    return day, supply_name(first.kind, first.colorant, first.supply, first.description)


def _need(row: Row) -> tuple[Any, ...]:
    return _PLACE[row.state], -rank(row.gravest), row.upkeep_rank, row.run_out or date.max, row.lowest, _name(row)


def _name(row: Row) -> tuple[str, int]:
    return row.printer.name.casefold(), row.printer.id


SORTS: Mapping[str, tuple[str, Callable[[Row], Any]]] = {
    "need": ("What is wanted first", _need),
    "name": ("Name", _name),
    "place": ("Place", lambda row: (str(row.printer.place).casefold(), _name(row))),
    "model": ("Model", lambda row: (row.printer.model.casefold(), _name(row))),
    "supply": ("Lowest supply", lambda row: (row.lowest, _name(row))),
    "runout": ("Run-out", lambda row: (row.run_out or date.max, _name(row))),
    "upkeep": ("Upkeep", lambda row: (row.upkeep_rank, _name(row))),
    "count": ("Pages counted", lambda row: (-(row.count or 0), _name(row))),
}
"""The orders there are: what they are called and the key to sort by."""


def choose(rows: Iterable[Row], wanted: Wanted, offset: int, limit: int) -> Part:
    """The rows that fit what is wanted, in order, cut to one part. Every word of ``q`` must be found."""
    words = wanted.q.casefold().split()[:20]
    found = [
        row
        for row in rows
        if (not wanted.site or row.printer.place.site == wanted.site) and all(word in row.text for word in words)
    ]
    counts = dict.fromkeys(STATES, 0)
    for row in found:
        counts[row.state] += 1
    if wanted.state:
        found = [row for row in found if row.state == wanted.state]
    found.sort(key=SORTS[wanted.sort][1], reverse=wanted.descending)
    return Part(tuple(found[offset : offset + limit]), len(found), offset, counts)
