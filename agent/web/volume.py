"""How many pages a printer printed on each day of its site, from its counter as it was seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np

from agent.insight.days import day_of, midnights
from agent.insight.meter import Meter
from agent.model.fleet import ContactRun
from agent.model.zones import known_zone


@dataclass(frozen=True, slots=True)
class Day:
    """One day. ``pages``: None where the printer was not heard of on that day.

    ``gathered``: from so many days (this one included) the pages come, because it was not heard of before.
    """

    on: date
    pages: int | None
    gathered: int = 1


def by_day(meter: Meter | None, contacts: Sequence[ContactRun], zone: str, until: datetime, days: int) -> list[Day]:
    """The last ``days`` days up to that of ``until``, as far back as the counter was seen."""
    if meter is None:
        return []
    zone = zone if known_zone(zone) is not None else "UTC"
    last = day_of(zone, until.timestamp())
    first = max(last - days + 1, day_of(zone, float(meter.counts.at[0])))
    borders = midnights(zone, first, last + 1)
    index = np.searchsorted(meter.counts.at, borders, side="left") - 1
    totals = meter.counts.total[np.clip(index, 0, None)]
    heard = _heard(contacts, borders)
    made: list[Day] = []
    silent = 0
    for place, one in enumerate(range(first, last + 1)):
        on = date.fromordinal(one)
        if not heard[place]:
            made.append(Day(on, None))
            silent += 1
            continue
        pages = round(float(totals[place + 1] - totals[place - silent]))
        made.append(Day(on, pages, silent + 1))
        silent = 0
    return made


def _heard(contacts: Sequence[ContactRun], borders: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[bool]:
    found = np.zeros(borders.size - 1, dtype=bool)
    for run in contacts:
        if run.reachable:
            begin = np.searchsorted(borders, run.first.timestamp(), side="right") - 1
            end = np.searchsorted(borders, run.last.timestamp(), side="right") - 1
            found[max(0, begin) : max(0, end + 1)] = True
    return [bool(one) for one in found]


def weeks(days: Sequence[Day]) -> list[tuple[date, int, int]]:
    """Monday, pages, and how many of its days were heard of, for each week, the latest first."""
    made: dict[date, tuple[int, int]] = {}
    for one in days:
        monday = one.on - timedelta(days=one.on.weekday())
        pages, count = made.get(monday, (0, 0))
        made[monday] = (pages + (one.pages or 0), count + (one.pages is not None))
    return [(monday, *made[monday]) for monday in sorted(made, reverse=True)]
