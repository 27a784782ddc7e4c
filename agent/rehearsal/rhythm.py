"""When people print: weekdays, closing days, month ends, seasons, the hours of a day, and when staff are about.

Pure functions of a date and a generator. The figures are common practice in offices, no source.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from itertools import accumulate
from zoneinfo import ZoneInfo

WEEKDAYS = (1.05, 1.12, 1.0, 1.02, 0.78, 0.07, 0.02)
_CLOSED = frozenset({(1, 1), (5, 1), (12, 24), (12, 25), (12, 26), (12, 31)})
_HOURS = (0.1, 0.5, 1.3, 1.6, 1.4, 0.8, 0.9, 1.4, 1.3, 0.9, 0.4, 0.1)  # from 07:00 local time on
_FIRST_HOUR = 7
_HOURS_SO_FAR = tuple(accumulate(_HOURS))
_OPENS, _CLOSES = 8 * 3600, 17 * 3600


def is_closed(day: date) -> bool:
    """True on the organisation's own closing days."""
    return (day.month, day.day) in _CLOSED


def is_working_day(day: date) -> bool:
    """Monday to Friday, closing days aside."""
    return day.weekday() < 5 and not is_closed(day)


@lru_cache(maxsize=4_000)
def is_month_end(day: date) -> bool:
    """True on the last three working days of a month."""
    if not is_working_day(day):
        return False
    later, left = day + timedelta(days=1), 0
    while later.month == day.month:
        left += is_working_day(later)
        later += timedelta(days=1)
    return left < 3


@lru_cache(maxsize=4_000)
def busyness(day: date) -> float:
    """A day's work as a share of a plain weekday's."""
    if is_closed(day):
        return 0.0
    share = WEEKDAYS[day.weekday()]
    if is_month_end(day):
        share *= 1.7
    if day.month == 8 or (day.month == 12 and day.day > 19):
        share *= 0.65
    return share


@lru_cache(maxsize=4_000)
def midnight(day: date, zone: str) -> float:
    """The moment (seconds of the epoch) that lies 12 hours before local noon: clocks change before offices open."""
    return datetime(day.year, day.month, day.day, 12, tzinfo=ZoneInfo(zone)).timestamp() - 43_200.0


def day_of(at: float, zone: str) -> date:
    """The local date of a moment."""
    return datetime.fromtimestamp(at, ZoneInfo(zone)).date()


def staffed(at: float, hours: float, zone: str) -> float:
    """The moment when somebody has had ``hours`` of working time after ``at``; nights and days off do not count."""
    day, left = day_of(at, zone), hours * 3600.0
    for _ in range(60):
        start = midnight(day, zone)
        begin, end = max(at, start + _OPENS), start + _CLOSES
        if is_working_day(day) and begin < end:
            if begin + left <= end:
                return begin + left
            left -= end - begin
        day += timedelta(days=1)
    return at + hours * 3600.0


@dataclass(frozen=True, slots=True)
class Run:
    """A few seconds of printing: when (epoch), impressions, how many of them in colour, coverage against usual."""

    at: float
    pages: int
    colour: int
    coverage: float


@dataclass(frozen=True, slots=True)
class Habit:
    """How a printer is used: impressions a minute at most, of a usual job, and the share of jobs in colour."""

    pages_per_minute: int
    usual_job: float
    colour_share: float


def plan(rng: random.Random, expected: float, start: float, habit: Habit) -> list[Run]:
    """A day's printing: jobs at the busy hours, each cut into runs no faster than the printer prints.

    ``expected``: impressions; ``start``: local midnight. Runs are in order of time and do not overlap.
    """
    jobs: list[tuple[float, int]] = []
    total = round(expected * rng.lognormvariate(0.0, 0.28)) if expected >= 1 else int(rng.random() < expected)
    while total > 0 and len(jobs) < 4_000:
        pages = min(total, 300, max(1, round(habit.usual_job * rng.lognormvariate(0.0, 1.0))))
        hour = rng.choices(range(len(_HOURS)), cum_weights=_HOURS_SO_FAR)[0] + _FIRST_HOUR
        jobs.append((start + hour * 3600.0 + rng.random() * 3600.0, pages))
        total -= pages
    jobs.sort()
    runs: list[Run] = []
    free, piece = 0.0, max(1, habit.pages_per_minute // 6)
    for asked, pages in jobs:
        free, left = max(asked, free), pages
        coloured = rng.random() < habit.colour_share
        coverage = rng.lognormvariate(-0.08, 0.4)
        while left > 0:
            some = min(piece, left)
            free += some * 60.0 / habit.pages_per_minute
            runs.append(Run(free, some, some if coloured else 0, coverage))
            left -= some
    return runs
