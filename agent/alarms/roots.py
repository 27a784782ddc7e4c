"""Which alarm stands for which other one: suppression by design (ISA-18.2 / IEC 62682).

    a silent site       stands for the silence of its printers
    a silent printer    stands for what it said last: its supplies, its alerts, its run-outs

An alarm stands for others as soon as its condition holds, so that they are not heard while it waits for its delay; one
that is out of service stands for none, since nobody would hear of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from agent.alarms import rules as watch
from agent.alarms.rules import Rule
from agent.model.alarm import AlarmRecord, AlarmState
from agent.model.fleet import Printer, PrinterView

DEPENDENT = frozenset(
    (watch.SUPPLY_BELOW, watch.SUPPLY_EMPTY, watch.RECEPTACLE_NEARLY_FULL, watch.PRINTER_ALERT, watch.RUN_OUT)
)
"""Kinds whose alarms are stale while their printer is silent."""


class Roots:
    """The alarms that stand for others, while one judgement is made."""

    def __init__(self, rules: Mapping[str, Rule]) -> None:
        self._rules = rules
        self._sites: dict[str, list[tuple[Rule, AlarmRecord]]] = {}
        self._printers: dict[int, AlarmRecord] = {}
        self._views: tuple[Iterable[PrinterView], ...] = ()
        self._known: dict[int, Printer] | None = None

    def know(self, *views: Iterable[PrinterView] | None) -> None:
        """Where the printers are; looked at only when a site is silent."""
        self._views = tuple(some for some in views if some is not None)

    def add_site(self, record: AlarmRecord) -> None:
        """Note the alarm of a site, as its condition is now."""
        rule = self._rules.get(record.rule)
        if rule is not None and rule.when == watch.SITE_SILENT and _stands(record):
            roots = self._sites.setdefault(record.subject, [])
            if all(record.key != known.key for _, known in roots):
                roots.append((rule, record))

    def add_printer(self, record: AlarmRecord) -> None:
        """Note the alarm of a silent printer, as its condition is now."""
        rule = self._rules.get(record.rule)
        if rule is not None and rule.when == watch.UNREACHABLE and record.printer_id is not None and _stands(record):
            self._printers.setdefault(record.printer_id, record)

    def site_root(self, printer: Printer) -> AlarmRecord | None:
        """The alarm of the silent site that this printer belongs to."""
        if not self._sites:
            return None
        for rule, record in self._sites.get(printer.place.site, ()):
            if rule.covers(printer):
                return record
        return None

    def of(self, record: AlarmRecord) -> AlarmRecord | None:
        """The alarm that stands for this one, if any does."""
        rule = self._rules.get(record.rule)
        if rule is None or record.printer_id is None:
            return None
        if rule.when in DEPENDENT:
            return self._printers.get(record.printer_id)
        if rule.when != watch.UNREACHABLE or not self._sites:
            return None
        if self._known is None:
            self._known = {view.printer.id: view.printer for some in self._views for view in some}
        printer = self._known.get(record.printer_id)
        return None if printer is None else self.site_root(printer)


def _stands(record: AlarmRecord) -> bool:
    return record.signal and record.state is not AlarmState.OUT_OF_SERVICE
