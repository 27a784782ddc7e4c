"""The fleet as of an earlier moment, looked up in the store: for whoever asks how things were then."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime, timedelta

from agent.alarms import retold
from agent.alarms.past import Past
from agent.app.evidence import YEAR, due_by
from agent.model.alarm import AlarmRecord
from agent.model.fleet import ContactRun, Printer, PrinterView
from agent.model.grain import Grain
from agent.model.insight import Insight
from agent.model.reading import Reading
from agent.model.upkeep import PrinterUpkeep
from agent.settings import Settings
from agent.store import Store

LOOK_BACK = timedelta(days=3 * 366)
_INTERVAL = timedelta(minutes=1)


def alarms_at(store: Store, at: datetime) -> tuple[AlarmRecord, ...]:
    """Every alarm as of a moment, as the ledger tells it. Raises StoreError."""
    printers = {one.id: one for one in store.printers(retired=True)}
    return retold.records(store.ledger(until=at, kinds=retold.KINDS), at, printers)


def views_at(store: Store, at: datetime) -> dict[int, PrinterView]:
    """Every printer that was in service and had been asked by then. One look-up each. Raises StoreError."""
    known = [one for one in store.printers(retired=True) if one.retired is None or one.retired > at]
    latest = store.latest()
    found = ((one.id, _view(store, one, latest.get(one.id), at)) for one in known)
    return {number: view for number, view in found if view is not None}


def view_at(store: Store, printer_id: int, at: datetime) -> PrinterView | None:
    """One printer as of a moment; None where it was not there, or had not been asked yet. Raises StoreError."""
    found = next((one for one in store.printers(retired=True) if one.id == printer_id), None)
    if found is None or (found.retired is not None and found.retired <= at):
        return None
    return _view(store, found, store.latest([printer_id]).get(printer_id), at)


def due_at(
    store: Store, settings: Settings, printer_id: int, at: datetime, look: Callable[[int, datetime], Insight]
) -> PrinterUpkeep:
    """One printer's work that falls due as of a moment. ``look``: its insight then. Raises StoreError."""
    told = store.history(printer_id, at - YEAR, at)
    return due_by(store, settings, told, look(printer_id, at), at)


def _view(store: Store, printer: Printer, latest: Reading | None, at: datetime) -> PrinterView | None:
    grain = Grain(levels=([at],), counts=([at],), counters=(), entries=0)
    told = store.outline(printer.id, at - LOOK_BACK, at, grain)
    statuses = store.status_history(printer.id, at, at)
    view = Past(told, statuses, _INTERVAL).view(at)
    if view is None:
        return None
    return replace(view, reading=_reading(view.reading, printer, latest, told.contacts, at))


def _reading(
    seen: Reading | None, printer: Printer, latest: Reading | None, contacts: Iterable[ContactRun], at: datetime
) -> Reading | None:
    """What was known then as a reading: when it was read, and by which rows the printer knows its supplies."""
    if seen is None:
        return None
    read = max((min(run.last, at) for run in contacts if run.reachable and run.first <= at), default=at)
    rows = {one.key: one for one in latest.supplies} if latest is not None else {}
    supplies = [
        replace(one, index=rows[one.key].index, marker=rows[one.key].marker) if one.key in rows else one
        for one in seen.supplies
    ]
    supplies.sort(key=lambda one: (one.key not in rows, one.marker, one.index))
    return replace(seen, at=read, model=printer.model, serial=printer.serial, mac=printer.mac, supplies=tuple(supplies))
