"""Days of a site: where midnights fall, weekdays, months' ends, and the hours in which people print.

Days are numbered by their proleptic ordinal (``date.toordinal``), moments are POSIX seconds in float64.
"""

from __future__ import annotations

from datetime import date, datetime
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from agent.model.zones import zone_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OPEN_HOUR = 7.5
CLOSE_HOUR = 18.0
"""The hours in which an office prints (common practice, no source). They only place pages within their day."""
FAR = 8
"""A workday with this many or more workdays after it in its month is no month's end."""


@lru_cache(maxsize=512)
def _year(name: str, year: int) -> Floats:
    zone = zone_of(name)
    first, last = date(year, 1, 1).toordinal(), date(year, 12, 31).toordinal()
    days = [date.fromordinal(day) for day in range(first, last + 1)]
    return np.array([datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() for day in days])


@lru_cache(maxsize=256)
def _years(name: str, first: int, last: int) -> Floats:
    return np.concatenate([_year(name, year) for year in range(first, last + 1)])


def midnights(zone: str, first: int, last: int) -> Floats:
    """The moments at which the days ``first`` .. ``last`` (ordinals, both included) begin in this zone."""
    one, two = date.fromordinal(first).year, date.fromordinal(last).year
    start = date(one, 1, 1).toordinal()
    return _years(zone, one, two)[first - start : last - start + 1]


def day_of(zone: str, at: float) -> int:
    """The ordinal of the day in which this moment falls."""
    return datetime.fromtimestamp(at, zone_of(zone)).toordinal()


def weekday(days: Ints) -> Ints:
    """Monday 0 .. Sunday 6."""
    return (days + 6) % 7


@lru_cache(maxsize=64)
def _month_ends(year: int) -> Ints:
    first, last = date(year, 1, 1).toordinal(), date(year, 12, 31).toordinal()
    after = np.full(last - first + 1, FAR)
    month, count = 0, 0
    for day in range(last, first - 1, -1):
        here = date.fromordinal(day)
        if here.month != month:
            month, count = here.month, 0
        if here.weekday() < 5:
            after[day - first] = min(count, FAR)
            count += 1
    return after


@lru_cache(maxsize=64)
def _month_ends_of(first: int, last: int) -> Ints:
    return np.concatenate([_month_ends(year) for year in range(first, last + 1)])


def workdays_to_month_end(days: Ints) -> Ints:
    """How many workdays (Monday to Friday) follow each of consecutive ``days`` in its month.

    FAR stands for FAR and more, and for days of the weekend.
    """
    if days.size == 0:
        return days
    first = date.fromordinal(int(days[0])).year
    last = date.fromordinal(int(days[-1])).year
    start = date(first, 1, 1).toordinal()
    return _month_ends_of(first, last)[int(days[0]) - start : int(days[-1]) - start + 1]


def hour_share(hours: Floats) -> Floats:
    """The share of a day's pages that is printed by this hour (0..24) of the day."""
    made: Floats = np.minimum(np.maximum((hours - OPEN_HOUR) / (CLOSE_HOUR - OPEN_HOUR), 0.0), 1.0)
    return made
