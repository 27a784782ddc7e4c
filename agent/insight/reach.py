"""When a counter will come to a number: the law of the day, from a printer's use.

The same mathematics as for a run-out (``runout``), with a number of impressions that is known exactly.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from datetime import date, datetime, timedelta

import numpy as np

from agent.insight import runout
from agent.insight.days import FAR, day_of
from agent.insight.profile import Shape
from agent.insight.usage import Flow, Habits, ahead
from agent.model.insight import Dates, Usage
from agent.model.zones import known_zone

_Z80 = 1.2815515655446004
LONGEST = 3650
"""Days ahead beyond which no day is named."""


def flow_of(usage: Usage) -> Flow | None:
    """A usage as the run-out machinery takes it; None where the use is not known."""
    if usage.per_workday is None or usage.per_workday <= 0 or usage.by_time:
        return None
    log_sd = 0.3
    if usage.low and usage.high and usage.high > usage.low > 0:
        log_sd = math.log(usage.high / usage.low) / (2 * _Z80)
    week = usage.weekday if len(usage.weekday) == 7 else Shape().weekday
    month_end = usage.month_end if usage.month_end > 0 else 1.0
    ends = (month_end,) * 3 + (1.0,) * (FAR - 2)
    total = sum(week)
    closed = 0.0
    if usage.per_week is not None and total > 0:
        closed = min(0.5, max(0.0, 1 - usage.per_week / (usage.per_workday * total)))
    return Flow(
        usage.counter,
        usage.unit,
        usage.per_workday,
        log_sd**2,
        (usage.variation or 0.6) ** 2,
        Habits().drift,
        Shape(tuple(week), ends, closed),
        usage.workdays,
        math.nan,
        usage.trend,
    )


def dates_of(
    usage: Usage, impressions: float, zone: str, start: datetime, as_of: datetime, off: Collection[date] = ()
) -> Dates | None:
    """The days on which ``impressions`` more will have been printed, counted from ``start`` (the last reading).

    None where the use is not known, or where it would take more than ten years. Days before ``as_of`` are not named.
    """
    flow = flow_of(usage)
    if flow is None:
        return None
    name = zone if known_zone(zone) is not None else "UTC"
    today = date.fromordinal(day_of(name, as_of.timestamp()))
    if impressions <= 0:
        return Dates(today, today, today)
    week = max(0.2, sum(flow.shape.weekday) * (1 - flow.shape.closed))
    expected = impressions / flow.level / week * 7
    if expected > LONGEST:
        return None
    horizon = int(min(2 * LONGEST, 21 + 2.5 * expected))
    closed = frozenset(day.toordinal() for day in off)
    days = ahead(flow, name, start.timestamp(), horizon, closed)
    chance = np.maximum.accumulate(runout.chances(np.array([float(impressions)]), 0.0, runout.course(flow, days)))
    found = runout.dates(chance, days.first_day)
    return Dates(max(today, found.p10), max(today, found.p50), max(today, found.p90))


def sooner(one: Dates | None, day: date | None) -> Dates | None:
    """The days of whatever comes first: a law of days, or one fixed day."""
    if day is None:
        return one
    if one is None:
        return Dates(day, day, day)
    return Dates(min(one.p10, day), min(one.p50, day), min(one.p90, day))


def day_in(zone: str, at: datetime) -> date:
    """The site's day in which a moment falls."""
    return date.fromordinal(day_of(zone if known_zone(zone) is not None else "UTC", at.timestamp()))


def days_after(day: date, days: int) -> date:
    """So many days later; the last day of the calendar where that is beyond it."""
    try:
        return day + timedelta(days=days)
    except OverflowError:
        return date.max
