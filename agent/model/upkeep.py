"""Upkeep: plans of work, when each is due at each printer, and what does not agree with the ledger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from agent.model.insight import Dates
from agent.model.symptom import Roller

OVERDUE = "overdue"
DUE = "due"
SOON = "soon"
FINE = "fine"
NOT_KNOWN = "notKnown"
URGENCY = (OVERDUE, DUE, SOON, NOT_KNOWN, FINE)
"""From the most urgent to the least."""

NOT_RESET = "counterNotReset"
NOT_LOGGED = "serviceNotLogged"


@dataclass(frozen=True, slots=True)
class Plan:
    """Work that comes again. ``models``, ``after``, ``renews``: patterns (see ``agent.model.shelf``).

    ``impressions``, ``days``: the interval, whichever is over first. ``after``: due after the exchange of such a supply
    or after the service of another plan. ``reports``: due when the printer reports one of these error bits or alert
    codes. ``renews``: supplies that are new afterwards; ``reset_sweeps``: within so many sweeps the printer must show
    it. ``needs``: parts, one of each. ``rollers``: what turns in these models, for marks that repeat.
    """

    name: str
    what: str = ""
    models: tuple[str, ...] = ("*",)
    colour_only: bool = False
    impressions: int | None = None
    days: int | None = None
    after: tuple[str, ...] = ()
    reports: tuple[str, ...] = ()
    renews: tuple[str, ...] = ()
    reset_sweeps: int = 5
    needs: tuple[str, ...] = ()
    minutes: int | None = None
    cautions: tuple[str, ...] = ()
    rollers: tuple[Roller, ...] = ()


@dataclass(frozen=True, slots=True)
class Begin:
    """Where an interval begins. ``count``: the counter then, in its own numbers. ``assumed``: nobody logged it."""

    at: datetime | None
    count: int | None
    who: str = ""
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class UpkeepItem:
    """One plan at one printer, as of a moment.

    ``count``: the life counter now. ``due_count``: the counter at which it is due; ``left``: impressions until then,
    negative when overdue. ``due_day``: the day on which it is due by days; ``overdue_days``: how many days ago that
    was. ``expected``: the day on which it will be due, as P10, P50 and P90; ``reason`` why there is none.
    ``because``: why it is so urgent, sentences for a person. ``reported``: what the printer itself says.
    ``followed``: when the exchange was after which it is due. ``supplies``: keys of the supplies it renews here.
    """

    printer_id: int
    plan: str
    what: str
    state: str
    begin: Begin
    count: int | None
    due_count: int | None
    left: int | None
    due_day: date | None
    overdue_days: int | None
    expected: Dates | None
    reason: str | None
    because: tuple[str, ...]
    reported: tuple[str, ...]
    followed: datetime | None
    supplies: tuple[str, ...]
    needs: tuple[str, ...]
    minutes: int | None
    cautions: tuple[str, ...]
    planned: bool = True


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Where printer and ledger do not agree.

    ``kind`` counterNotReset: a service was logged, but the printer still shows the old part; ``shows`` is the share it
    shows, ``should`` about what it should show. ``kind`` serviceNotLogged: the printer shows a new part since ``at``
    (its counter was ``count`` then), but nobody logged a service; ``lowmark upkeep accept`` writes the entry.
    """

    kind: str
    printer_id: int
    plan: str
    supply: str
    at: datetime
    shows: float | None
    should: float | None
    count: int | None
    text: str


@dataclass(frozen=True, slots=True)
class PrinterUpkeep:
    """All upkeep of one printer as of a moment, the most urgent first. ``items`` may be packed, as in ``Insight``."""

    printer_id: int
    as_of: datetime
    items: Sequence[UpkeepItem]
    disagreements: tuple[Disagreement, ...]
    notes: tuple[str, ...] = ()
