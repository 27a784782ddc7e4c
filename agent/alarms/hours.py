"""Hours of the week by a clock on the wall: of peace, of work, of maintenance. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

WEEK = 7


@dataclass(frozen=True, slots=True)
class Hours:
    """From ``begin`` to ``end``, which may lie on the next day; equal: the whole day.

    ``days``: the weekdays on which it begins (0 is Monday); empty: each.
    """

    begin: time
    end: time
    days: tuple[int, ...] = ()

    def begun(self, local: datetime) -> date | None:
        """The day on which the hours began that go on at this local time; None when none do."""
        clock, today = local.time(), local.date()
        if self.begin < self.end:
            return today if self._begins_on(today) and self.begin <= clock < self.end else None
        if self._begins_on(today) and clock >= self.begin:
            return today
        yesterday = today - timedelta(days=1)
        return yesterday if self._begins_on(yesterday) and clock < self.end else None

    def holds(self, local: datetime) -> bool:
        """Whether it goes on at this local time."""
        return self.begun(local) is not None

    def _begins_on(self, day: date) -> bool:
        return not self.days or day.weekday() in self.days


@dataclass(frozen=True, slots=True)
class Calendar:
    """When somebody works: in these hours (none: at all hours), save those that begin on one of the days ``off``."""

    hours: tuple[Hours, ...] = ()
    off: frozenset[date] = frozenset()

    def works(self, local: datetime) -> bool:
        """Whether somebody is at work at this local time."""
        if not self.hours:
            return local.date() not in self.off
        began = (one.begun(local) for one in self.hours)
        return any(day is not None and day not in self.off for day in began)

    def works_on(self, day: date) -> bool:
        """Whether work begins at any time of this day."""
        if day in self.off:
            return False
        return not self.hours or any(not one.days or day.weekday() in one.days for one in self.hours)
