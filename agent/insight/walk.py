"""The walk: on which days rounds are made, and in which order a round goes from printer to printer.

The order is site, building, floor, room, then the printer's name. Each is sorted as people count: room 9 before room
10, letter case counts for nothing. Floors go from the bottom up: B2, B1 (also -1, U1, UG1), 0 (also G, EG, ground
floor), 1, 2 ... and floors with names alone come after those with numbers. What has no building, floor or room comes
after what has one. Two printers in one place go by name, and by their number in the store at last, so that the order is
always the same.
"""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta

from agent.model.fleet import Place, Printer
from agent.model.round import Rhythm
from agent.model.zones import zone_of

ROUND_HOUR = 10
"""A round is reckoned to be under way at this hour of the site's clock (common practice, no source)."""
LONGEST_GAP = 366
EACH = 25
"""So many rounds ahead are looked at one by one; then ever fewer, up to ``FARTHEST`` days."""
THINNER = 1.15
FARTHEST = 1100

Natural = tuple[tuple[int, int, str], ...]

_PIECES = re.compile(r"[0-9]+|[^0-9]+")
_BELOW = re.compile(r"(?:b|-|u|ug|basement|level -|lower ground)[ .-]?([0-9]{1,4})", re.IGNORECASE)
_ABOVE = re.compile(
    r"(?:\+|floor|level|l|og|storey|etage)?[ .]?([0-9]{1,4})(?:st|nd|rd|th)?(?:[ .]*(?:floor|og|storey|etage))?\.?",
    re.IGNORECASE,
)
_GROUND = frozenset({"g", "gf", "eg", "e", "ground", "ground floor", "rdc", "pb"})
_CELLAR = frozenset({"b", "basement", "cellar", "ug", "u", "kg"})


def natural(text: str) -> Natural:
    """A key that sorts as people count: numbers by their value, letters without case."""
    pieces = _PIECES.findall(" ".join(text.split()).casefold())
    return tuple((0, int(one), "") if one.isdecimal() and one.isascii() else (1, 0, one) for one in pieces)


def floor_key(text: str) -> tuple[int, int, Natural]:
    """A key for floors from the bottom up; names without a number after them, no floor last."""
    word = " ".join(text.split()).casefold()
    if not word:
        return 2, 0, ()
    if word in _GROUND:
        return 0, 0, natural(word)
    if word in _CELLAR:
        return 0, -1, natural(word)
    if found := _BELOW.fullmatch(word):
        return 0, -int(found[1]), natural(word)
    if found := _ABOVE.fullmatch(word):
        return 0, int(found[1]), natural(word)
    return 1, 0, natural(word)


Stop = tuple[bool, Natural, bool, Natural, tuple[int, int, Natural], bool, Natural, Natural, str, int]


def stop_key(printer: Printer) -> Stop:
    """The key by which visits are put into the order of the walk."""
    place: Place = printer.place
    return (
        not place.site,
        natural(place.site),
        not place.building,
        natural(place.building),
        floor_key(place.floor),
        not place.room,
        natural(place.room),
        natural(printer.name),
        printer.name,
        printer.id,
    )


# --- days ----------------------------------------------------------------------------------------------------------


def is_round_day(rhythm: Rhythm, day: date) -> bool:
    """Whether a round is made on this day."""
    return day.weekday() in rhythm.days and day not in rhythm.off


def next_round(rhythm: Rhythm, after: date) -> date | None:
    """The first day after ``after`` on which a round is made; None if there is none within a year."""
    return next_in(rhythm, after + timedelta(days=1)) if after < date.max - timedelta(days=LONGEST_GAP + 1) else None


def next_in(rhythm: Rhythm, day: date) -> date | None:
    """The first day from ``day`` on on which a round is made; None if there is none within a year."""
    if not rhythm.days:
        return None
    days = (day + timedelta(days=ahead) for ahead in range(LONGEST_GAP))
    return next((one for one in days if is_round_day(rhythm, one)), None)


def round_moment(day: date, zone: str) -> datetime:
    """When the round of this day is reckoned to be at a printer."""
    return datetime(day.year, day.month, day.day, ROUND_HOUR, tzinfo=zone_of(zone))


def rounds_ahead(rhythm: Rhythm, day: date, zone: str, now: datetime) -> tuple[float, ...]:
    """This round (``day``) and those to come, in days from ``now``: rising, never before now, at least two.

    Near ones are there one by one, far ones thinned out. Where there is no further round, one a year ahead stands in.
    """
    found = [max(0.0, _days(round_moment(day, zone) - now))]
    at: date | None = day
    for _ in range(EACH):
        at = next_round(rhythm, at) if at is not None else None
        if at is None:
            break
        found.append(_days(round_moment(at, zone) - now))
    if len(found) == 1:
        return found[0], found[0] + 365.0
    step = found[-1] - found[-2]
    while at is not None and found[-1] < FARTHEST:
        step *= THINNER
        found.append(found[-1] + max(step, 1.0))
    return tuple(found)


def _days(span: timedelta) -> float:
    return span / timedelta(days=1)
