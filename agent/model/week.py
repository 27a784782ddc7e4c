"""What a fleet letter tells of a week: all that was looked up for it, and nothing of how it is written."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class SitePages:
    """Impressions of one site in the week, and in the week before."""

    site: str
    pages: int
    before: int
    printers: int


@dataclass(frozen=True, slots=True)
class Coming:
    """A supply that will probably run out (a receptacle that will be full) in the week to come.

    ``chance``: that it does within seven days. ``level``: the share left, best guess. ``spare``: what is on the shelf.
    """

    printer: str
    place: str
    part: str
    chance: float
    p10: date
    p50: date
    p90: date
    level: float | None
    spare: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """One measure of how well the alarms serve, against what it should be; ``good`` None: it says little."""

    name: str
    value: str
    target: str
    good: bool | None


@dataclass(frozen=True, slots=True)
class Served:
    """What was done at a printer."""

    at: datetime
    printer: str
    text: str
    who: str


@dataclass(frozen=True, slots=True)
class ToOrder:
    """What to order. ``by``: the last day on which that is soon enough. ``cost``: in words, "" without a price."""

    part: str
    count: int
    by: date | None
    why: str
    cost: str


@dataclass(frozen=True, slots=True)
class Week:
    """The whole. ``where``: the sites in words. ``per_day``: alarms heard on each of the days up to the letter."""

    where: str
    since: datetime
    until: datetime
    zone: str
    printers: int
    silent: tuple[str, ...]
    pages: tuple[SitePages, ...]
    coming: tuple[Coming, ...]
    heard: int
    standing: int
    per_day: tuple[tuple[date, int], ...]
    figures: tuple[Figure, ...]
    frequent: tuple[tuple[int, str], ...]
    advice: tuple[str, ...]
    served: tuple[Served, ...]
    order: tuple[ToOrder, ...]
