"""Which alarms a channel takes, and when it wants to be left in peace. Pure.

In quiet hours, and out of its working hours, a channel is told nothing; what still stands unacknowledged afterwards is
told then. What came and went meanwhile is not told at all. Out of working hours another channel may be told instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from agent.alarms.hours import Calendar, Hours
from agent.alarms.rules import lets
from agent.model.alarm import AlarmRecord, rank
from agent.model.zones import zone_of


@dataclass(frozen=True, slots=True)
class Quiet:
    """Hours of peace, by the clock of the alarm's site. ``unless``: alarms at least so grave are told all the same."""

    hours: Hours
    unless: str = "urgent"

    def holds(self, severity: str, local: datetime) -> bool:
        """Whether an alarm of this severity has to wait at this local time."""
        return not _passes(severity, self.unless) and self.hours.holds(local)


@dataclass(frozen=True, slots=True)
class Shift:
    """The working hours in which a channel is told, by site, else ``everywhere``; by the clock of the alarm's site.

    ``otherwise``: the channel that is told instead out of hours; empty: none. ``unless``: as in ``Quiet``.
    """

    everywhere: Calendar | None = None
    by_site: Mapping[str, Calendar] = field(default_factory=dict)
    otherwise: str = ""
    unless: str = "urgent"

    def is_off(self, severity: str, site: str, local: datetime) -> bool:
        """Whether nobody is at work for an alarm of this severity."""
        if _passes(severity, self.unless):
            return False
        calendar = self.by_site.get(site, self.everywhere)
        return calendar is not None and not calendar.works(local)


def _passes(severity: str, unless: str) -> bool:
    return bool(unless) and rank(severity) >= rank(unless)


@dataclass(frozen=True, slots=True)
class Route:
    """What one channel takes: alarms of these ``sites`` and ``tags`` (names, patterns; empty: all), at least so grave.

    ``watches``: only alarms of rules that watch one of these (``Rule.when``). Alarms without a site (the agent itself,
    printers without one) pass only where no sites are named, alarms without a printer only where no tags are.
    """

    sites: tuple[str, ...] = ()
    at_least: str = "low"
    quiet: tuple[Quiet, ...] = ()
    tags: tuple[str, ...] = ()
    watches: tuple[str, ...] = ()
    shift: Shift | None = None

    def takes(self, record: AlarmRecord) -> bool:
        """Whether this channel is told of the alarm at all."""
        facts = record.facts
        tags = tuple(str(facts.get("tags") or "").splitlines())
        fits = lets(self.sites, (str(facts.get("site") or ""),)) and lets(self.tags, tags)
        watched = not self.watches or facts.get("when") in self.watches
        return fits and watched and rank(record.severity) >= rank(self.at_least)

    def is_quiet(self, record: AlarmRecord, now: datetime) -> bool:
        """Whether the channel must not be told now."""
        local = _local(record, now)
        return any(one.holds(record.severity, local) for one in self.quiet) or self.is_off(record, now)

    def is_off(self, record: AlarmRecord, now: datetime) -> bool:
        """Whether it is out of the channel's working hours."""
        site = str(record.facts.get("site") or "")
        return self.shift is not None and self.shift.is_off(record.severity, site, _local(record, now))


def _local(record: AlarmRecord, now: datetime) -> datetime:
    return now.astimezone(zone_of(str(record.facts.get("zone") or "UTC")))


Routes = Mapping[str, Route]
ANYWHERE = Route()


def taking(channels: Sequence[str], routes: Routes, record: AlarmRecord) -> tuple[str, ...]:
    """Those of ``channels`` that take the alarm."""
    return tuple(name for name in channels if routes.get(name, ANYWHERE).takes(record))


def relieved(channels: Sequence[str], routes: Routes, record: AlarmRecord, now: datetime) -> tuple[str, ...]:
    """``channels``, and those that are told instead of those of them that are out of their working hours."""
    found = dict.fromkeys(channels)
    for name in channels:
        route, seen = routes.get(name, ANYWHERE), {name}
        while route.shift is not None and route.shift.otherwise and route.is_off(record, now):
            other = route.shift.otherwise
            if other in seen:
                break
            seen.add(other)
            route = routes.get(other, ANYWHERE)
            if route.takes(record):
                found[other] = None
    return tuple(found)


def awake(channels: Sequence[str], routes: Routes, record: AlarmRecord, now: datetime) -> tuple[str, ...]:
    """Those of ``channels`` that may be told now."""
    return tuple(name for name in channels if not routes.get(name, ANYWHERE).is_quiet(record, now))
