"""Looks what has changed, while any page is open: printers, alarms, the ledger, and what rests on them.

Everything is looked at from outside, beside the sweep and in a thread of its own: whoever changes something, in this
program or in another one on the same store, need not know of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING

from agent.model.fleet import PrinterView
from agent.store.errors import StoreError

if TYPE_CHECKING:
    from agent.app.service import Service

EVERY_SECONDS = 2.0
ALL = ("agent", "alarms", "ledger", "printer:*", "printers", "round", "shelf")


class News:
    """What has changed since the last look. At the first one, everything: nobody knows what was shown before."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._entry: int | None = None
        self._swept: datetime | None = None
        self._printers: Mapping[int, int] = {}
        self._alarms: Mapping[str, tuple[int, int | None]] = {}
        self._reckoned: tuple[object, ...] = ()

    def look(self) -> set[str]:
        """The names of what has changed."""
        first = self._entry is None
        names = {*self._ledger(), *self._sweep(), *self._alarm(), *self._reckoning()}
        return set(ALL) if first else names

    def forget(self) -> None:
        """Nobody listens: what is shown from now on is not known."""
        self._entry = None

    def _ledger(self) -> set[str]:
        store = self._service.store
        try:
            last = store.last_entry()
            before, self._entry = self._entry, last
            if before is None or last <= before:
                return set()
            fresh = [one for one in store.ledger(limit=min(200, last - before)) if (one.id or 0) > before]
        except StoreError:
            return set()
        about = {f"printer:{one.printer_id}" for one in fresh if one.printer_id is not None}
        return {"ledger", "shelf", "round", *about}

    def _sweep(self) -> set[str]:
        swept = self._service.pulse.vitals.swept
        if swept == self._swept:
            return set()
        self._swept = swept
        before = self._printers
        self._printers = {number: seen(view) for number, view in list(self._service.sweep.fleet.views.items())}
        changed = {number for number, one in self._printers.items() if before.get(number) != one}
        changed |= before.keys() - self._printers.keys()
        return {"agent", *({"printers"} if changed else ()), *(f"printer:{number}" for number in changed)}

    def _alarm(self) -> set[str]:
        before = self._alarms
        self._alarms = {key: (one.revision, one.printer_id) for key, one in list(self._service.sweep.alarms.items())}
        both = {**before, **self._alarms}
        changed = [whose for key, (_, whose) in both.items() if before.get(key) != self._alarms.get(key)]
        if not changed:
            return set()
        return {"alarms", "round", *(f"printer:{whose}" for whose in changed if whose is not None)}

    def _reckoning(self) -> set[str]:
        foresight = self._service.pages.foresight
        before, self._reckoned = self._reckoned, (foresight.insights, foresight.upkeep)
        same = len(before) == 2 and all(one is two for one, two in zip(before, self._reckoned, strict=True))
        return set() if same else {"printers", "round", "shelf", "printer:*"}


def seen(view: PrinterView) -> int:
    """What a page shows of a printer that may change from one sweep to the next, as one number."""
    reading = view.reading
    if reading is None:
        return hash((view.reachable, view.printer))
    return hash(
        (
            view.reachable,
            view.printer,
            reading.printer_status,
            reading.device_status,
            reading.errors,
            tuple((one.key, one.level, one.capacity) for one in reading.supplies),
            tuple((one.index, one.code, one.severity) for one in reading.alerts),
            tuple((one.name, one.value) for one in reading.counters),
            tuple((one.index, one.level) for one in reading.trays),
            reading.console,
        )
    )
