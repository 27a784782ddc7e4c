"""Maintenance windows: times in which alarms of some printers are suppressed by design (ISA-18.2). Pure.

It is a window, and not "out of service", because it begins and ends by itself: ISA-18.2 keeps the latter for what a
person takes away until a person brings it back. What still holds when the window is over is told then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from agent.alarms.hours import Hours
from agent.alarms.rules import chooses, lets
from agent.model.fleet import Printer
from agent.model.window import Opened
from agent.model.zones import zone_of

PREFIX = "window|"
"""What ``suppressed_by`` begins with for a window; the key of an alarm has two bars, this has one."""


@dataclass(frozen=True, slots=True)
class Window:
    """One window. ``sites``, ``tags``, ``printers``, ``rules``: names or patterns; empty: all.

    It holds from ``begin`` until ``end`` (None: no bound), and in between, where there are weekly ``hours``, in those
    only, by the clock of the printer's site. ``begin`` and ``end`` without a zone are by that clock too.
    """

    name: str
    reason: str = ""
    sites: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    printers: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    hours: tuple[Hours, ...] = ()
    begin: datetime | None = None
    end: datetime | None = None

    @property
    def key(self) -> str:
        """As ``suppressed_by`` has it."""
        return PREFIX + self.name

    @property
    def why(self) -> str:
        """In words."""
        return f"maintenance window {self.name}" + (f" ({self.reason})" if self.reason else "")

    def holds(self, zone: str, now: datetime) -> bool:
        """Whether it goes on where the clocks show this zone."""
        local = now.astimezone(zone_of(zone))
        if self.begin is not None and now < _moment(self.begin, local):
            return False
        if self.end is not None and now >= _moment(self.end, local):
            return False
        return not self.hours or any(one.holds(local) for one in self.hours)

    def covers(self, printer: Printer) -> bool:
        """Whether this printer is meant."""
        return chooses(printer, self.sites, self.tags, self.printers)

    def hides(self, rule: str) -> bool:
        """Whether alarms of this rule are meant."""
        return lets(self.rules, (rule,))


def _moment(at: datetime, local: datetime) -> datetime:
    return at if at.tzinfo is not None else at.replace(tzinfo=local.tzinfo)


class Windows:
    """The windows that go on at one moment; what was worked out for a printer is kept."""

    def __init__(self, windows: Sequence[Window], now: datetime) -> None:
        self._windows = windows
        self._now = now
        self._known: dict[int, tuple[Window, ...]] = {}

    def __bool__(self) -> bool:
        return bool(self._windows)

    def of(self, printer: Printer, rule: str) -> Window | None:
        """The window in which alarms of this rule about this printer are suppressed now."""
        if not self._windows:
            return None
        found = self._known.get(printer.id)
        if found is None:
            zone = printer.place.zone
            found = tuple(one for one in self._windows if one.covers(printer) and one.holds(zone, self._now))
            self._known[printer.id] = found
        return next((one for one in found if one.hides(rule)), None)


def window_of(opened: Opened) -> Window:
    """What a person opened, as the rules take it."""
    return Window(
        opened.name,
        opened.reason,
        opened.sites,
        opened.tags,
        opened.printers,
        begin=opened.begin,
        end=opened.end,
    )
