"""What stands for an alarm: suppression by design (ISA-18.2 / IEC 62682).

    a window            stands for all alarms of its printers, and for that of a site that is wholly in it
    a silent site       stands for the silence of its printers
    a silent printer    stands for what it said last: its supplies, its alerts, its run-outs
    a supply's alarm    stands for the less urgent ones about the same supply (``agent.alarms.precedence``)

The alarm of a site or printer stands for others as soon as its condition holds, so that they are not heard while it
waits for its delay; one that is out of service stands for none, since nobody would hear of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from agent.alarms import rules as watch
from agent.alarms.precedence import ON_SUPPLIES, above, stands_for
from agent.alarms.routes import Routes
from agent.alarms.rules import Rule
from agent.alarms.sites import Silence
from agent.alarms.windows import Windows
from agent.model.alarm import AlarmRecord, AlarmState
from agent.model.fleet import Printer, PrinterView

DEPENDENT = frozenset(
    (watch.SUPPLY_BELOW, watch.SUPPLY_EMPTY, watch.RECEPTACLE_NEARLY_FULL, watch.PRINTER_ALERT, watch.RUN_OUT)
)
"""Kinds whose alarms are stale while their printer is silent."""


class Cause(NamedTuple):
    """What stands for an alarm: its key, and in words why."""

    key: str
    why: str


class Roots:
    """What stands for others, while one judgement is made. ``at``: an alarm by its key, as it is by now."""

    def __init__(
        self, rules: Mapping[str, Rule], windows: Windows, routes: Routes, at: Callable[[str], AlarmRecord | None]
    ) -> None:
        self._rules = rules
        self._routes = routes
        self._at = at
        self._above: dict[str, tuple[Rule, ...]] = {}
        self.windows = windows
        self._sites: dict[str, list[tuple[Rule, AlarmRecord]]] = {}
        self._away: dict[str, Cause | None] = {}
        self._printers: dict[int, AlarmRecord] = {}
        self._views: tuple[Iterable[PrinterView], ...] = ()
        self._known: dict[int, Printer] | None = None

    def know(self, *views: Iterable[PrinterView] | None) -> None:
        """Where the printers are; looked at only when something stands for others."""
        self._views = tuple(some for some in views if some is not None)

    def know_site(self, key: str, silence: Silence) -> None:
        """Whether a window stands for the alarm of this site."""
        self._away[key] = None if silence.away is None else Cause(silence.away.key, silence.away.why)

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

    def first(self, record: AlarmRecord, printer: Printer | None) -> Cause | None:
        """What stands for an alarm before it is even raised.

        A window, its site for a printer's silence, a more urgent alarm about the same supply.
        """
        rule = self._rules.get(record.rule)
        if printer is None or rule is None:
            return self._away.get(record.key)
        return self._wider(rule, printer) or self._more_urgent(record, rule)

    def _wider(self, rule: Rule, printer: Printer) -> Cause | None:
        window = self.windows.of(printer, rule.name)
        if window is not None:
            return Cause(window.key, window.why)
        return self._site_root(printer) if rule.when == watch.UNREACHABLE else None

    def of(self, record: AlarmRecord) -> Cause | None:
        """What stands for this alarm, if anything does."""
        rule = self._rules.get(record.rule)
        if rule is None:
            return None
        if record.printer_id is None:
            return self._away.get(record.key)
        if self.windows or (rule.when == watch.UNREACHABLE and self._sites):
            printer = self.printer(record.printer_id)
            if printer is not None and (found := self._wider(rule, printer)) is not None:
                return found
        if rule.when in DEPENDENT and (silent := self._printers.get(record.printer_id)) is not None:
            return _cause(silent)
        return self._more_urgent(record, rule)

    def _more_urgent(self, record: AlarmRecord, rule: Rule) -> Cause | None:
        """A more urgent alarm about the same supply."""
        if rule.when not in ON_SUPPLIES:
            return None
        if rule.name not in self._above:
            self._above[rule.name] = above(rule, self._rules.values(), self._routes)
        for greater in self._above[rule.name]:
            found = self._at(f"{greater.name}|{record.printer_id}|{record.subject}")
            if found is not None and stands_for(found, record):
                return _cause(found)
        return None

    def is_known(self, record: AlarmRecord) -> bool:
        """Whether it can be said now if a window stands for this alarm."""
        if record.printer_id is None:
            return record.key in self._away
        return self.printer(record.printer_id) is not None

    def printer(self, printer_id: int) -> Printer | None:
        """The printer, where it is among those that are looked at."""
        if self._known is None:
            self._known = {view.printer.id: view.printer for some in self._views for view in some}
        return self._known.get(printer_id)

    def _site_root(self, printer: Printer) -> Cause | None:
        """The alarm of the silent site that this printer belongs to."""
        for rule, record in self._sites.get(printer.place.site, ()):
            if rule.covers(printer):
                return _cause(record)
        return None


def _cause(record: AlarmRecord) -> Cause:
    return Cause(record.key, f"the alarm {record.key} stands for it")


def _stands(record: AlarmRecord) -> bool:
    return record.signal and record.state is not AlarmState.OUT_OF_SERVICE
