"""Which alarms a channel takes, and when it wants to be left in peace. Pure.

In quiet hours a channel is told nothing; what still stands unacknowledged afterwards is told then. What came and went
in the quiet is not told at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from fnmatch import fnmatchcase

from agent.model.alarm import AlarmRecord, rank
from agent.model.zones import zone_of


@dataclass(frozen=True, slots=True)
class Quiet:
    """Hours of peace, by the clock of the alarm's site: from ``begin`` to ``end``, which may lie on the next day.

    ``days``: the weekdays on which it begins (0 is Monday); empty: each. ``begin`` equal to ``end``: the whole day.
    ``unless``: alarms at least so grave are told all the same; empty: none.
    """

    begin: time
    end: time
    days: tuple[int, ...] = ()
    unless: str = "urgent"

    def holds(self, severity: str, local: datetime) -> bool:
        """Whether an alarm of this severity has to wait at this local time."""
        if self.unless and rank(severity) >= rank(self.unless):
            return False
        clock, today = local.time(), local.weekday()
        if self.begin < self.end:
            return self._begins_on(today) and self.begin <= clock < self.end
        began_today = self._begins_on(today) and clock >= self.begin
        began_yesterday = self._begins_on((today - 1) % 7) and clock < self.end
        return began_today or began_yesterday

    def _begins_on(self, day: int) -> bool:
        return not self.days or day in self.days


@dataclass(frozen=True, slots=True)
class Route:
    """What one channel takes: alarms of these ``sites`` (names or patterns; empty: all), at least so grave.

    Alarms without a site (the agent itself, printers without one) pass only where no sites are named.
    """

    sites: tuple[str, ...] = ()
    at_least: str = "low"
    quiet: tuple[Quiet, ...] = ()

    def takes(self, record: AlarmRecord) -> bool:
        """Whether this channel is told of the alarm at all."""
        site = str(record.facts.get("site") or "")
        fits = not self.sites or any(site and (site == one or fnmatchcase(site, one)) for one in self.sites)
        return fits and rank(record.severity) >= rank(self.at_least)

    def is_quiet(self, record: AlarmRecord, now: datetime) -> bool:
        """Whether the channel must not be told now."""
        if not self.quiet:
            return False
        local = now.astimezone(zone_of(str(record.facts.get("zone") or "UTC")))
        return any(one.holds(record.severity, local) for one in self.quiet)


Routes = Mapping[str, Route]
ANYWHERE = Route()


def taking(channels: Sequence[str], routes: Routes, record: AlarmRecord) -> tuple[str, ...]:
    """Those of ``channels`` that take the alarm."""
    return tuple(name for name in channels if routes.get(name, ANYWHERE).takes(record))


def awake(channels: Sequence[str], routes: Routes, record: AlarmRecord, now: datetime) -> tuple[str, ...]:
    """Those of ``channels`` that may be told now."""
    return tuple(name for name in channels if not routes.get(name, ANYWHERE).is_quiet(record, now))
