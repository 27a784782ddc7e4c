"""What is known of one printer, read from the store, for judging what somebody sees on paper."""

from __future__ import annotations

from datetime import datetime, timedelta

from agent.app.parts import due_of, rows_of, terms
from agent.insight.clues import LOOK_BACK, Case
from agent.insight.kin import Fleet
from agent.insight.printer import look
from agent.model.insight import Insight
from agent.model.reading import Reading
from agent.model.upkeep import PrinterUpkeep
from agent.settings import Settings
from agent.store import Store

WHOLE = timedelta(days=3 * 366)
"""The history from which lives and upkeep are reckoned where nobody has done so."""
RECENT = timedelta(days=30)
"""The history that is enough where they are known already."""


def case_of(
    store: Store,
    settings: Settings,
    printer_id: int,
    at: datetime,
    known: tuple[Insight, PrinterUpkeep] | None = None,
    fleet: Fleet | None = None,
) -> Case:
    """One printer as of a moment. ``known``: what was worked out already. Raises StoreError, UnknownCalendar."""
    history = store.history(printer_id, at - (RECENT if known is not None else WHOLE), at)
    statuses = store.status_history(printer_id, at - LOOK_BACK, at)
    reading = store.latest([printer_id]).get(printer_id)
    plans = settings.plans()
    if known is None:
        insight = look(history, fleet or Fleet(), at, terms(settings, history))
        known = insight, due_of(settings, history, insight, statuses, reading, at)
    return Case(
        history=history,
        as_of=at,
        insight=known[0],
        upkeep=known[1],
        statuses=statuses,
        rows=rows_of(reading),
        trays=_trays(reading),
        media={one.index: one.media for one in reading.trays if one.media} if reading and reading.at <= at else {},
        mark_techs=tuple(one.mark_tech for one in reading.markers if one.mark_tech) if reading is not None else (),
        plans=plans,
    )


def _trays(reading: Reading | None) -> dict[int, str]:
    return {one.index: one.name or one.description for one in reading.trays} if reading is not None else {}
