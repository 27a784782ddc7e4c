"""Days and moments in the words of people: ``Thu 12 Nov``, and the year only where it is not the one of today.

Names are English, whatever the locale of the machine.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, time

from agent.model.zones import zone_of

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_WRITTEN = re.compile(
    rf"\b({'|'.join(_DAYS)}) (\d{{1,2}}) ({'|'.join(_MONTHS)})(?: (\d{{4}}))?(?: (\d\d):(\d\d))?(?!\w)"
)
_CYCLE = range(2000, 2028)
"""In so many years every day of the year has been every day of the week."""


def day_words(day: date, today: date | None = None) -> str:
    """``Thu 12 Nov``; ``Tue 12 Jan 2027`` where ``today`` is known and lies in another year."""
    words = f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"
    return words if today is None or today.year == day.year else f"{words} {day.year}"


def moment_words(at: datetime, today: date | None = None) -> str:
    """``Thu 12 Nov 08:15``, in the zone that ``at`` is in."""
    return f"{day_words(at, today)} {at.hour:02}:{at.minute:02}"


def dated_words(at: datetime, zone: str) -> str:
    """``Thu 12 Nov 2026``: the day of a moment in the zone of this IANA name, for what is read long after."""
    there = at.astimezone(zone_of(zone))
    return f"{day_words(there)} {there.year}"


def clock_words(at: datetime, zone: str, now: datetime | None = None) -> str:
    """``Thu 12 Nov 08:15 GMT``: a moment by the clock of the zone of this IANA name.

    The year is said where it is not that of ``now``, and always without ``now``: for what is read long after.
    """
    there = at.astimezone(zone_of(zone))
    day = dated_words(at, zone) if now is None else day_words(there, now.astimezone(there.tzinfo))
    return f"{day} {there:%H:%M %Z}"


def span_words(first: date, last: date, today: date | None = None) -> str:
    """``Thu 12 Nov to Mon 16 Nov``; one day alone where both are the same."""
    return day_words(first, today) if first == last else f"{day_words(first, today)} to {day_words(last, today)}"


def written_anew(text: str, write: Callable[[date, bool, time | None], str]) -> str:
    """The text with its days and moments written by ``write``: the day, whether its year is said, the time if any.

    Where no year is said the day is one of that weekday, in whatever year. What is no such day stays as it is.
    """

    def anew(found: re.Match[str]) -> str:
        weekday, month = _DAYS.index(found[1]), _MONTHS.index(found[3]) + 1
        day = _day(int(found[2]), month, weekday, int(found[4]) if found[4] else None)
        if day is None or (found[5] and (int(found[5]) > 23 or int(found[6]) > 59)):
            return found[0]
        return write(day, found[4] is not None, time(int(found[5]), int(found[6])) if found[5] else None)

    return _WRITTEN.sub(anew, text)


def _day(number: int, month: int, weekday: int, year: int | None) -> date | None:
    for one in _CYCLE if year is None else (year,):
        try:
            found = date(one, month, number)
        except ValueError:
            continue
        if found.weekday() == weekday:
            return found
    return None
