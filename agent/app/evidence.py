"""What a printer shows of the services at it: its history put together for the proof, looked up in the store."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from agent.app.parts import due_of, rows_of, terms
from agent.insight.deeds import SAME
from agent.insight.kin import Fleet
from agent.insight.logbook import SERVICE, SERVICE_WITHDRAWN
from agent.insight.printer import look
from agent.insight.proofs import Evidence
from agent.insight.proofs import proofs as proofs_of
from agent.model.fleet import PrinterHistory
from agent.model.insight import Insight
from agent.model.proof import COUNTER_RESET, PROVEN, Proof
from agent.model.upkeep import PrinterUpkeep
from agent.settings import Settings
from agent.store import Store

SERVICE_KINDS = frozenset({SERVICE, SERVICE_WITHDRAWN})
YEAR = timedelta(days=366)
_FROM_BEFORE = SAME + timedelta(days=1)


def prove(store: Store, settings: Settings, printer_id: int, since: datetime, as_of: datetime) -> tuple[Proof, ...]:
    """The proofs of one printer's services; those before ``since`` may lack what was before them.

    Raises StoreError.
    """
    told = store.history(printer_id, since - _FROM_BEFORE, as_of)
    history = replace(told, ledger=store.ledger(printer_id, None, as_of, SERVICE_KINDS))
    latest = store.latest([printer_id]).get(printer_id)
    evidence = Evidence(
        history,
        store.status_history(printer_id, since - _FROM_BEFORE, as_of),
        rows_of(latest),
        settings.plans(),
        within=settings.servicing.prove_within,
    )
    found = tuple(one for one in proofs_of(evidence, as_of) if one.service.at >= since)
    if all(one.state == PROVEN or all(each.kind != COUNTER_RESET for each in one.checks) for one in found):
        return found
    # What a counter should show is known to the upkeep; that is looked at only where a counter is in question.
    _, due = look_at(store, settings, printer_id, as_of)
    again = proofs_of(replace(evidence, disagreements=due.disagreements), as_of)
    return tuple(one for one in again if one.service.at >= since)


def look_at(store: Store, settings: Settings, printer_id: int, as_of: datetime) -> tuple[Insight, PrinterUpkeep]:
    """One printer's insight and upkeep, reckoned now from itself alone. Raises StoreError."""
    history = store.history(printer_id, as_of - YEAR, as_of)
    insight = look(history, Fleet(), as_of, terms(settings, history))
    return insight, due_by(store, settings, history, insight, as_of)


def due_by(
    store: Store, settings: Settings, history: PrinterHistory, insight: Insight, as_of: datetime
) -> PrinterUpkeep:
    """The work that falls due at a printer, by its history and insight as of a moment. Raises StoreError."""
    number = history.printer.id
    statuses = store.status_history(number, as_of - YEAR, as_of)
    return due_of(settings, history, insight, statuses, store.latest([number]).get(number), as_of)
