"""Days and moments in the words of people: ``Thu 12 Nov``, and the year only where it is not the one of today.

Names are English, whatever the locale of the machine.
"""

from __future__ import annotations

from datetime import date, datetime

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_words(day: date, today: date | None = None) -> str:
    """``Thu 12 Nov``; ``Tue 12 Jan 2027`` where ``today`` is known and lies in another year."""
    words = f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"
    return words if today is None or today.year == day.year else f"{words} {day.year}"


def moment_words(at: datetime, today: date | None = None) -> str:
    """``Thu 12 Nov 08:15``, in the zone that ``at`` is in."""
    return f"{day_words(at, today)} {at.hour:02}:{at.minute:02}"


def span_words(first: date, last: date, today: date | None = None) -> str:
    """``Thu 12 Nov to Mon 16 Nov``; one day alone where both are the same."""
    return day_words(first, today) if first == last else f"{day_words(first, today)} to {day_words(last, today)}"
