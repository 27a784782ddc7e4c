"""What stands in the charts of a printer's page, as numbers: levels with what is expected, and pages by day.

How they look is ``drawings``' business; shares are 0..1, moments POSIX seconds where they lie on an axis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from agent.model.fleet import LevelPoint, PrinterHistory, SupplyTrack
from agent.model.insight import Forecast, Insight, Life
from agent.model.reading import Mark
from agent.model.zones import zone_of
from agent.web.volume import Day

_FURTHEST = timedelta(days=100)
"""A forecast is drawn at most so far, however far it goes; what is beyond is told in words."""
_EDGES = 1440
"""The past of a chart ends at one of so many even moments of its days: so it stays the same while nothing happens."""

Corner = tuple[float, float]
"""A moment and a share."""


@dataclass(frozen=True, slots=True)
class Fan:
    """A forecast: ``wide`` holds 80 % of what may come, ``narrow`` 40 %; ``middle`` is the median."""

    wide: tuple[Corner, ...]
    narrow: tuple[Corner, ...]
    middle: tuple[Corner, ...]


@dataclass(frozen=True, slots=True)
class LevelChart:
    """The level of one supply over time. ``shown``: from each moment on this share was shown, NaN: no number was.

    ``vague``: from when to when only "some" was shown. ``fitted``: when a new one was fitted, and its number. ``low``:
    the low mark. ``begin``, ``now``, ``end``: of the axis, ``now`` being where the past ends. ``zone``: of the dates.
    ``moment``: what ``now`` is called.
    """

    begin: float
    now: float
    end: float
    zone: str
    shown: tuple[Corner, ...]
    vague: tuple[tuple[float, float], ...]
    fan: Fan | None
    fitted: tuple[tuple[float, int], ...]
    low: float | None
    moment: str = "now"


@dataclass(frozen=True, slots=True)
class VolumeChart:
    """Pages by day. ``top``: of the scale."""

    days: tuple[Day, ...]
    top: int


Chart = LevelChart | VolumeChart


@dataclass(frozen=True, slots=True)
class Times:
    """The time that the charts of one page show: ``begin`` .. ``now`` is past, ``now`` .. ``end`` is expected.

    ``edge``: where the past ends in a drawing: now, or hardly later. ``past``: the page is one of an earlier moment.
    """

    begin: datetime
    now: datetime
    edge: datetime
    end: datetime
    zone: str
    past: bool = False

    @property
    def moment(self) -> str:
        """What ``now`` is called: on a page of an earlier moment not so."""
        return "then" if self.past else "now"

    @property
    def today(self) -> date:
        """The day at the site."""
        return self.now.astimezone(zone_of(self.zone)).date()


def share_of(point: LevelPoint, unit: str) -> float | None:
    """The share that a point shows; None where it shows no number or no capacity."""
    if isinstance(point.level, Mark):
        return None
    if isinstance(point.capacity, Mark):
        return point.level / 100 if unit == "percent" and point.level <= 100 else None
    return min(1.0, point.level / point.capacity) if point.capacity > 0 else None


def times(
    history: PrinterHistory, insight: Insight | None, now: datetime, days: int, zone: str, *, past: bool = False
) -> Times:
    """The time to show: of the last ``days`` days what is known, and ahead as far as the forecasts go."""
    step = timedelta(days=days).total_seconds() / _EDGES
    even = datetime.fromtimestamp(math.floor(now.timestamp() / step) * step, UTC)
    edge = even if even == now else even + timedelta(seconds=step)
    known = [track.points[0].at for track in history.supplies if track.points]
    begin = max(even - timedelta(days=days), min([*known, even - timedelta(days=7)]))
    spreads = [one.empty for one in insight.forecasts if one.empty is not None] if insight is not None else []
    if not spreads:
        return Times(begin, now, edge, edge, zone, past)
    ahead = max(timedelta(days=7), *(spread.moment(0.9) - even for spread in spreads))
    return Times(begin, now, edge, even + min(ahead, _FURTHEST, max(even - begin, timedelta(days=30))), zone, past)


def levels(track: SupplyTrack, forecast: Forecast | None, lives: Sequence[Life], shown: Times) -> LevelChart:
    """The chart of one supply, and its forecast."""
    points = [point for point in track.points if point.at <= shown.now]
    edge = shown.edge.timestamp()
    begin = shown.begin.timestamp()
    steps: list[Corner] = []
    vague: list[tuple[float, float]] = []
    for place, point in enumerate(points):
        at = max(point.at.timestamp(), begin)
        until = points[place + 1].at.timestamp() if place + 1 < len(points) else edge
        if until < begin:
            continue
        share = share_of(point, track.unit)
        steps.append((at, math.nan if share is None else max(0.0, share)))
        if point.level is Mark.SOME:
            vague.append((at, until))
    if steps:
        steps.append((edge, steps[-1][1]))
    return LevelChart(
        begin,
        edge,
        max(shown.end.timestamp(), edge),
        shown.zone,
        tuple(steps),
        tuple(vague),
        _fan(forecast, edge),
        tuple((one.fitted.timestamp(), one.number) for one in lives if one.fitted and one.fitted >= shown.begin),
        forecast.threshold if forecast is not None and forecast.threshold else None,
        shown.moment,
    )


def _fan(forecast: Forecast | None, now: float) -> Fan | None:
    """From the level now straight down to nothing at the moments of the chances."""
    if forecast is None or forecast.empty is None or forecast.level is None:
        return None
    middle = forecast.level
    low = forecast.level_low if forecast.level_low is not None else middle
    high = forecast.level_high if forecast.level_high is not None else middle
    spread = forecast.empty

    def empty(chance: float) -> Corner:
        return max(now, spread.moment(chance).timestamp()), 0.0

    def band(early: float, late: float, below: float, above: float) -> tuple[Corner, ...]:
        return (now, above), empty(late), empty(early), (now, below)

    return Fan(
        band(0.1, 0.9, low, high),
        band(0.3, 0.7, (low + middle) / 2, (high + middle) / 2),
        ((now, middle), empty(0.5)),
    )


def volume(days: Sequence[Day]) -> VolumeChart | None:
    """The chart of pages by day; None where nothing is known."""
    known = [one.pages for one in days if one.pages is not None]
    return VolumeChart(tuple(days), _round_up(max(known))) if known else None


def _round_up(value: int) -> int:
    """The next number that is easy to halve and read."""
    if value <= 10:
        return max(2, value + value % 2)
    power: int = 10 ** (len(str(value)) - 2)
    return next(step * power for step in (10, 12, 16, 20, 24, 30, 40, 50, 60, 80, 100) if step * power >= value)


def round_days(first: date, last: date, most: int) -> list[date]:
    """Days that an axis may name: Mondays, firsts of months ..., about ``most`` of them."""
    days = (last - first).days
    if days < 2 * 31:
        step = next((one for one in (1, 2, 7, 14) if days / one <= most), 28)
        start = first + timedelta(days=(-first.weekday()) % 7 if step >= 7 else 1)
        return [start + timedelta(days=step * number) for number in range(days // step + 1)]
    months = max(1, round(days / 30.4 / most))
    made = []
    year, month = first.year, first.month
    while (on := date(year, month, 1)) <= last:
        if on >= first:
            made.append(on)
        year, month = year + (month - 1 + months) // 12, (month - 1 + months) % 12 + 1
    return made
